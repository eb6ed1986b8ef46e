"""Values of intervals out as PQDIF: value logs, a channel for each quantity and phase, a time axis for all.

Source: IEEE 1159.3, edition 1.5 (flagged intervals: 1.6): value types, characteristics, units and phases.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import StoreError
from halfcycle.pipeline.writers.pqdif_layout import (
    UINT4,
    Scalar,
    Tree,
    Vector,
    guid_scalar,
    laid_out,
    reals,
    samples_vector,
    text_vector,
    time_scalar,
    whole,
    write_records,
)

Statistic = Literal["average", "least", "largest"]

_VALUE_LOG: Final = "67f6af82-f753-11cf-9d89-0080c72e70a3"
_TIME: Final = "c690e862-f755-11cf-9d89-0080c72e70a3"
_VALUE_TYPES: Final[dict[Statistic, str]] = {
    "least": "67f6af98-f753-11cf-9d89-0080c72e70a3", "largest": "67f6af99-f753-11cf-9d89-0080c72e70a3",
    "average": "67f6af9a-f753-11cf-9d89-0080c72e70a3",
}  # fmt: skip
_NONE: Final = "a6b31adf-b451-11d1-ae17-0060083a2628"
_FLAGGING: Final = "5fd423aa-de44-4a13-bf5b-af9621bc6ffa"  # of IEC 61000-4-30
_RMS: Final = "a6b31ae5-b451-11d1-ae17-0060083a2628"
_THD, _THD_RMS = "a6b31aec-b451-11d1-ae17-0060083a2628", "f3d216e0-2aa5-11d5-a4b3-444553540000"
_CREST: Final = "a6b31ad2-b451-11d1-ae17-0060083a2628"
_P, _Q_FUND = "a6b31ae1-b451-11d1-ae17-0060083a2628", "672d0310-7810-11d4-a4b3-444553540000"
_VOLTAGE, _CURRENT, _POWER, _STATUS = 1, 2, 3, 17
_KINDS: Final = {
    # symbol of a survey's quantity: characteristic, unit, what is measured
    "u_rms": (_RMS, 6, _VOLTAGE), "i_rms": (_RMS, 7, _CURRENT),
    "thd_u": (_THD, 19, _VOLTAGE), "thd_i": (_THD, 19, _CURRENT),
    "thd_r_u": (_THD_RMS, 19, _VOLTAGE), "thd_r_i": (_THD_RMS, 19, _CURRENT),
    "crest_u": (_CREST, 0, _VOLTAGE), "crest_i": (_CREST, 0, _CURRENT),
    "f": ("07ef68af-9ff5-11d2-b30b-006008b37183", 15, 0),
    "p": (_P, 9, _POWER), "p_total": (_P, 9, _POWER), "q1": (_Q_FUND, 10, _POWER), "q1_total": (_Q_FUND, 10, _POWER),
    "s": ("a6b31ae6-b451-11d1-ae17-0060083a2628", 8, _POWER),
    "pf": ("a6b31ae3-b451-11d1-ae17-0060083a2628", 0, _POWER),
    "dpf": ("a6b31ad3-b451-11d1-ae17-0060083a2628", 0, _POWER),
    "pst": ("515bf320-71ca-11d4-a4b3-444553540000", 0, _VOLTAGE),
    "plt": ("515bf321-71ca-11d4-a4b3-444553540000", 0, _VOLTAGE),
    "u2": ("a6b31ae8-b451-11d1-ae17-0060083a2628", 19, _VOLTAGE),
}  # fmt: skip
_PHASES: Final = {"": 13, "A": 1, "B": 2, "C": 3, "N": 4, "AB": 5, "BC": 6, "CA": 7}
_SECONDS, _PLAIN = 2, 1
_VERSION: Final = (1, 6, 1, 0)


@dataclass(frozen=True, slots=True)
class IntervalChannel:
    """One quantity of one phase.

    Attributes
    ----------
    symbol, phase : of a survey; "" for the phase of a point's quantity.
    rows : by statistic, each float32 of shape (n,), NaN where there is no value. [unit of the quantity]
    """

    symbol: str
    phase: str
    rows: Mapping[Statistic, npt.NDArray[np.float32]]


@dataclass(frozen=True, slots=True)
class IntervalTable:
    """The trend of one point.

    Attributes
    ----------
    station, point : "" where there is one point.
    starts_ns : int64, shape (n,), rising. [ns UTC]
    channels : at least one.
    flagged : bool, shape (n,).
    """

    station: str
    point: str
    starts_ns: npt.NDArray[np.int64]
    channels: tuple[IntervalChannel, ...]
    flagged: npt.NDArray[np.bool_]


def holds_quantity(symbol: str) -> bool:
    """Whether PQDIF has a characteristic for a quantity of a survey that means the same."""
    return symbol in _KINDS


def write_pqdif_intervals(tables: Sequence[IntervalTable], path: Path) -> None:
    """Write trends, each a data source and an observation; the same trends give the same bytes.

    Raises
    ------
    StoreError : a table has under two intervals or no channel, or the file cannot be written.
    """
    container = Tree(
        (
            ("tagVersionInfo", Vector(UINT4, 4, struct.pack("<4I", *_VERSION))),
            ("tagFileName", text_vector(path.name)),
            ("tagCreation", time_scalar(int(tables[0].starts_ns[0]) if tables and tables[0].starts_ns.size else 0)),
        )
    )
    records = [("tagContainer", laid_out(container))]
    for table in tables:
        if table.starts_ns.size < 2 or not table.channels:
            raise StoreError(
                f"{table.station}: PQDIF needs at least two times, to give the length of intervals, and one quantity "
                "that it defines"
            )  # fmt: skip
        records.append(("tagRecDataSource", laid_out(_data_source(table))))
        records.append(("tagRecObservation", laid_out(_observation(table))))
    write_records(records, path)


def _data_source(table: IntervalTable) -> Tree:
    definitions = [_definition(one, table.point) for one in table.channels]
    definitions.append(_defined("flag", 0, _STATUS, table.point, [("average", _FLAGGING, 0)]))
    return Tree(
        (
            ("tagDataSourceTypeID", guid_scalar("e6b51730-f747-11cf-9d89-0080c72e70a3")),
            ("tagNameDS", text_vector(table.station)),
            ("tagTimeZoneDS", text_vector("UTC")),
            ("tagChannelDefns", Tree(tuple(("tagOneChannelDefn", one) for one in definitions))),
        )
    )


def _definition(channel: IntervalChannel, point: str) -> Tree:
    characteristic, unit, measured = _KINDS[channel.symbol]
    name = f"{channel.symbol} {channel.phase}".strip()
    series = [(statistic, characteristic, unit) for statistic in channel.rows]
    return _defined(name, _PHASES[channel.phase], measured, point, series)


def _defined(name: str, phase: int, measured: int, point: str, series: Sequence[tuple[Statistic, str, int]]) -> Tree:
    definitions = [_series_definition(_TIME, _SECONDS, _NONE)]
    definitions += [_series_definition(_VALUE_TYPES[statistic], unit, kind) for statistic, kind, unit in series]
    return Tree(
        (
            ("tagChannelName", text_vector(name)),
            ("tagPhaseID", whole(phase)),
            ("tagQuantityTypeID", guid_scalar(_VALUE_LOG)),
            ("tagQuantityMeasuredID", whole(measured)),
            *((("tagGroupName", text_vector(point)),) if point else ()),
            ("tagSeriesDefns", Tree(tuple(("tagOneSeriesDefn", one) for one in definitions))),
        )
    )


def _series_definition(value_type: str, unit: int, characteristic: str) -> Tree:
    return Tree(
        (
            ("tagValueTypeID", guid_scalar(value_type)),
            ("tagQuantityUnitsID", whole(unit)),
            ("tagQuantityCharacteristicID", guid_scalar(characteristic)),
            ("tagStorageMethodID", whole(_PLAIN)),
        )
    )


def _observation(table: IntervalTable) -> Tree:
    start_ns = int(table.starts_ns[0])
    seconds = (table.starts_ns - start_ns) / 1e9
    flags = IntervalChannel("flag", "", {"average": table.flagged.astype(np.float32)})
    instances = [
        ("tagOneChannelInst", _instance(i, channel, seconds)) for i, channel in enumerate((*table.channels, flags))
    ]
    return Tree(
        (
            ("tagObservationName", text_vector("trend")),
            ("tagTimeCreate", time_scalar(start_ns)),
            ("tagTimeStart", time_scalar(start_ns)),
            ("tagTriggerMethodID", whole(2)),
            ("tagChannelInstances", Tree(tuple(instances))),
        )
    )


def _instance(index: int, channel: IntervalChannel, seconds: npt.NDArray[np.float64]) -> Tree:
    shared = Tree((("tagSeriesShareChannelIdx", whole(0)), ("tagSeriesShareSeriesIdx", whole(0))))
    times = shared if index else Tree((("tagSeriesValues", reals(seconds.tolist())),))
    rows: list[tuple[str, Scalar | Vector | Tree]] = [("tagOneSeriesInstance", times)]
    rows += [("tagOneSeriesInstance", _values(row)) for row in channel.rows.values()]
    return Tree((("tagChannelDefnIdx", whole(index)), ("tagSeriesInstances", Tree(tuple(rows)))))


def _values(row: npt.NDArray[Any]) -> Tree:
    return Tree((("tagSeriesValues", samples_vector(row.astype(np.float32))),))
