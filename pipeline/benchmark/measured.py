"""A measured set without labels: what must not change what is said of a capture is tried on each.

Source of the invariants: derived. A network has no first phase; all its channels turned over are the same network half
a cycle later; a recorder that samples half as often, is a little noisier or cuts a record in two has recorded the same.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.benchmark.near_duplicates import signature_of
from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.catalogue.judge import Terms, judge
from halfcycle.pipeline.errors import HalfcycleError, UnknownFormat
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.records.archive import Reading
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.record import records_of
from halfcycle.pipeline.sites.table import SiteTable

F32 = npt.NDArray[np.float32]
_TURNED: Final = str.maketrans("ABC", "BCA")
_NOISE_DB: Final = -55.0  # under each channel's own RMS: what a fair recorder adds, common practice, no source
_SEED: Final = 7


def _as_recorded(capture: Capture) -> list[Capture]:
    return [capture]


def _phases_turned(capture: Capture) -> list[Capture]:
    channels = tuple(replace(one, phase=one.phase.translate(_TURNED)) for one in capture.header.channels)
    return [Capture(replace(capture.header, channels=channels), capture.samples)]


def _turned_over(capture: Capture) -> list[Capture]:
    return [_in_units(capture, -_physical(capture))]


def _half_the_rate(capture: Capture) -> list[Capture]:
    from scipy.signal import resample_poly

    slow = resample_poly(_physical(capture), 1, 2, axis=1, padtype="line")
    return [_in_units(capture, slow, rate_hz=capture.header.rate_hz / 2)]


def _with_noise(capture: Capture) -> list[Capture]:
    x = _physical(capture)
    size = np.sqrt(np.nanmean(x**2, axis=1, keepdims=True))
    noise = np.random.default_rng(_SEED).standard_normal(x.shape)
    return [_in_units(capture, x + 10 ** (_NOISE_DB / 20) * size * noise)]


def _cut_in_two(capture: Capture) -> list[Capture]:
    header, middle = capture.header, capture.header.n_samples // 2
    edges = (0, middle, header.n_samples)
    return [
        Capture(replace(header, start_ns=header.time_ns(first), n_samples=stop - first), capture.samples[:, first:stop])
        for first, stop in pairwise(edges)
    ]


INVARIANTS: Final[dict[str, Callable[[Capture], list[Capture]]]] = {
    "phases renamed": _phases_turned,
    "polarity": _turned_over,
    "half the rate": _half_the_rate,
    "noise at 55 dB": _with_noise,
    "cut in two": _cut_in_two,
}
"""By name, what is done to a capture: afterwards it must be judged as before."""


@dataclass(frozen=True, slots=True)
class Change:
    """What an invariant changed in the rows of a capture.

    Attributes
    ----------
    invariant : its name.
    same : kinds, causes and sides of all events are as they were.
    was, now : these, in words.
    magnitude_pu : largest change of a magnitude, of events that are the same; NaN where there are none. [pu]
    duration_s : largest change of a duration, likewise. [s]
    """

    invariant: str
    same: bool
    was: str
    now: str
    magnitude_pu: float = float("nan")
    duration_s: float = float("nan")


@dataclass(frozen=True, slots=True)
class MeasuredCapture:
    """One capture of the set.

    Attributes
    ----------
    path, index : which file, and which of its captures.
    site : whose it is, as a table of sites, its station or its file's name say.
    digest : of its content.
    start_ns, stop_ns : of it. [ns since 1970-01-01]
    events : found in it as it was recorded.
    changes : by each invariant that could be tried.
    signature : see `near_duplicates.signature_of`; None: it is steady throughout.
    failed : why it could not be judged, in words.
    """

    path: Path
    index: int
    site: str
    digest: str = ""
    start_ns: int = 0
    stop_ns: int = 0
    events: tuple[Event, ...] = ()
    changes: tuple[Change, ...] = ()
    signature: F32 | None = None
    failed: str = ""

    @property
    def n_events(self) -> int:
        """Found in it as it was recorded."""
        return len(self.events)


def tried(paths: Sequence[Path], *, terms: Terms, sites: SiteTable) -> list[MeasuredCapture]:
    """Try the invariants on the captures of some files.

    Parameters
    ----------
    paths : of the files; one that cannot be read is among the captures with its reason.
    terms : what is judged by; what the table says of a site goes before it.
    sites : what a person declares of the sites.
    """
    reading = Reading(("voltage", "current"), describe=sites.described if sites.sites else None)
    found: list[MeasuredCapture] = []
    for path in paths:
        index = 0
        try:
            for index, capture in enumerate(reading.captures(path)):
                site = sites.name_of(capture.header, path)
                found.append(_tried(capture, path, index, site, _terms_of(site, terms, sites)))
        except UnknownFormat:  # a document or a picture that lies there
            continue
        except HalfcycleError as error:
            found.append(MeasuredCapture(path, index, path.stem, failed=str(error).removeprefix(f"{path}: ")))
    return found


def lost(path: Path, reason: str) -> MeasuredCapture:
    """A file that cannot be worked on; see `spread.Spread`."""
    return MeasuredCapture(path, 0, path.stem, failed=reason)


def _tried(capture: Capture, path: Path, index: int, site: str, terms: Terms) -> MeasuredCapture:
    digest = capture.digest()
    if all(channel.quantity != "voltage" for channel in capture.header.channels):
        return MeasuredCapture(path, index, site, digest, failed="no voltage channel")
    try:
        before = _judged([capture], site, terms)
    except HalfcycleError as error:
        return MeasuredCapture(path, index, site, digest, failed=str(error))
    changes = []
    for name, change in INVARIANTS.items():
        try:
            changes.append(_compared(name, before, _judged(change(capture), site, terms)))
        except HalfcycleError as error:
            changes.append(Change(name, same=False, was=_words(before), now=str(error)))
    header = capture.header
    return MeasuredCapture(
        path, index, site, digest, header.start_ns, header.time_ns(header.n_samples), tuple(before), tuple(changes),
        signature_of(capture),
    )  # fmt: skip


def _terms_of(site: str, terms: Terms, sites: SiteTable) -> Terms:
    declared = sites.declared(site, terms.declared)
    return replace(
        terms, thresholds=sites.thresholds_of(site) or terms.thresholds,
        nominal_voltage_v=declared.nominal_voltage_v, nominal_frequency_hz=declared.nominal_frequency_hz,
        hookup=declared.hookup, clamps_checked=declared.clamps_checked,
    )  # fmt: skip


def _judged(captures: Sequence[Capture], site: str, terms: Terms) -> list[Event]:
    pieces = [Piece(one.header, lambda one=one: one, lambda: "") for one in captures]  # type: ignore[misc]
    return [event for record in records_of(pieces) for event in judge(record, site=site, terms=terms).events]


def _compared(name: str, before: Sequence[Event], after: Sequence[Event]) -> Change:
    was, now = [_said(event) for event in before], [_said(event) for event in after]
    if was != now:
        return Change(name, same=False, was=_words(before), now=_words(after))
    magnitudes = _differences([(one.magnitude, other.magnitude) for one, other in zip(before, after, strict=True)])
    durations = _differences([(one.duration_s, other.duration_s) for one, other in zip(before, after, strict=True)])
    return Change(name, same=True, was=_words(before), now=_words(after), magnitude_pu=magnitudes, duration_s=durations)


def _differences(pairs: Sequence[tuple[float | None, float | None]]) -> float:
    known = [abs(one - other) for one, other in pairs if one is not None and other is not None]
    return max(known, default=float("nan"))


def _said(event: Event) -> tuple[object, ...]:
    return event.kind, event.cause, event.direction


def _words(events: Sequence[Event]) -> str:
    told = [", ".join(str(part) for part in _said(event) if part) for event in events]
    return "; ".join(told) or "no event"


def _physical(capture: Capture) -> npt.NDArray[np.float64]:
    return np.stack([capture.physical(i) for i in range(len(capture.header.channels))])


def _in_units(capture: Capture, values: npt.NDArray[np.float64], *, rate_hz: float | None = None) -> Capture:
    header = capture.header
    of_counts = {"scale": 1.0, "offset": 0.0, "missing_code": None, "rail_low": None, "rail_high": None}
    channels = tuple(replace(one, **of_counts) for one in header.channels)  # type: ignore[arg-type]
    header = replace(
        header, channels=channels, sample_type="float32", n_samples=values.shape[1], rate_hz=rate_hz or header.rate_hz
    )
    return Capture(header, values.astype(np.float32))
