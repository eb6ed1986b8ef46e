"""What the channels of a data source are: waveforms or not, and of which quantity, phase and unit.

Source: IEEE 1159.3, data-source record (tagQuantityTypeID, tagQuantityCharacteristicID, tagQuantityMeasuredID,
tagQuantityUnitsID, tagPhaseID).
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

from halfcycle.pipeline.capture import Channel
from halfcycle.pipeline.readers.contract import Repair
from halfcycle.pipeline.readers.pqdif import tags
from halfcycle.pipeline.readers.pqdif.logical import ChannelDefinition, DataSource, MonitorSettings
from halfcycle.pipeline.terms import Quantity, phase_of

_QUANTITIES: dict[int, Quantity] = {tags.UNIT_VOLTS: "voltage", tags.UNIT_AMPS: "current"}
_MEASURED: dict[int, Quantity] = {tags.MEASURED_VOLTAGE: "voltage", tags.MEASURED_CURRENT: "current"}
_UNITS: dict[Quantity, str] = {"voltage": "V", "current": "A"}


def samples_series(definition: ChannelDefinition) -> int | None:
    """Position of the series that holds the samples of a waveform; None where the channel is no waveform."""
    if definition.quantity_type != tags.WAVEFORM:
        return None
    for i, series in enumerate(definition.series):
        instantaneous = series.characteristic is None or series.characteristic in tags.INSTANTANEOUS
        if series.value_type in tags.VALUE_TYPES_OF_SAMPLES and instantaneous:
            return i
    return None


def time_series(definition: ChannelDefinition) -> int | None:
    """Position of the series that holds the times of a channel's values."""
    return next((i for i, one in enumerate(definition.series) if one.value_type == tags.VALUE_TYPE_TIME), None)


def kind_of(definition: ChannelDefinition) -> str:
    """What a channel that is no waveform holds, in words: ``interval, RMS``."""
    kind = tags.QUANTITY_TYPE_WORDS.get(definition.quantity_type or b"", "")
    if definition.quantity_type == tags.WAVEFORM:
        kind = "waveform"
    words = {tags.CHARACTERISTIC_WORDS.get(series.characteristic or b"", "") for series in definition.series}
    return ", ".join([kind or "unknown", *sorted(words - {""})])


def quantity_of(definition: ChannelDefinition) -> Quantity:
    """The quantity of a waveform: its unit decides, and where it has none what the channel is said to measure."""
    i_samples = samples_series(definition)
    units = tags.UNIT_NONE if i_samples is None else definition.series[i_samples].units
    measured = _MEASURED.get(definition.measured or tags.MEASURED_NONE)
    if units == tags.UNIT_NONE:
        return measured or "other"
    by_unit = _QUANTITIES.get(units, "other")
    if measured is None and definition.measured not in (None, tags.MEASURED_NONE):
        return "other"
    return by_unit if measured in (None, by_unit) else "other"


def channel_of(definition: ChannelDefinition, *, scale: float, offset: float) -> Channel:
    """The channel of a waveform, but for its rated value.

    Parameters
    ----------
    definition : of the channel.
    scale, offset : of its samples.
    """
    i_samples = samples_series(definition)
    units = tags.UNIT_NONE if i_samples is None else definition.series[i_samples].units
    quantity = quantity_of(definition)
    phase = tags.PHASES.get(definition.phase, "")
    return Channel(
        name=definition.name,
        quantity=quantity,
        phase=phase_of("", definition.name) if definition.phase == tags.PHASE_NONE else phase,
        unit=_UNITS.get(quantity, tags.UNIT_WORDS.get(units, "")),
        scale=scale,
        offset=offset,
        point=definition.group,
    )


def notes_on(source: DataSource, settings: MonitorSettings, used: Collection[int]) -> tuple[str, ...]:
    """What is to be said of the definitions of the channels that are used.

    Parameters
    ----------
    source, settings : of the channels.
    used : indices of their definitions.
    """
    notes = [zone_note(source.zone)] if source.zone.upper() not in ("UTC", "GMT", "Z") else []
    without_unit = [i for i in used if _is_without_unit(source.channels[i])]
    if without_unit:
        names = _names(source, without_unit)
        notes.append(Repair(f"without a unit, taken as V or A by their stated quantity: {names}"))
    odd = [i for i in used if quantity_of(source.channels[i]) == "other" and _is_said_to_be_known(source.channels[i])]
    if odd:
        notes.append(f"voltages or currents in other units, not judged: {_names(source, odd)}")
    ratios = [(i, ratio) for i, ratio in settings.ratios if i in used]
    if ratios:
        listed = ", ".join(f"{ratio:g} of {_names(source, [i])}" for i, ratio in ratios)
        use = "are to be used" if settings.uses_transducers else "are not to be used"
        note = (
            f"transducer ratios are stated, and the file states that they {use}; values are taken as they are: {listed}"
        )
        notes.append(Repair(note) if settings.uses_transducers else note)  # guessed: that they have been used already
    calibrated = [i for i in settings.calibrated if i in used]
    if calibrated:
        notes.append(Repair(f"calibrations are stated but not applied: {_names(source, calibrated)}"))  # likewise
    return tuple(notes)


def zone_note(zone: str) -> str:
    """What is to be said of the time zone that a data source states."""
    if not zone:
        return "the time zone is not stated; time stamps are taken as UTC"
    return f"time stamps are taken as UTC; the time zone stated is {zone!r}"


def _is_without_unit(definition: ChannelDefinition) -> bool:
    i_samples = samples_series(definition)
    units = tags.UNIT_NONE if i_samples is None else definition.series[i_samples].units
    return units == tags.UNIT_NONE and quantity_of(definition) != "other"


def _is_said_to_be_known(definition: ChannelDefinition) -> bool:
    return definition.measured in _MEASURED


def _names(source: DataSource, indices: Sequence[int]) -> str:
    return ", ".join(source.channels[i].name or f"channel {i + 1}" for i in indices)
