"""How a function is applied to batches: in this process or over several; whatever one item does, the others are done.

A batch that fails is done again item by item, and an item that fails alone, or takes its process with it, gives the
outcome that the caller has for lost items. So a killed process, a lack of memory or a bug costs one item.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from functools import lru_cache
from multiprocessing import parent_process
from typing import Any, Final, Protocol, TypeVar

from threadpoolctl import ThreadpoolController

from halfcycle.pipeline.errors import HalfcycleError

DIED: Final = "its worker process ended: killed, out of memory or time, or crashed in a library"
_HANDED_ON: Final = tuple(f"halfcycle.pipeline.{name}" for name in ("spread", "workers", "processes", "cluster"))
SHORT_OF_MEMORY: Final = (MemoryError, ImportError)  # a library half loaded, too
Item = TypeVar("Item")
Outcome = TypeVar("Outcome")
Function = Callable[[Sequence[Item]], list[Outcome]]
Lost = Callable[[Item, str], Outcome]
SingleBatch = Callable[[Function[Item, Outcome], Sequence[Item], Lost[Item, Outcome]], list[Outcome]]
"""Does one batch, as a `Spread` does several."""
Progress = Callable[[int, int], None]
"""Is told how many are done, of how many."""


class Spread(Protocol):
    """Applies a function to batches, in any way it likes, and gives the outcomes of each batch in order.

    `function` gives an outcome for each item of a batch. `lost` gives the outcome of an item that cannot be worked on,
    from the item and the reason in words. An error of the project's own that `function` raises concerns more than an
    item, and is raised again.
    """

    def __call__(
        self, function: Function[Item, Outcome], batches: Sequence[Sequence[Item]], /, *, lost: Lost[Item, Outcome]
    ) -> Iterator[list[Outcome]]: ...


def each_outcome(
    spread: Spread,
    function: Function[Item, Outcome],
    batches: Sequence[Sequence[Item]],
    *,
    lost: Lost[Item, Outcome],
    tell: Progress | None = None,
) -> Iterator[Outcome]:
    """The outcome of each item of all batches, in order.

    Parameters
    ----------
    spread, function, batches, lost : see `Spread`.
    tell : called with (done, all) items after those of each batch.
    """
    n, n_done = sum(len(batch) for batch in batches), 0
    for batch, found in zip(batches, spread(function, batches, lost=lost), strict=True):
        yield from found
        n_done += len(batch)
        if tell is not None:
            tell(n_done, n)


def in_this_process(
    function: Function[Item, Outcome], batches: Sequence[Sequence[Item]], /, *, lost: Lost[Item, Outcome]
) -> Iterator[list[Outcome]]:
    """The plain loop; see `Spread`."""
    for batch in batches:
        with on_one_thread():
            outcomes = done_here(function, batch, lost)
        yield outcomes


def on_one_thread() -> AbstractContextManager[object]:
    """Array libraries use one thread meanwhile: several sum in another order, and change last digits."""
    limited: AbstractContextManager[object] = _libraries(len(sys.modules)).limit(limits=1)
    return limited


@lru_cache(maxsize=1)
def _libraries(n_modules: int) -> ThreadpoolController:
    """The array libraries that are loaded, looked for again once modules were: that takes milliseconds."""
    return ThreadpoolController()


@dataclass(frozen=True, slots=True)
class Failure:
    """What kept an item from its outcome, in words."""

    words: str


def tried(
    function: Function[Item, Any], batch: Sequence[Item], *, leave: tuple[type[Exception], ...] = (HalfcycleError,)
) -> list[Any]:
    """The outcome of each item of a batch, or a `Failure` where it met a bug, which costs no other item.

    Parameters
    ----------
    function, batch : see `Spread`.
    leave : what is no bug of an item's, and raised again; the project's own errors are raised on purpose.
    """
    try:
        return function(batch)
    except leave:
        raise
    except Exception as error:  # a bug, or what a library raises: it must not cost more than the item
        if len(batch) == 1:
            return [Failure(in_words(error))]
    return [one for item in batch for one in tried(function, [item], leave=leave)]


def settled(batch: Sequence[Item], found: Sequence[Outcome | Failure], lost: Lost[Item, Outcome]) -> list[Outcome]:
    """The outcomes of a batch, with those of lost items."""
    return [lost(item, one.words) if isinstance(one, Failure) else one for item, one in zip(batch, found, strict=True)]


def done_here(function: Function[Item, Outcome], batch: Sequence[Item], lost: Lost[Item, Outcome]) -> list[Outcome]:
    """A batch done in this process; what a bug costs is its item.

    Parameters
    ----------
    function, batch, lost : see `Spread`.
    """
    return settled(batch, tried(function, batch), lost)


def in_words(error: BaseException) -> str:
    """An unexpected error, with the place in our code where it came up; want of memory has none."""
    if isinstance(error, MemoryError):
        return "needs more memory than is available"
    place, trace = "", error.__traceback__
    while trace is not None:
        module = str(trace.tb_frame.f_globals.get("__name__", ""))
        if module.startswith("halfcycle.") and module not in _HANDED_ON:
            place = f", {module} line {trace.tb_lineno}"
        trace = trace.tb_next
    return f"unexpected {type(error).__name__}{place}: {error}".rstrip(": ")


def leave_to_another(error: BaseException | None) -> None:
    """Raise what short memory did to a worker process, a library half loaded included: another may have enough.

    Elsewhere nothing is done: who is at work alone says what went wrong.
    """
    if isinstance(error, SHORT_OF_MEMORY) and parent_process() is not None:
        raise error


def single_batches_by(spread: Spread) -> SingleBatch[Any, Any]:
    """A function that does one batch by a spread, for as many threads as the spread may be used by at once."""

    def done(function: Function[Any, Any], batch: Sequence[Any], lost: Lost[Any, Any]) -> list[Any]:
        (outcomes,) = spread(function, [batch], lost=lost)
        return outcomes

    return done
