"""Places for objects, for the tests: folders, buckets of a server of this machine, and ones that fail when told to."""

from __future__ import annotations

import os
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from s3_server import s3_bucket

from halfcycle.pipeline.errors import PlaceError
from halfcycle.pipeline.replica.places import Place

BUCKET = "fleets"


@contextmanager
def addresses(kind: str, folder: Path) -> Iterator[Callable[[], str]]:
    """What gives addresses of empty places of a kind, ``file`` or ``s3``; this process finds its server."""
    if kind == "file":
        yield lambda: f"file://{folder}/{uuid.uuid4().hex}"
        return
    before = dict(os.environ)
    with s3_bucket(BUCKET) as (_, env):
        os.environ.update(env)
        try:
            yield lambda: f"s3://{BUCKET}/{uuid.uuid4().hex}"
        finally:
            for key in env:
                os.environ.pop(key, None)
            os.environ.update({key: value for key, value in before.items() if key in env})


class Failing:
    """A place that does not answer any more from its step number ``left`` on; None: it always answers.

    after : whether that step is done, but its answer lost.
    """

    def __init__(self, place: Place, left: int | None = None, *, after: bool = False) -> None:
        self.place, self.left, self.after = place, left, after
        self.words = place.words
        self.steps: list[str] = []

    def __getattr__(self, verb: str) -> Any:
        done = getattr(self.place, verb)

        def step(*args: Any) -> Any:
            self.steps.append(verb)
            if self.left is None:
                return done(*args)
            self.left -= 1
            if self.left >= 0:
                return done(*args)
            if self.left == -1 and self.after:
                done(*args)
            raise PlaceError(f"{self.words}: does not answer")

        return step
