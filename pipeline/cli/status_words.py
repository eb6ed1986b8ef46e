"""The status of a fleet in words: a table of its sites, one of what a person should look into, and a document."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any, Final

from halfcycle.pipeline.plain_text import counted
from halfcycle.pipeline.report.summary import TextTable

if TYPE_CHECKING:
    from halfcycle.pipeline.nightly.status import FleetStatus, SiteStatus

_MOST_SITES: Final = 40
_MOST_FINDINGS: Final = 100
_FEW: Final = 3
_VAGUE_S_A_DAY: Final = 0.5  # an interval of a drift that is wider says nothing


def status_line(status: FleetStatus) -> str:
    """A fleet in one line."""
    heard = [site.last_capture for site in status.sites if site.last_capture is not None]
    silent = sum(site.is_silent for site in status.sites)
    last = f"last capture on {max(heard)}" if heard else "no capture yet"
    to_judge = counted(sum(site.to_judge for site in status.sites), "day")
    run = f"; last run {status.runs[-1].began:%Y-%m-%d %H:%M} UTC, {status.runs[-1].state}" if status.runs else ""
    return (
        f"{status.day}: {counted(len(status.sites), 'site')}, {last}, {silent} silent; "
        f"{to_judge} to judge, {counted(status.inbox, 'file')} in the inbox, "
        f"{sum(site.set_aside for site in status.sites) + status.set_aside_elsewhere} set aside{run}"
    )


def status_table(status: FleetStatus) -> TextTable:
    """The sites; of many those with findings first."""
    troubled = {finding.site for finding in status.findings}
    ordered = sorted(status.sites, key=lambda site: site.site not in troubled) if _are_many(status) else status.sites
    shown = ordered[:_MOST_SITES]
    title = f"{len(shown)} of {len(status.sites)} sites, those with findings first" if _are_many(status) else "sites"
    heads = ["site", "last capture", "days", "judged to", "set aside"]
    heads += ["clock", "drift per day", "clock as of"] if status.has_clocks else []
    return TextTable(title, tuple(heads), tuple(_cells(site, has_clocks=status.has_clocks) for site in shown))


def findings_table(status: FleetStatus) -> TextTable | None:
    """What a person should look into; None where there is nothing."""
    found = status.findings
    if not found:
        return None
    shown = found[:_MOST_FINDINGS]
    title = counted(len(found), "finding") if len(shown) == len(found) else f"{len(shown)} of {len(found)} findings"
    return TextTable(
        title, ("site", "what", "finding"), tuple((one.site or "(fleet)", one.what, one.words) for one in shown)
    )


def clocks_line(clocks: Sequence[tuple[str, str]]) -> str:
    """Clocks that a person should look into, in one line. clocks: by site, what is the matter in words."""
    few = ", ".join(site for site, _ in clocks[:_FEW]) + (" …" if len(clocks) > _FEW else "")
    n = "1 recorder's is" if len(clocks) == 1 else f"{len(clocks)} recorders' are"
    return f"clocks: {n} off, adjusted or drifting ({few}); see `halfcycle status`"


def status_document(status: FleetStatus) -> dict[str, Any]:
    """The status for a file: keys as the fields of `FleetStatus`, days in ISO 8601, null for what is not known."""
    document: dict[str, Any] = _plain(asdict(status))
    for row, site in zip(document["sites"], status.sites, strict=True):
        row["is_silent"] = site.is_silent
        for name in ("offset_s", "drift_s_a_day") if row["clock"] is not None else ():
            row["clock"][name] = dict(zip(("value", "low", "high"), row["clock"][name], strict=True))
    document["findings"] = [asdict(one) for one in status.findings]
    return document


def _plain(value: Any) -> Any:
    """What JSON can say."""
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value.isoformat() if hasattr(value, "isoformat") else value


def _are_many(status: FleetStatus) -> bool:
    return len(status.sites) > _MOST_SITES


def _cells(site: SiteStatus, *, has_clocks: bool) -> tuple[str, ...]:
    cells = (
        site.site, _day(site.last_capture), str(site.days), _day(site.last_judged), str(site.set_aside or ""),
    )  # fmt: skip
    return (*cells, *_clock(site)) if has_clocks else cells


def _clock(site: SiteStatus) -> tuple[str, str, str]:
    if site.clock is None:
        return "", "", ""
    value, low, high = site.clock.offset_s
    zone = f"{site.clock.zone_s / 3600:+g} h " if site.clock.zone_s else ""
    slope, slope_low, slope_high = site.clock.drift_s_a_day
    told = math.isfinite(slope_high - slope_low) and slope_high - slope_low < _VAGUE_S_A_DAY
    drift = f"{_signed(slope)} ± {(slope_high - slope_low) / 2:.3f}" if told else ""
    return f"{zone}{_signed(value)} ± {max((high - low) / 2, 0.001):.3f}", drift, str(site.clock.day)


def _signed(seconds: float) -> str:
    """With its sign and three decimals; what rounds to nothing is ahead by nothing."""
    return f"{round(seconds, 3) + 0.0:+.3f} s"


def _day(day: object) -> str:
    return "" if day is None else str(day)
