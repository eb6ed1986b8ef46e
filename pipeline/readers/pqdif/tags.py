"""Tags and value lists of PQDIF, as far as waveforms need them; names and GUIDs are the standard's.

Source: IEEE 1159.3, edition 1.5 (tagUTCtoLST: 1.7), tag and value lists.
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from typing import Final


def guid(text: str) -> bytes:
    """A GUID as it lies in a file: three little-endian numbers, then eight bytes in order."""
    return uuid.UUID(text).bytes_le


@dataclass(frozen=True, slots=True)
class Tag:
    """A tag's name in the standard, for messages, and its GUID as it lies in a file."""

    name: str
    guid: bytes


SIGNATURE: Final = guid("4a111440-e49f-11cf-9900-505144494600")

# record types, each also the tag of its record's collection
CONTAINER: Final = Tag("tagContainer", guid("89738606-f1c3-11cf-9d89-0080c72e70a3"))
DATA_SOURCE: Final = Tag("tagRecDataSource", guid("89738619-f1c3-11cf-9d89-0080c72e70a3"))
MONITOR_SETTINGS: Final = Tag("tagRecMonitorSettings", guid("b48d858c-f5f5-11cf-9d89-0080c72e70a3"))
OBSERVATION: Final = Tag("tagRecObservation", guid("8973861a-f1c3-11cf-9d89-0080c72e70a3"))
BLANK: Final = Tag("tagBlank", guid("89738618-f1c3-11cf-9d89-0080c72e70a3"))

# container
COMPRESSION_STYLE: Final = Tag("tagCompressionStyleID", guid("8973861b-f1c3-11cf-9d89-0080c72e70a3"))
COMPRESSION_ALGORITHM: Final = Tag("tagCompressionAlgorithmID", guid("8973861c-f1c3-11cf-9d89-0080c72e70a3"))

# data source, with the definitions of its channels and of their series
SOURCE_NAME: Final = Tag("tagNameDS", guid("b48d8587-f5f5-11cf-9d89-0080c72e70a3"))
SOURCE_LOCATION: Final = Tag("tagLocationDS", guid("b48d8589-f5f5-11cf-9d89-0080c72e70a3"))
TIME_ZONE: Final = Tag("tagTimeZoneDS", guid("b48d858a-f5f5-11cf-9d89-0080c72e70a3"))
UTC_TO_STANDARD_TIME: Final = Tag("tagUTCtoLST", guid("6acec12e-43b1-4336-af8f-1dd289e4e168"))
CHANNEL_DEFINITIONS: Final = Tag("tagChannelDefns", guid("b48d858d-f5f5-11cf-9d89-0080c72e70a3"))
CHANNEL_DEFINITION: Final = Tag("tagOneChannelDefn", guid("b48d858e-f5f5-11cf-9d89-0080c72e70a3"))
CHANNEL_NAME: Final = Tag("tagChannelName", guid("b48d8590-f5f5-11cf-9d89-0080c72e70a3"))
PHASE: Final = Tag("tagPhaseID", guid("b48d8591-f5f5-11cf-9d89-0080c72e70a3"))
GROUP_NAME: Final = Tag("tagGroupName", guid("b48d8594-f5f5-11cf-9d89-0080c72e70a3"))
QUANTITY_TYPE: Final = Tag("tagQuantityTypeID", guid("b48d8592-f5f5-11cf-9d89-0080c72e70a3"))
QUANTITY_MEASURED: Final = Tag("tagQuantityMeasuredID", guid("c690e872-f755-11cf-9d89-0080c72e70a3"))
SERIES_DEFINITIONS: Final = Tag("tagSeriesDefns", guid("b48d8598-f5f5-11cf-9d89-0080c72e70a3"))
SERIES_DEFINITION: Final = Tag("tagOneSeriesDefn", guid("b48d859a-f5f5-11cf-9d89-0080c72e70a3"))
VALUE_TYPE: Final = Tag("tagValueTypeID", guid("b48d859c-f5f5-11cf-9d89-0080c72e70a3"))
UNITS: Final = Tag("tagQuantityUnitsID", guid("b48d859b-f5f5-11cf-9d89-0080c72e70a3"))
CHARACTERISTIC: Final = Tag("tagQuantityCharacteristicID", guid("3d786f9e-f76e-11cf-9d89-0080c72e70a3"))
STORAGE_METHOD: Final = Tag("tagStorageMethodID", guid("b48d85a1-f5f5-11cf-9d89-0080c72e70a3"))
NOMINAL_QUANTITY: Final = Tag("tagSeriesNominalQuantity", guid("0fa118c8-cb4a-11d2-b30b-fe25cb9a1760"))

