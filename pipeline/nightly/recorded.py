"""What recorders computed themselves, in a fleet's store: interval records and logs of RMS as their files had them.

recorded/site=S/date=D/DIGEST.parquet       the rows of one file, point and interval in a UTC day
recorded/site=S/date=D/log-DIGEST.parquet   the same, where events can be told from the rows

The name is the digest of the file, the point, the interval and the day. The same file again takes the place of all that
it gave before, under whatever name: a description of its columns may have been put right, and once logs had no names of
their own. Ratios, thresholds and the like are applied when a day's trends are made of it.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from halfcycle.pipeline.errors import DamagedCapture
from halfcycle.pipeline.quantities import QUANTITIES
from halfcycle.pipeline.readers import capture_files, intervals_in
from halfcycle.pipeline.readers.intervals import IntervalRecords, IntervalSeries
from halfcycle.pipeline.readers.intervals.records import LONGEST_EVENT_STEP_S
from halfcycle.pipeline.readers.source_digest import source_digest
from halfcycle.pipeline.settings import Site, Thresholds
from halfcycle.pipeline.sites.account import Declared
from halfcycle.pipeline.store.partitions import DAY_NS, Store, day_of
from halfcycle.pipeline.survey.recorded import recorded_trend
from halfcycle.pipeline.survey.stored import StoredTrend, by_point

if TYPE_CHECKING:
    import pyarrow as pa

_KEY: Final = b"halfcycle.recorded"
_CONTENT: Final = b"halfcycle.digest_of_content"
LOG_PREFIX: Final = "log-"
"""Of the names of those in which events can be told."""
_STATISTICS: Final = ("average", "least", "largest")


@dataclass(frozen=True, slots=True)
class DayOfRecords:
    """The rows of a UTC day: their day, the name of their file in the store, the rows, and the file they came from."""

    day: date
    name: str
    records: IntervalRecords
    source: str
    digest: str


def days_of_records(path: Path, *, strict: bool = False) -> Iterator[DayOfRecords]:
    """The interval records in a file of the inbox, or in the files of a bundle, by UTC day.

    Raises
    ------
    ReadError : they cannot be read; in a strict reading, what would be repaired.
    """
    for file in capture_files([path], in_bundles=True):
        for records in intervals_in(file, strict=strict):
            days = records.starts_ns // DAY_NS
            edges = [0, *(np.flatnonzero(np.diff(days)) + 1).tolist(), days.size]
            for first, stop in pairwise(edges):
                day = day_of(int(records.starts_ns[first]))
                digest = source_digest(file)
                words = (digest, records.station, records.point, records.step_ns, day.isoformat())
                kind = LOG_PREFIX if records.shows_events else ""
                name = kind + hashlib.sha256(json.dumps(words).encode()).hexdigest()[:32]
                source = file.relative_to(path.parent).as_posix()
                yield DayOfRecords(day, name, _rows(records, slice(first, stop)), source, digest)


def write_records(one: DayOfRecords, path: Path) -> None:
    """Write the rows of a day; a plain call, to be made atomic by the caller."""
    import pyarrow.parquet as pq

    pq.write_table(_table(one), path, compression="zstd", write_page_checksum=True)


def read_records(path: Path) -> DayOfRecords:
    """The rows of a day out of the store.

    Raises
    ------
    DamagedCapture : the file is damaged, or none of ours.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        table = pq.read_table(path, partitioning=None, page_checksum_verification=True)
        said = json.loads((table.schema.metadata or {})[_KEY])
        series = tuple(
            IntervalSeries(symbol, phase, statistic, table.column(f"{i}").to_numpy(), label)
            for i, (symbol, phase, statistic, label) in enumerate(said["series"])
            if symbol in QUANTITIES and statistic in _STATISTICS
        )
        records = IntervalRecords(
            said["station"], table.column("start").cast(pa.int64()).to_numpy(), int(said["step_ns"]), series,
            np.asarray(table.column("flagged").to_numpy(zero_copy_only=False)),
            tuple((label, reason) for label, reason in said["left_out"]), tuple(said["notes"]), said["nominal_v"],
            said["point"],
        )  # fmt: skip
        return DayOfRecords(day_of(int(records.starts_ns[0])), path.stem, records, said["source"], said["digest"])
    except (OSError, pa.ArrowException, KeyError, ValueError, TypeError, IndexError) as error:
        raise DamagedCapture(path, f"is not a stored record of a recorder's values ({error})") from error


def standing_records(store: Store, site: str, day: date) -> list[Path]:
    """Stored records of a site and day in order of name, without those set aside and those of `former_records`."""
    held = store.recorded(site, day)
    former = _former(held)
    return [path for path in held if path not in former]


def former_records(store: Store, site: str, day: date) -> list[Path]:
    """Of records that lie there both as a log and under the name that logs once had, the one that was written first."""
    return _former(store.recorded(site, day))


