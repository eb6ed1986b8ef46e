"""Incidents over sites in the store: day by day, each a pure function of the catalogues of the days around it.

incidents/date=D/events.parquet      the rows of all sites that joining needs
incidents/date=D/members.parquet     for each of them its incident, shot and corrected start
incidents/date=D/incidents.parquet   incidents that an event of the day gives its id to
incidents/date=D/clocks.parquet      how far each recorder's clock was ahead
incidents/changes.parquet            ids that an event had before, as late captures came: merged or renamed incidents
incidents/index.json                 what each day was made of; where it is lost all days are made anew
"""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.errors import PlaceError, StoreError
from halfcycle.pipeline.events import catalogue_schema
from halfcycle.pipeline.incidents.clock_days import clock_table
from halfcycle.pipeline.incidents.clock_states import clock_states
from halfcycle.pipeline.incidents.fleet import fleet_incidents
from halfcycle.pipeline.incidents.tables import incident_table, member_table
from halfcycle.pipeline.incidents.topology import Topology, load_topology
from halfcycle.pipeline.nightly.catalogue_file import read_events_table
from halfcycle.pipeline.nightly.day_states import DaysFound
from halfcycle.pipeline.nightly.days import Day, path_of
from halfcycle.pipeline.resources import judging_version
from halfcycle.pipeline.store.atomic import write_atomically
from halfcycle.pipeline.store.partitions import Store, day_of, day_start_ns

if TYPE_CHECKING:
    import pyarrow as pa