# monitor settings
NOMINAL_FREQUENCY: Final = Tag("tagNominalFrequency", guid("0fa118c3-cb4a-11d2-b30b-fe25cb9a1760"))
USE_TRANSDUCER: Final = Tag("tagUseTransducer", guid("62f28181-f9c4-11cf-9d89-0080c72e70a3"))
USE_CALIBRATION: Final = Tag("tagUseCalibration", guid("62f28180-f9c4-11cf-9d89-0080c72e70a3"))
CHANNEL_SETTINGS: Final = Tag("tagChannelSettingsArray", guid("62f28182-f9c4-11cf-9d89-0080c72e70a3"))
CHANNEL_SETTING: Final = Tag("tagOneChannelSetting", guid("3d786f9a-f76e-11cf-9d89-0080c72e70a3"))
CHANNEL_INDEX: Final = Tag("tagChannelDefnIdx", guid("b48d858f-f5f5-11cf-9d89-0080c72e70a3"))
SYSTEM_SIDE_RATIO: Final = Tag("tagXDSystemSideRatio", guid("62f2818a-f9c4-11cf-9d89-0080c72e70a3"))
MONITOR_SIDE_RATIO: Final = Tag("tagXDMonitorSideRatio", guid("62f2818b-f9c4-11cf-9d89-0080c72e70a3"))
CALIBRATION_RATIO: Final = Tag("tagCalRatio", guid("62f2818f-f9c4-11cf-9d89-0080c72e70a3"))
CALIBRATION_OFFSET: Final = Tag("tagCalOffset", guid("62f2818e-f9c4-11cf-9d89-0080c72e70a3"))

# observation, with its channels and their series
OBSERVATION_NAME: Final = Tag("tagObservationName", guid("3d786f8a-f76e-11cf-9d89-0080c72e70a3"))
TIME_START: Final = Tag("tagTimeStart", guid("3d786f8c-f76e-11cf-9d89-0080c72e70a3"))
TIME_TRIGGERED: Final = Tag("tagTimeTriggered", guid("3d786f8e-f76e-11cf-9d89-0080c72e70a3"))
CHANNEL_INSTANCES: Final = Tag("tagChannelInstances", guid("3d786f91-f76e-11cf-9d89-0080c72e70a3"))
CHANNEL_INSTANCE: Final = Tag("tagOneChannelInst", guid("3d786f92-f76e-11cf-9d89-0080c72e70a3"))
CHANNEL_FREQUENCY: Final = Tag("tagChannelFrequency", guid("2747d442-2bd0-11d2-ae42-0060083a2628"))
SERIES_INSTANCES: Final = Tag("tagSeriesInstances", guid("3d786f93-f76e-11cf-9d89-0080c72e70a3"))
SERIES_INSTANCE: Final = Tag("tagOneSeriesInstance", guid("3d786f94-f76e-11cf-9d89-0080c72e70a3"))
SERIES_SCALE: Final = Tag("tagSeriesScale", guid("3d786f96-f76e-11cf-9d89-0080c72e70a3"))
SERIES_OFFSET: Final = Tag("tagSeriesOffset", guid("3d786f97-f76e-11cf-9d89-0080c72e70a3"))
SHARED_CHANNEL: Final = Tag("tagSeriesShareChannelIdx", guid("8973861f-f1c3-11cf-9d89-0080c72e70a3"))
SHARED_SERIES: Final = Tag("tagSeriesShareSeriesIdx", guid("89738620-f1c3-11cf-9d89-0080c72e70a3"))
SERIES_VALUES: Final = Tag("tagSeriesValues", guid("3d786f99-f76e-11cf-9d89-0080c72e70a3"))