def _former(held: Sequence[Path]) -> list[Path]:
    names = {path.name for path in held}
    logs = [path for path in held if path.name.startswith(LOG_PREFIX)]
    pairs = [(path.with_name(path.name.removeprefix(LOG_PREFIX)), path) for path in logs]
    return [min(pair, key=lambda path: path.stat().st_mtime_ns) for pair in pairs if pair[0].name in names]


def given_before(
    store: Store, site: str, days: Collection[date], digest: str, *, now: Collection[Path]
) -> Iterable[Path]:
    """What a file gave to a site when it was read before, and does not give now.

    Parameters
    ----------
    store, site : where, and whose.
    days : in which the file has rows now; those beside them are looked through too, as a time zone may be another.
    digest : of the file.
    now : what it gives.
    """
    for day in sorted({day + timedelta(days=n) for day in days for n in (-1, 0, 1)}):
        for path in sorted(store.recorded_path(site, day, "any").parent.glob("*.parquet")):
            if path not in now and (_said(path) or {}).get("digest") == digest:
                yield path


def trends_of_records(
    paths: Sequence[Path], *, site: Site, said: Declared, thresholds: Thresholds, interval_s: float
) -> tuple[list[StoredTrend], list[DamagedCapture]]:
    """What recorders computed of a day as trends, those of a point and an interval joined; and what is damaged.

    Parameters
    ----------
    paths : of the store.
    site, said : its settings, and what they declare.
    thresholds, interval_s : see `survey.recorded.recorded_trends`.
    """
    found: list[StoredTrend] = []
    damaged: list[DamagedCapture] = []
    for path in paths:
        try:
            held = read_records(path)
        except DamagedCapture as error:
            damaged.append(error)
            continue
        point = "".join(sign if sign.isprintable() and sign not in "/\\" else "-" for sign in held.records.point)
        found.append(
            recorded_trend(
                replace(held.records, point=point), name=site.name, site=site, said=said, thresholds=thresholds,
                interval_s=interval_s, sources=[(held.source, held.digest)],
            )
        )  # fmt: skip
    return [one for of_point in by_point(found).values() for one in of_point.values()], damaged


def records_digest(path: Path) -> str:
    """Which content a stored file has, out of its footer; "" where it is damaged."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        return str((pq.read_schema(path).metadata or {})[_CONTENT], "ascii")
    except (OSError, pa.ArrowException, KeyError, ValueError):
        return ""


def logged_content(path: Path) -> str | None:
    """Which content a stored file has, where events can be told from its rows; None where they cannot be.

    Of a damaged log it is "": who reads it sees that. What was stored before names told it says it inside.
    """
    if path.name.startswith(LOG_PREFIX):
        return records_digest(path)
    said = _said(path)
    try:
        if said is None or int(said["step_ns"]) > LONGEST_EVENT_STEP_S * 1e9:
            return None
        return records_digest(path) if any(symbol == "u_rms" for symbol, *_ in said["series"]) else None
    except (KeyError, ValueError, TypeError):
        return None


def _said(path: Path) -> dict[str, Any] | None:
    """What a stored file says of itself, out of its footer; None where it is damaged."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        said = json.loads((pq.read_schema(path).metadata or {})[_KEY])
    except (OSError, pa.ArrowException, KeyError, ValueError):
        return None
    return said if isinstance(said, dict) else None


def are_stored(one: DayOfRecords, path: Path) -> bool:
    """Whether a day's rows lie in the store already, undamaged and the same."""
    try:
        if not path.exists():
            return False
        read_records(path)
    except DamagedCapture:
        return False
    return bool(records_digest(path) == _table(one).schema.metadata[_CONTENT].decode())


def _rows(records: IntervalRecords, rows: slice) -> IntervalRecords:
    series = tuple(replace(one, values=one.values[rows]) for one in records.series)
    return replace(records, starts_ns=records.starts_ns[rows], series=series, flagged=records.flagged[rows])


def _table(one: DayOfRecords) -> pa.Table:
    import pyarrow as pa

    records = one.records
    said = {
        "station": records.station, "point": records.point, "step_ns": records.step_ns, "nominal_v": records.nominal_v,
        "series": [[each.symbol, each.phase, each.statistic, each.label] for each in records.series],
        "left_out": records.left_out, "notes": [str(note) for note in records.notes], "source": one.source,
        "digest": one.digest,
    }  # fmt: skip
    columns: dict[str, Any] = {
        "start": pa.array(records.starts_ns, pa.timestamp("ns", tz="UTC")), "flagged": records.flagged,
    }  # fmt: skip
    columns |= {f"{i}": each.values for i, each in enumerate(records.series)}
    text = json.dumps(said, sort_keys=True).encode()
    content = hashlib.sha256(json.dumps(said | {"source": ""}, sort_keys=True).encode())  # whatever the file is called
    for values in (records.starts_ns, records.flagged, *(each.values for each in records.series)):
        content.update(np.ascontiguousarray(values).tobytes())
    metadata = {_KEY: text, _CONTENT: content.hexdigest()[:32].encode()}
    return pa.table(columns).replace_schema_metadata(metadata)
