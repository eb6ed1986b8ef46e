"""The rules of handing batches to workers that may end, held with workers that end when they are told to."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field
from typing import Any

import pytest

from halfcycle.pipeline.errors import ConfigError, HalfcycleError
from halfcycle.pipeline.spread import in_this_process
from halfcycle.pipeline.workers import TRIES, TaskFailure, TaskLength, Worked, begun_here, handed_out, worked

SOURCE = "the project's own design: what goes wrong with an item costs it alone, whoever works on it"


@dataclass
class Made:
    """Two workers that do a task when they are asked for its result; `strikes` says which tasks end their worker."""

    strikes: Callable[[list[Any], int], bool] = lambda items, n_before: False
    n_left: int = 1000  # tasks after which there is no worker any more
    given: list[list[Any]] = field(default_factory=list)
    n_renewed: int = 0
    n_cancelled: int = 0

    def task_length(self) -> TaskLength:
        return TaskLength()

    def count(self) -> int:
        return 2

    def submit(self, function: Any, batches: Sequence[Sequence[Any]]) -> Any:
        if len(self.given) >= self.n_left:
            return None
        items = [item for batch in batches for item in batch]
        n_before = self.given.count(items)
        self.given.append(items)
        if self.strikes(items, n_before):
            return (len(self.given), TaskFailure())
        result = worked(function, batches)
        if isinstance(result, Worked):
            result = Worked(result.found, 0.02 * len(batches))  # as if a batch took so long
        return (len(self.given), Held(result))

    def ended(self, tasks: Collection[Any]) -> Collection[Any]:
        return [max(tasks, key=lambda task: task[0])]  # the last first: order is not theirs to keep

    def result(self, task: Any) -> Worked | TaskFailure | HalfcycleError:
        result: Worked | TaskFailure | HalfcycleError = task[1].value if isinstance(task[1], Held) else task[1]
        return result

    def renew(self) -> None:
        self.n_renewed += 1

    def cancel(self, tasks: Collection[Any]) -> None:
        self.n_cancelled += len(tasks)


class Held:
    """A result, known by who it is as a task has to be."""

    def __init__(self, value: Any) -> None:
        self.value = value


def work(items: Sequence[int]) -> list[str]:
    return [_one(item) for item in items]


def _one(item: int) -> str:
    if item == 13:
        raise ZeroDivisionError("thirteen")
    if item == 31:
        raise ConfigError("thirty-one")
    return f"done {item}"


def lost(item: int, reason: str) -> str:
    return f"lost {item}: {reason}"


def outcomes(workers: Made, items: Sequence[int], size: int = 1) -> list[str]:
    batches = [list(items[i : i + size]) for i in range(0, len(items), size)]
    return [one for batch in handed_out(workers, work, batches, lost) for one in batch]


def test_outcomes_come_in_order_and_tasks_are_of_many_batches_until_few_are_left() -> None:
    # SOURCE.
    workers = Made()
    assert outcomes(workers, range(100, 500)) == [f"done {i}" for i in range(100, 500)]
    sizes = [len(items) for items in workers.given]
    assert max(sizes) > 20
    assert sizes[-1] <= 5  # a tenth of a second at 0.02 s each


@pytest.mark.parametrize("size", [1, 4])
def test_an_item_that_ends_each_of_its_workers_is_lost_alone_and_tried_as_often_as_is_said(size: int) -> None:
    # SOURCE.
    workers = Made(strikes=lambda items, n_before: 17 in items)
    items = [i for i in range(100) if i not in (13, 31)]
    found = outcomes(workers, items, size)
    assert [one for one in found if not one.startswith("done")] == [lost(17, TaskFailure().words)]
    assert [one for one in found if one.startswith("done")] == [f"done {i}" for i in items if i != 17]
    assert workers.given.count([17]) in (TRIES, TRIES + 1)  # once more where it was a task by itself before


def test_what_ends_a_worker_less_often_than_that_costs_nothing() -> None:
    # SOURCE.
    workers = Made(strikes=lambda items, n_before: len(items) == 1 and n_before < TRIES - 1)
    assert outcomes(workers, [1, 2, 3]) == ["done 1", "done 2", "done 3"]
    assert workers.n_renewed > 0


def test_a_bug_costs_its_item_which_is_tried_once_more() -> None:
    # SOURCE.
    workers = Made()
    found = outcomes(workers, [12, 13, 14], size=3)
    assert found == ["done 12", "lost 13: unexpected ZeroDivisionError: thirteen", "done 14"]
    assert workers.given == [[12, 13, 14], [13]]


def test_where_nobody_else_is_this_process_goes_on_but_not_with_what_may_have_ended_the_others() -> None:
    # SOURCE.
    assert outcomes(Made(n_left=1), [1, 2, 3]) == ["done 1", "done 2", "done 3"]
    workers = Made(n_left=2, strikes=lambda items, n_before: True)
    found = outcomes(workers, [1, 2, 3])
    assert [one.split(":")[0] for one in found] == ["lost 1", "lost 2", "done 3"]


def test_an_error_that_concerns_more_than_an_item_is_raised_and_the_rest_is_given_up() -> None:
    # SOURCE.
    workers = Made()
    with pytest.raises(ConfigError, match="thirty-one"):
        outcomes(workers, [1, 2, 3, 31])
    assert (workers.given, workers.n_cancelled) == ([[1], [2], [3, 31]], 1)  # the first, whose worker is still at it


def test_this_process_works_until_there_are_workers() -> None:
    # SOURCE.
    workers, batches = Made(), [[i] for i in range(8)]
    found = list(begun_here(work, batches, lost, lambda n_done: workers if n_done == 3 else None))
    assert found == list(in_this_process(work, batches, lost=lost))
    assert sorted(item for items in workers.given for item in items) == [3, 4, 5, 6, 7]
