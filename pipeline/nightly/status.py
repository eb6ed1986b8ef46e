"""How a fleet is doing, read from its store: what was last seen and judged of each site, what is set aside, whose
recorder has gone silent, whose clock is off or drifts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from typing import Final, Literal

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.errors import PlaceError
from halfcycle.pipeline.incidents.clock_states import ClockState, clock_states
from halfcycle.pipeline.nightly.day_states import SETTLED, State, look_at_days
from halfcycle.pipeline.nightly.incidents import AROUND_DAYS, read_incidents
from halfcycle.pipeline.nightly.quarantine import QuarantineEntry, all_set_aside
from halfcycle.pipeline.nightly.renamed import names_unknown
from halfcycle.pipeline.nightly.run_files import NightRun, disk_left, last_runs, overdue_words
from halfcycle.pipeline.plain_text import counted
from halfcycle.pipeline.readers import capture_files
from halfcycle.pipeline.settings import Site
from halfcycle.pipeline.store.partitions import Store

_SILENT: Final = 0.005  # probability, by its own past, from which a recorder's silence is a finding
_SOON_FULL_DAYS: Final = 30.0
_LEAST_DAYS: Final = 3  # with captures, from which on a past says something
What = Literal["night", "disk", "unknown site", "silent", "no capture", "not judged", "damaged", "set aside", "clock"]


@dataclass(frozen=True, slots=True)
class SiteStatus:
    """One site.

    Attributes
    ----------
    site : its name.
    first_capture, last_capture : first and last day with captures; None: there are none.
    days : with captures.
    last_judged : last day whose catalogue is up to date, or was judged by other rules; None: none.
    to_judge : days whose catalogue is to be made or made anew.
    damaged : days whose catalogue cannot be read.
    frozen : days that stand as they were judged, as waveforms of theirs are gone.
    set_aside : files of its folder, and its stored captures, that are set aside.
    silent_days : whole days since the last one with captures.
    longest_silence_days : between two days with captures before that.
    silence_probability : that so long a silence comes about by chance, as its past goes; None: too short a past.
    clock : what incidents tell of its clock; None: nothing does.
    """

    site: str
    first_capture: date | None
    last_capture: date | None
    days: int
    last_judged: date | None
    to_judge: int
    damaged: int
    frozen: int
    set_aside: int
    silent_days: int
    longest_silence_days: int
    silence_probability: float | None
    clock: ClockState | None

    @property
    def is_silent(self) -> bool:
        """Whether it has been silent for longer than ever, and so long hardly by chance."""
        improbable = self.silence_probability is not None and self.silence_probability < _SILENT
        return improbable and self.silent_days > self.longest_silence_days


@dataclass(frozen=True, slots=True)
class StatusFinding:
    """Something that a person should look into. site: "" where it is the fleet's."""

    site: str
    what: What
    words: str


@dataclass(frozen=True, slots=True)
class FleetStatus:
    """A fleet.

    Attributes
    ----------
    day : the UTC day it is of.
    sites : in the order of the settings.
    inbox : files that wait there.
    set_aside_elsewhere : files of the quarantine that lie in no site's folder.
    unreadable : in words, what of the store cannot be read.
    unknown : names that the store holds and no site of the fleet has or had.
    has_clocks : whether the fleet asks for incidents, which tell the clocks.
    runs : the latest nights, the oldest first.
    overdue : in words, that a night is; "" where none is.
    disk : in words, how long the disk of the store lasts; "" where nothing is known of it.
    full_in_days : the same as a number; None where it does not fill.
    """

    day: date
    sites: tuple[SiteStatus, ...]
    inbox: int
    set_aside_elsewhere: int
    unreadable: tuple[str, ...]
    unknown: tuple[str, ...]
    has_clocks: bool
    runs: tuple[NightRun, ...] = ()
    overdue: str = ""
    disk: str = ""
    full_in_days: float | None = None

    @property
    def findings(self) -> list[StatusFinding]:
        """Of all sites, in their order."""
        found = [StatusFinding("", "night", self.overdue)] if self.overdue else []
        if self.runs and self.runs[-1].state != "whole":
            found.append(StatusFinding("", "night", _last_run(self.runs)))
        if self.full_in_days is not None and self.full_in_days < _SOON_FULL_DAYS:
            found.append(StatusFinding("", "disk", self.disk))
        found += [StatusFinding("", "damaged", words) for words in self.unreadable]
        for name in self.unknown:
            words = "no site of the fleet has this name; formerly = [...] of a site adopts its history"
            found.append(StatusFinding(name, "unknown site", words))
        if self.set_aside_elsewhere:
            found.append(StatusFinding("", "set aside", f"{counted(self.set_aside_elsewhere, 'file')} of no site"))
        return found + [finding for site in self.sites for finding in _findings(site)]