# tagCompressionStyleID, tagCompressionAlgorithmID
STYLE_NONE: Final = 0
STYLE_TOTAL_FILE: Final = 1
STYLE_RECORD: Final = 2
ALGORITHM_NONE: Final = 0
ALGORITHM_ZLIB: Final = 1

# tagQuantityTypeID
VALUE_LOG: Final = guid("67f6af82-f753-11cf-9d89-0080c72e70a3")
PHASOR: Final = guid("67f6af81-f753-11cf-9d89-0080c72e70a3")
WAVEFORM: Final = guid("67f6af80-f753-11cf-9d89-0080c72e70a3")
QUANTITY_TYPE_WORDS: Final = {
    guid("67f6af82-f753-11cf-9d89-0080c72e70a3"): "interval",
    guid("67f6af81-f753-11cf-9d89-0080c72e70a3"): "phasor",
    guid("67f6af85-f753-11cf-9d89-0080c72e70a3"): "response",
    guid("67f6af83-f753-11cf-9d89-0080c72e70a3"): "flash",
    guid("67f6af87-f753-11cf-9d89-0080c72e70a3"): "histogram",
    guid("67f6af88-f753-11cf-9d89-0080c72e70a3"): "3-D histogram",
    guid("67f6af89-f753-11cf-9d89-0080c72e70a3"): "cumulative probability",
    guid("67f6af8a-f753-11cf-9d89-0080c72e70a3"): "x-y",
    guid("67f6af8b-f753-11cf-9d89-0080c72e70a3"): "magnitude-duration",
    guid("67f6af8c-f753-11cf-9d89-0080c72e70a3"): "x-y-z",
    guid("67f6af8d-f753-11cf-9d89-0080c72e70a3"): "magnitude-duration-time",
    guid("67f6af8e-f753-11cf-9d89-0080c72e70a3"): "magnitude-duration-count",
}

# tagValueTypeID
VALUE_TYPE_TIME: Final = guid("c690e862-f755-11cf-9d89-0080c72e70a3")
VALUE_TYPES_OF_SAMPLES: Final = (
    guid("67f6af97-f753-11cf-9d89-0080c72e70a3"),  # VAL
    guid("67f6af9b-f753-11cf-9d89-0080c72e70a3"),  # INST
)
VALUE_TYPE_VAL: Final = VALUE_TYPES_OF_SAMPLES[0]
VALUE_TYPE_MIN: Final = guid("67f6af98-f753-11cf-9d89-0080c72e70a3")
VALUE_TYPE_MAX: Final = guid("67f6af99-f753-11cf-9d89-0080c72e70a3")
VALUE_TYPE_AVG: Final = guid("67f6af9a-f753-11cf-9d89-0080c72e70a3")

