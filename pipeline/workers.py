"""What becomes of batches that are handed to workers, whoever these are: processes of this machine, or a cluster's.

A worker may end at any time, and all that it had is then suspected: it is done again while nothing else is, whole,
then batch by batch, then item by item. An item that ends each of its workers is lost alone. One that meets a bug is
tried once more, as short memory leaves a process half loaded. Results do not depend on who did what, in which pieces.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final, Generic, Protocol

from halfcycle.pipeline.errors import HalfcycleError
from halfcycle.pipeline.spread import (
    DIED,
    SHORT_OF_MEMORY,
    Failure,
    Function,
    Item,
    Lost,
    Outcome,
    done_here,
    in_words,
    settled,
    tried,
)

TRIES: Final = 4  # of an item alone, and of starting workers again: what comes from outside may strike thrice
_WAITING_EACH: Final = 2  # tasks for each worker: one to be at, one that lies ready
_WAITED_COUNTS: Final = 0.25  # of time that passes: a machine with other work is no reason for smaller tasks
_NO_OTHER: Final = "another worker process ended, and no new one can be started"
Task = Any
"""What an engine calls something that it was given to do."""


@dataclass(frozen=True, slots=True)
class Worked:
    """What a worker made of some batches, a failure for each item that met a bug, and what time it took. [s]"""

    found: list[list[Any]]
    took_s: float


@dataclass(frozen=True, slots=True)
class TaskFailure:
    """What kept a whole task from its outcomes, in words; and for how many tries of an item alone it stands."""

    words: str = DIED
    n_tries: int = 1


@dataclass(frozen=True, slots=True)
class TaskLength:
    """How long tasks are that pay for handing them over and taking their outcomes.

    Attributes
    ----------
    most_s : of any task. [s]
    least_s : of the last ones, which are small, so that all workers end together. [s]
    share : of what is left, the part that a task may be, for each of the workers.
    """

    most_s: float = 1.0
    least_s: float = 0.1
    share: float = 0.25


class Workers(Protocol):
    """What an engine has to do for the rules of this module to be kept."""

    def task_length(self) -> TaskLength:
        """How long tasks have to be to pay."""
        ...

    def count(self) -> int:
        """How many workers there are."""
        ...

    def submit(self, function: Function[Any, Any], batches: Sequence[Sequence[Any]]) -> Task | None:
        """Have a worker call `worked`; None where there is none, and none can be had."""
        ...

    def ended(self, tasks: Collection[Task]) -> Collection[Task]:
        """Those of some tasks that have ended, when at least one has."""
        ...

    def result(self, task: Task) -> Worked | TaskFailure | HalfcycleError:
        """What an ended task gave."""
        ...

    def renew(self) -> None:
        """Nothing is under way, and a worker has ended or lacked memory: others are to be had, as far as they can."""
        ...

    def cancel(self, tasks: Collection[Task]) -> None:
        """Nobody waits for these any more."""
        ...


def worked(
    function: Function[Item, Outcome], batches: Sequence[Sequence[Item]]
) -> Worked | TaskFailure | HalfcycleError:
    """What a worker does; errors are given back as values, as an engine may print those that are raised."""
    begun, at_work_s = time.perf_counter(), time.thread_time()
    try:
        found = [tried(function, batch, leave=(HalfcycleError, *SHORT_OF_MEMORY)) for batch in batches]
    except HalfcycleError as error:
        return error
    except SHORT_OF_MEMORY as error:
        return TaskFailure(in_words(error))
    return Worked(found, max(time.thread_time() - at_work_s, _WAITED_COUNTS * (time.perf_counter() - begun)))


def begun_here(
    function: Function[Item, Outcome],
    batches: Sequence[Sequence[Item]],
    lost: Lost[Item, Outcome],
    ready: Callable[[int], Workers | None],
) -> Iterator[list[Outcome]]:
    """Batches done in this process until there are workers to hand the rest to.

    Parameters
    ----------
    function, batches, lost : see `spread.Spread`.
    ready : from the number of batches that are done to the workers, once there are any.
    """
    n_done = 0
    while n_done < len(batches):
        workers = ready(n_done)
        if workers is not None:
            yield from handed_out(workers, function, batches[n_done:], lost)
            return
        yield done_here(function, batches[n_done], lost)
        n_done += 1


def handed_out(
    workers: Workers, function: Function[Item, Outcome], batches: Sequence[Sequence[Item]], lost: Lost[Item, Outcome]
) -> Iterator[list[Outcome]]:
    """The outcomes of each batch in order; see `spread.Spread`."""
    work = _HandedOut(workers, function, batches, lost)
    try:
        for k in range(len(batches)):
            while k not in work.ready:
                work.go_on()
            yield work.ready.pop(k)
    finally:
        workers.cancel(work.running)


class _HandedOut(Generic[Item, Outcome]):
    """Batches, some of them under way in tasks of several, and the outcomes of those that are done."""

    def __init__(
        self,
        workers: Workers,
        function: Function[Item, Outcome],
        batches: Sequence[Sequence[Item]],
        lost: Lost[Item, Outcome],
    ) -> None:
        self._workers, self._function, self._batches, self._lost = workers, function, batches, lost
        self.ready: dict[int, list[Outcome]] = {}
        self.running: dict[Task, range] = {}
        self._n_handed_out = 0
        self._batch_s: float | None = None
        self._suspects: list[range] = []
        self._doubtful: list[tuple[int, list[Outcome | Failure]]] = []

    def go_on(self) -> None:
        """Hand out as much as is good, and take what has ended."""
        if self._suspects or self._doubtful:
            if not self.running:
                self._clear_up()
                return
        else:
            self._hand_out()
        if self.running:
            for task in self._workers.ended(list(self.running)):
                self._take(self.running.pop(task), self._workers.result(task))

    def _hand_out(self) -> None:
        n_workers = self._workers.count()
        most = n_workers * (1 if self._batch_s is None else _WAITING_EACH)
        while self._n_handed_out < len(self._batches) and len(self.running) < most:
            first = self._n_handed_out
            piece = range(first, first + self._size(n_workers))
            task = self._workers.submit(self._function, self._batches[piece.start : piece.stop])
            if task is None:  # there is nobody but this process
                self.ready[first] = done_here(self._function, self._batches[first], self._lost)
                self._n_handed_out += 1
                return
            self.running[task] = piece
            self._n_handed_out = piece.stop

    def _size(self, n_workers: int) -> int:
        """How many of the batches that are left make the next task: the fewer are left, the fewer."""
        left = len(self._batches) - self._n_handed_out
        if self._batch_s is None:
            return 1
        length = self._workers.task_length()
        least, most = (int(seconds / max(self._batch_s, 1e-9)) for seconds in (length.least_s, length.most_s))
        return max(1, min(left, max(least, min(most, int(left * length.share / n_workers)))))

    def _take(self, piece: range, result: Worked | TaskFailure | HalfcycleError) -> None:
        if isinstance(result, HalfcycleError):
            raise result
        if isinstance(result, TaskFailure):
            self._suspects.append(piece)
            return
        batch_s = result.took_s / len(piece)
        self._batch_s = batch_s if self._batch_s is None else (self._batch_s + batch_s) / 2
        for k, found in zip(piece, result.found, strict=True):
            if any(isinstance(one, Failure) for one in found):
                self._doubtful.append((k, found))
            else:
                self.ready[k] = found

    def _clear_up(self) -> None:
        """Do again what ended a worker or met a bug, while nothing else is done."""
        if self._suspects:
            self._workers.renew()
        for piece in sorted(self._suspects, key=lambda piece: piece.start):
            self.ready |= zip(piece, self._alone([self._batches[k] for k in piece]), strict=True)
        for k, found in self._doubtful:
            self.ready[k] = [
                self._alone([[item]])[0][0] if isinstance(one, Failure) else one
                for item, one in zip(self._batches[k], found, strict=True)
            ]
        self._suspects, self._doubtful = [], []

    def _alone(self, batches: Sequence[Sequence[Item]]) -> list[list[Outcome]]:
        """Batches done by a worker while nothing else is, in ever smaller parts where that ends under them."""
        is_item = [len(batch) for batch in batches] == [1]
        n_tried, reason = 0, DIED
        while n_tried < (TRIES if is_item else 1):
            task = self._workers.submit(self._function, batches)
            if task is None:  # not to be done here: it may be what ended the others
                return [[self._lost(item, _NO_OTHER) for item in batch] for batch in batches]
            self._workers.ended([task])
            result = self._workers.result(task)
            if isinstance(result, HalfcycleError):
                raise result
            if isinstance(result, Worked):
                return [settled(batch, found, self._lost) for batch, found in zip(batches, result.found, strict=True)]
            reason = result.words
            n_tried += result.n_tries
            self._workers.renew()
        if is_item:
            return [[self._lost(batches[0][0], reason)]]
        if len(batches) == 1:
            return [[self._alone([[item]])[0][0] for item in batches[0]]]
        return [self._alone([batch])[0] for batch in batches]