def fleet_status(fleet: Fleet, day: date) -> FleetStatus:
    """The status of a fleet at the end of a day; the store is only read, and needs no lock.

    Parameters
    ----------
    fleet : the configuration.
    day : UTC. What came after it is left out of what is said of captures and clocks.

    Raises
    ------
    StoreError : the store's incidents are damaged, or a folder cannot be read.
    """
    found = look_at_days(fleet)
    states: dict[str, dict[date, State]] = {site.name: {} for site in fleet.sites}
    for one, state in found.states:
        states[one.site][one.day] = state
    aside = all_set_aside(fleet)
    clocks = _clocks(fleet, day)
    sites, owned = [], 0
    for site in fleet.sites:
        mine = sum(_is_of(one, site) for one in aside)
        owned += mine
        sites.append(_site_status(fleet, site, states[site.name], mine, clocks.get(site.name), day))
    runs = last_runs(fleet)
    now = datetime.now(UTC)
    disk = disk_left(runs)
    inbox = len(capture_files([fleet.inbox])) if fleet.inbox.is_dir() else 0
    return FleetStatus(
        day, tuple(sites), inbox, len(aside) - owned, found.unreadable, tuple(names_unknown(fleet)),
        fleet.incidents is not None, tuple(runs), overdue_words(runs, now) if day >= now.date() else "",
        "" if disk is None else disk.words, None if disk is None else disk.days,
    )  # fmt: skip


def silence_probability(days: Sequence[date], silent_days: int) -> float | None:
    """How likely a recorder is to be without captures for some days by chance, as its own past goes.

    Parameters
    ----------
    days : with captures, in order.
    silent_days : whole days since the last of them.

    Returns
    -------
    None where fewer than three days tell its past.

    Source: derived. Each day has captures with the same unknown probability, of which the past n of N days tell a beta
    distribution from Jeffreys' prior; the days to come are predicted by it (beta-binomial).
    """
    if len(days) < _LEAST_DAYS:
        return None
    n = len(days)
    with_captures, without = n + 0.5, (days[-1] - days[0]).days + 1 - n + 0.5
    probability = 1.0
    for k in range(silent_days):
        probability *= (without + k) / (with_captures + without + k)
    return probability


def _site_status(
    fleet: Fleet, site: Site, states: dict[date, State], n_aside: int, clock: ClockState | None, day: date
) -> SiteStatus:
    try:
        days = [one for one in Store(fleet.store).days(site.name) if one <= day]
    except PlaceError:  # named among what is unreadable
        days = []
    judged = [one for one, state in states.items() if state in SETTLED and one <= day]
    kinds = list(states.values())
    silent = max((day - days[-1]).days - 1, 0) if days else 0
    gaps = [(later - earlier).days - 1 for earlier, later in pairwise(days)]
    return SiteStatus(
        site.name, days[0] if days else None, days[-1] if days else None, len(days), max(judged, default=None),
        kinds.count("stale"), kinds.count("damaged"), kinds.count("frozen"), n_aside, silent, max(gaps, default=0),
        silence_probability(days, silent), clock,
    )  # fmt: skip


def _is_of(one: QuarantineEntry, site: Site) -> bool:
    """Whether something that is set aside is a site's: a capture of its part of the store, or a file of its folder."""
    parts = one.name.split("/")
    return parts[1] == f"site={site.name}" if one.what == "capture" else len(parts) > 1 and parts[0] == site.name


def _clocks(fleet: Fleet, day: date) -> dict[str, ClockState]:
    if fleet.incidents is None:
        return {}
    table = read_incidents(fleet, "clocks", first=day - timedelta(days=AROUND_DAYS), last=day)
    return {} if table is None else clock_states(table)


def _last_run(runs: Sequence[NightRun]) -> str:
    """A last night that was not whole, and since when that is so."""
    last = runs[-1]
    whole = [run for run in runs if run.state == "whole"]
    since = f"; the last complete one was {whole[-1].began:%Y-%m-%d %H:%M}" if whole else ""
    if last.error:
        return f"the last one ({last.began:%Y-%m-%d %H:%M} UTC) failed: {last.error}{since}"
    first = f": {last.mishaps[0]}" if last.mishaps else ""
    more = f" and {len(last.mishaps) - 1} more" if len(last.mishaps) > 1 else ""
    return f"the last one ({last.began:%Y-%m-%d %H:%M} UTC) set something aside or failed in part{first}{more}{since}"


def _findings(site: SiteStatus) -> list[StatusFinding]:
    said: list[tuple[What, str]] = []
    if site.last_capture is None:
        said.append(("no capture", "no capture received yet"))
    if site.is_silent:
        silent = f"no capture for {counted(site.silent_days, 'day')} since {site.last_capture}"
        said.append(("silent", f"{silent}; the longest silence before was {counted(site.longest_silence_days, 'day')}"))
    if site.damaged:
        damaged = counted(site.damaged, "day")
        said.append(("damaged", f"{damaged} whose catalogue cannot be read; the next night rebuilds it"))
    if site.to_judge:
        said.append(("not judged", f"{counted(site.to_judge, 'day')} for the next night to judge"))
    if site.set_aside:
        said.append(("set aside", f"{counted(site.set_aside, 'item')}; see `halfcycle quarantine`"))
    if site.clock is not None:
        said += [("clock", f"{words} (as of {site.clock.day})") for words in site.clock.findings]
    return [StatusFinding(site.site, what, words) for what, words in said]