# tagQuantityCharacteristicID
RMS: Final = guid("a6b31ae5-b451-11d1-ae17-0060083a2628")
FREQUENCY: Final = guid("07ef68af-9ff5-11d2-b30b-006008b37183")
TOTAL_THD: Final = guid("a6b31aec-b451-11d1-ae17-0060083a2628")
TOTAL_THD_RMS: Final = guid("f3d216e0-2aa5-11d5-a4b3-444553540000")
CREST_FACTOR: Final = guid("a6b31ad2-b451-11d1-ae17-0060083a2628")
FLICKER_PST: Final = guid("515bf320-71ca-11d4-a4b3-444553540000")
FLICKER_PLT: Final = guid("515bf321-71ca-11d4-a4b3-444553540000")
NEGATIVE_OVER_POSITIVE: Final = guid("a6b31ae8-b451-11d1-ae17-0060083a2628")
ACTIVE_POWER: Final = guid("a6b31ae1-b451-11d1-ae17-0060083a2628")
REACTIVE_POWER: Final = guid("a6b31ae4-b451-11d1-ae17-0060083a2628")
FUNDAMENTAL_REACTIVE_POWER: Final = guid("672d0310-7810-11d4-a4b3-444553540000")
APPARENT_POWER: Final = guid("a6b31ae6-b451-11d1-ae17-0060083a2628")
POWER_FACTOR: Final = guid("a6b31ae3-b451-11d1-ae17-0060083a2628")
FLAGGING: Final = (
    guid("2a310a59-3cf5-4bc6-b1b4-2602005c00c2"),
    guid("5fd423aa-de44-4a13-bf5b-af9621bc6ffa"),  # of IEC 61000-4-30
)
DISPLACEMENT_FACTOR: Final = guid("a6b31ad3-b451-11d1-ae17-0060083a2628")
INSTANTANEOUS: Final = (
    guid("a6b31add-b451-11d1-ae17-0060083a2628"),
    guid("a6b31adf-b451-11d1-ae17-0060083a2628"),  # none
)
CHARACTERISTIC_WORDS: Final = {
    guid("a6b31ae9-b451-11d1-ae17-0060083a2628"): "spectra",
    guid("a6b31ae2-b451-11d1-ae17-0060083a2628"): "peak",
    guid("a6b31ae5-b451-11d1-ae17-0060083a2628"): "RMS",
    guid("a6b31adc-b451-11d1-ae17-0060083a2628"): "harmonic RMS",
    guid("07ef68af-9ff5-11d2-b30b-006008b37183"): "frequency",
    guid("a6b31aec-b451-11d1-ae17-0060083a2628"): "THD",
    guid("a6b31ad2-b451-11d1-ae17-0060083a2628"): "crest factor",
    guid("515bf320-71ca-11d4-a4b3-444553540000"): "Pst",
    guid("515bf321-71ca-11d4-a4b3-444553540000"): "Plt",
    guid("a6b31ae1-b451-11d1-ae17-0060083a2628"): "active power",
    guid("a6b31ae4-b451-11d1-ae17-0060083a2628"): "reactive power",
    guid("a6b31ae6-b451-11d1-ae17-0060083a2628"): "apparent power",
    guid("a6b31ae3-b451-11d1-ae17-0060083a2628"): "power factor",
    guid("07ef68a0-9ff5-11d2-b30b-006008b37183"): "RMS demand",
    guid("b82b5c83-55c7-11d5-a4b3-444553540000"): "status",
}

# tagStorageMethodID: a bit mask; 1 = plain values, 2 = scaled
METHOD_INCREMENT: Final = 4

# tagQuantityMeasuredID
MEASURED_NONE: Final = 0
MEASURED_VOLTAGE: Final = 1
MEASURED_CURRENT: Final = 2

# tagQuantityUnitsID
UNIT_NONE: Final = 0
UNIT_TIMESTAMP: Final = 1
UNIT_SECONDS: Final = 2
UNIT_CYCLES: Final = 3
UNIT_VOLTS: Final = 6
UNIT_AMPS: Final = 7
UNIT_WORDS: Final = {
    UNIT_NONE: "", UNIT_SECONDS: "s", UNIT_CYCLES: "cycles", UNIT_VOLTS: "V", UNIT_AMPS: "A", 8: "VA", 9: "W",
    10: "var", 11: "ohm", 12: "S", 13: "V/A", 14: "J", 15: "Hz", 16: "°C", 17: "°", 18: "dB", 19: "%", 20: "pu",
    21: "samples", 22: "varh", 23: "Wh", 24: "VAh", 25: "m/s", 26: "mph", 27: "bar", 28: "Pa", 29: "N", 30: "Nm",
    31: "rpm", 32: "rad/s", 33: "m", 34: "Wb turns", 35: "T", 36: "Wb", 37: "V/V", 38: "A/A", 39: "A/V",
    40: "m/s²", 41: "m/s³", 42: "rad/s²", 43: "rad/s³", 44: "sabin",
}  # fmt: skip
UNIT_VA: Final = 8
UNIT_W: Final = 9
UNIT_VAR: Final = 10
UNIT_HZ: Final = 15
UNIT_PERCENT: Final = 19

# tagPhaseID; what is no phase or neutral conductor of ours has no entry. A residual is what the neutral carries.
PHASE_NONE: Final = 0
PHASES_OF_ALL: Final = (0, 9, 13)  # none, net, total
PHASES: Final = {1: "A", 2: "B", 3: "C", 4: "N", 5: "AB", 6: "BC", 7: "CA", 8: "N"}
