"""Which stored captures keep a day from being judged: found by judging it with fewer of them, each time apart."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Final

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.nightly.building import Trial, try_days
from halfcycle.pipeline.nightly.days import Day
from halfcycle.pipeline.spread import Spread, each_outcome
from halfcycle.pipeline.store.partitions import Store

_DAYS_AROUND: Final = (-1, 0, 1, 2)  # what a day's judgement usually reads, and one more
_BATCH: Final = 50
_MOST_TOGETHER: Final = 8  # captures that fail only beside others, looked for at a time


def culprits(day: Day, fleet: Fleet, apart: Spread) -> dict[Path, str]:
    """Stored captures without which a day can be judged, and what went wrong with each.

    Parameters
    ----------
    day : that could not be judged with all its captures.
    fleet : the configuration.
    apart : spreads work over processes of their own: a capture may end the one that judges it.

    Returns
    -------
    Those that fail by themselves; then, of the rest in order of name, each that fails beside those before it. Empty
    where the day fails without any capture, or where with all of them it does not fail any more.
    """
    store = Store(fleet.store)
    days = [day.day + timedelta(days=n) for n in _DAYS_AROUND]
    paths = [path for d in days for path in store.captures(day.site, d)]

    def told(parts: Iterable[Sequence[Path]]) -> list[str]:
        trials = [Trial(day, frozenset(part)) for part in parts]
        batches = [trials[i : i + _BATCH] for i in range(0, len(trials), _BATCH)]
        return list(each_outcome(apart, partial(try_days, fleet=fleet), batches, lost=_reason))

    if told([[]]) != [""]:
        return {}
    found = {path: words for path, words in zip(paths, told([path] for path in paths), strict=True) if words}
    for _ in range(_MOST_TOGETHER):
        rest = [path for path in paths if path not in found]
        (words,) = told([rest])
        if not words:
            return found
        sound, failing = 0, len(rest)  # of the captures from the first on: so many can be judged, so many cannot
        while failing - sound > 1:
            middle = (sound + failing) // 2
            (of_some,) = told([rest[:middle]])
            if of_some:
                failing, words = middle, of_some
            else:
                sound = middle
        found[rest[failing - 1]] = words
    return found


def _reason(trial: Trial, reason: str) -> str:
    return reason