AROUND_DAYS: Final = 35
"""Days before and after one whose events may speak for it: ten for its zone, five each for four looks at clocks."""
_TOLD_DAYS: Final = 10  # before the last one made anew, of which a night tells clocks
_LONGEST_RUN: Final = 60  # days that are joined at once
_ONE_DAY: Final = timedelta(days=1)
_NEEDED: Final = (
    "event_id", "site", "kind", "start", "refined_start", "duration_s", "observed_s", "magnitude",
    "characteristic_pu", "phases", "line_to_line", "open_start", "open_end", "dip_type", "direction",
    "direction_confidence", "cause", "cause_confidence", "part_of",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class JoinOutcome:
    """What joining did.

    Attributes
    ----------
    n_days : made anew.
    n_incidents : of several sites in them.
    n_changed : events whose incident has another id.
    clocks : sites whose clock is off, in another zone, drifts or was set, as the last days made anew tell it, and what
        is the matter, in words.
    """

    n_days: int
    n_incidents: int
    n_changed: int
    clocks: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class _Known:
    """What the index says of a day.

    Attributes
    ----------
    files : stamp of the catalogues that its events were gathered from.
    content : digest of the events.
    made_of : digest of all that its incidents were made of; "": not made yet.
    """

    files: str
    content: str
    made_of: str = ""


def join_days(fleet: Fleet, found: DaysFound) -> JoinOutcome | None:
    """Bring the incidents of a fleet up to date; the caller holds the lock. None where the fleet asks for none.

    found : all days, once their catalogues are made.

    Raises
    ------
    ConfigError : the topology is wrong.
    StoreError : a catalogue is damaged, or a file cannot be written.
    """
    if fleet.incidents is None:
        return None
    topology = None if fleet.incidents.topology is None else load_topology(fleet.incidents.topology)
    index = _gathered(fleet, _read_index(fleet), _stamps(fleet, found))
    settings = _settings(fleet, topology)
    stale = _stale(index, settings)
    n_incidents = n_changed = 0
    clocks: tuple[tuple[str, str], ...] = ()
    for run in _runs(stale):
        done = _join(run, index, fleet, topology)
        n_incidents, n_changed, clocks = n_incidents + done.n_incidents, n_changed + done.n_changed, done.clocks
        index |= {day: replace(index[day], made_of=_made_of(day, index, settings)) for day in run}
    _write_index(index, fleet)
    return JoinOutcome(len(stale), n_incidents, n_changed, clocks)


def has_stale_days(fleet: Fleet, found: DaysFound) -> bool:
    """Whether `join_days` would find something to do. found: all days, as they are."""
    if fleet.incidents is None:
        return False
    topology = None if fleet.incidents.topology is None else load_topology(fleet.incidents.topology)
    known = _read_index(fleet)
    stamps = {day: _stamp(of_sites) for day, of_sites in _stamps(fleet, found).items()}
    if stamps != {day: item.files for day, item in known.items() if item.files}:
        return True
    return bool(_stale(known, _settings(fleet, topology)))


def read_incidents(fleet: Fleet, what: str, *, first: date | None = None, last: date | None = None) -> pa.Table | None:
    """The kept tables of all days, or of a range of them, as one; None where there are none.

    Parameters
    ----------
    fleet : the configuration.
    what : ``incidents``, ``members`` or ``clocks``.
    first, last : days, both included; None: open.

    Raises
    ------
    StoreError : a file is damaged.
    """
    import pyarrow as pa

    days = [
        day for day in sorted(_read_index(fleet)) if (first is None or first <= day) and (last is None or day <= last)
    ]
    paths = [_folder(fleet, day) / f"{what}.parquet" for day in days]
    tables = [_read(path) for path in paths if path.is_file()]  # a day may be gathered and not joined yet
    return pa.concat_tables(tables, promote_options="default") if tables else None


def with_kept_incidents(fleet: Fleet, table: pa.Table) -> pa.Table:
    """A catalogue with the incidents over all sites that were kept of its events; of others their own site's.

    Parameters
    ----------
    fleet : the configuration; where it asks for no incidents the table stays as it is.
    table : rows of a catalogue, in any order.

    Raises
    ------
    StoreError : what was kept is damaged.
    """
    import pyarrow as pa

    if fleet.incidents is None or not table.num_rows:
        return table
    starts = table.column("start").cast(pa.int64()).to_numpy()
    members = read_incidents(fleet, "members", first=day_of(int(starts.min())), last=day_of(int(starts.max())))
    if members is None:
        return table
    kept = _ids_of(members)
    own = zip(table.column("event_id").to_pylist(), table.column("incident_id").to_pylist(), strict=True)
    ids = pa.array([kept.get(event, incident) for event, incident in own], pa.string())
    return table.set_column(table.column_names.index("incident_id"), table.schema.field("incident_id"), ids)


def _folder(fleet: Fleet, day: date | None = None) -> Path:
    root = fleet.store / "incidents"
    return root if day is None else root / f"date={day.isoformat()}"


def _settings(fleet: Fleet, topology: Topology | None) -> str:
    """What incidents depend on besides the events."""
    reach_s = 0.0 if fleet.incidents is None else fleet.incidents.reach_s
    said = None
    if topology is not None:
        turn = None if topology.turn is None else topology.turn.tolist()
        said = [topology.names, topology.fed_by.tolist(), topology.group, turn]
    return json.dumps([reach_s, said, judging_version()])


def _stamps(fleet: Fleet, found: DaysFound) -> dict[date, dict[str, str]]:
    """By day and site, a stamp of its catalogue: when and how large it was written."""
    store = Store(fleet.store)
    stamps: dict[date, dict[str, str]] = {}
    for site in fleet.sites:
        known = found.sites.get(site.name)
        of_site = store.catalogue_stamps(site.name) if known is None else known.catalogues()
        for day, stamp in of_site.items():
            stamps.setdefault(day, {})[site.name] = stamp
    return stamps


def _stamp(of_sites: dict[str, str]) -> str:
    """One stamp of a day's catalogues; "" of none."""
    return _digest(json.dumps(sorted(of_sites.items()))) if of_sites else ""


def _gathered(fleet: Fleet, known: dict[date, _Known], stamps: dict[date, dict[str, str]]) -> dict[date, _Known]:
    """The index with the events of days gathered anew whose catalogues were written since; days that went are empty."""
    index = {}
    for day in sorted({*stamps, *known}):
        of_sites = stamps.get(day, {})
        stamp = _stamp(of_sites)
        former = known.get(day)
        path = _folder(fleet, day) / "events.parquet"
        if former is not None and former.files == stamp and path.is_file():
            index[day] = former
            continue
        table = _events(fleet, day, sorted(of_sites))
        _write(table, path, fleet)
        index[day] = _Known(stamp, _content(table), "" if former is None else former.made_of)
    return index


def _events(fleet: Fleet, day: date, sites: Sequence[str]) -> pa.Table:
    """What joining needs of a day's events; those of a damaged catalogue are left out until it is made anew."""
    import pyarrow as pa

    schema = catalogue_schema()
    tables = [pa.schema([schema.field(name) for name in _NEEDED]).empty_table()]
    for site in sites:
        with contextlib.suppress(PlaceError):
            tables.append(read_events_table(path_of(Day(site, day), fleet), _NEEDED))
    return pa.concat_tables(tables).sort_by([(name, "ascending") for name in ("start", "site", "event_id")])


def _content(table: pa.Table) -> str:
    """Digest of the values of some events."""
    import pyarrow as pa

    columns = [c.cast(pa.int64()) if pa.types.is_timestamp(c.type) else c for c in table.columns]
    return _digest(json.dumps([table.column_names, [column.to_pylist() for column in columns]]))


def _stale(index: dict[date, _Known], settings: str) -> list[date]:
    return [day for day in sorted(index) if index[day].made_of != _made_of(day, index, settings)]


def _made_of(day: date, index: dict[date, _Known], settings: str) -> str:
    """Digest of all that a day's incidents are made of."""
    around = (day + _ONE_DAY * n for n in range(-AROUND_DAYS, AROUND_DAYS + 1))
    return _digest(json.dumps([settings, [(str(d), index[d].content) for d in around if d in index]]))


def _runs(days: list[date]) -> list[list[date]]:
    """Days that are close to one another, which are joined at once."""
    runs: list[list[date]] = []
    for day in days:
        if runs and day - runs[-1][-1] <= _ONE_DAY * AROUND_DAYS and len(runs[-1]) < _LONGEST_RUN:
            runs[-1].append(day)
        else:
            runs.append([day])
    return runs


def _join(run: list[date], index: dict[date, _Known], fleet: Fleet, topology: Topology | None) -> JoinOutcome:
    """Join some days and write their files."""
    import pyarrow as pa
    import pyarrow.compute as pc

    first, last = run[0] - _ONE_DAY * AROUND_DAYS, run[-1] + _ONE_DAY * AROUND_DAYS
    read = [_read(_folder(fleet, day) / "events.parquet") for day in sorted(index) if first <= day <= last]
    table = pa.concat_tables(read)
    reach_s = 0.0 if fleet.incidents is None else fleet.incidents.reach_s
    found = fleet_incidents(table, topology=topology, reach_s=reach_s)
    tables = {
        "incidents": incident_table(table, found),
        "members": member_table(table, found),
        "clocks": clock_table(found.clocks, found.sightings.sites),
    }
    n_incidents = n_changed = 0
    for day in run:
        start = tables["members"].column("start").cast(pa.int64())
        held = pc.and_(pc.greater_equal(start, day_start_ns(day)), pc.less(start, day_start_ns(day + _ONE_DAY)))
        members = tables["members"].filter(held)
        named = pc.is_in(tables["incidents"].column("incident_id"), members.column("event_id").combine_chunks())
        mine = {
            "incidents": tables["incidents"].filter(named),
            "members": members,
            "clocks": tables["clocks"].filter(pc.equal(tables["clocks"].column("date"), pa.scalar(day))),
        }
        paths = {name: _folder(fleet, day) / f"{name}.parquet" for name in mine}
        former = {name: _read(path) for name, path in paths.items() if path.is_file()}
        n_changed += _note_changes(former.get("members"), mine["members"], day, fleet)
        for name, part in mine.items():
            if name not in former or not former[name].equals(part):  # most days around a new one stay as they were
                _write(part, paths[name], fleet)
        n_incidents += pc.sum(pc.greater(mine["incidents"].column("sites"), 1)).as_py() or 0
    near = pc.greater_equal(tables["clocks"].column("date"), pa.scalar(run[-1] - _ONE_DAY * _TOLD_DAYS))
    states = clock_states(tables["clocks"].filter(near))
    clocks = tuple((site, "; ".join(state.findings)) for site, state in states.items() if state.findings)
    return JoinOutcome(len(run), n_incidents, n_changed, clocks)


def _note_changes(before: pa.Table | None, members: pa.Table, day: date, fleet: Fleet) -> int:
    """Keep the former ids of a day's events whose incident has another one now; returns how many there are.

    They are written before the day itself, so that a run that is killed between the two notes them again and no more.
    """
    import pyarrow as pa

    if before is None or before.select(["event_id", "incident_id"]).equals(members.select(["event_id", "incident_id"])):
        return 0
    former, now = _ids_of(before), _ids_of(members)
    changed = {event: (former[event], now[event]) for event in now if event in former and former[event] != now[event]}
    if changed:
        path = _folder(fleet) / "changes.parquet"
        kept = [tuple(row.values()) for row in _read(path).to_pylist()] if path.is_file() else []
        new = {(old, incident, day.isoformat()) for old, incident in changed.values()}
        rows = list(dict.fromkeys([*kept, *sorted(new)]))
        names = ("former_id", "incident_id", "date")
        columns = {name: pa.array([row[k] for row in rows], pa.string()) for k, name in enumerate(names)}
        _write(pa.table(columns), path, fleet)
    return len(changed)


def _ids_of(members: pa.Table) -> dict[str, str]:
    ids, incidents = (members.column(name).to_pylist() for name in ("event_id", "incident_id"))
    return dict(zip(ids, incidents, strict=True))


def _read_index(fleet: Fleet) -> dict[date, _Known]:
    path = _folder(fleet) / "index.json"
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        return {date.fromisoformat(day): _Known(**item) for day, item in document.items()}
    except FileNotFoundError:
        return {}
    except (OSError, ValueError, TypeError, AttributeError) as error:
        raise StoreError(f"{path}: is not an index of incidents ({error}); remove it to rebuild all days") from error


def _write_index(index: dict[date, _Known], fleet: Fleet) -> None:
    document = {day.isoformat(): asdict(item) for day, item in sorted(index.items())}
    text = json.dumps(document, indent=1)
    _aside(_folder(fleet) / "index.json", lambda path: path.write_text(text, encoding="utf-8"), fleet)


def _read(path: Path) -> pa.Table:
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        with pq.ParquetFile(path) as file:
            return file.read(use_threads=False)
    except (OSError, pa.ArrowException, ValueError) as error:
        raise StoreError(
            f"{path}: cannot be read ({error}); remove the incidents from the store to rebuild them"
        ) from error


def _write(table: pa.Table, path: Path, fleet: Fleet) -> None:
    import pyarrow.parquet as pq

    _aside(path, lambda aside: pq.write_table(table, aside, compression="zstd"), fleet)


def _aside(path: Path, write: Callable[[Path], Any], fleet: Fleet) -> None:
    write_atomically(path, write, staging=Store(fleet.store).staging)


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:32]
