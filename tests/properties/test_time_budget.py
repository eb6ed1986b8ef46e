"""Every reader is stopped when the time that its file may take is over."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import fuzz_readers
import pytest

from halfcycle.pipeline.errors import Unsupported
from halfcycle.pipeline.readers import budget, read_captures, readers

SOURCE = "the project's own design: a stated multiple of the file's size, with a floor and a cap"


def test_no_reader_goes_on_when_its_time_is_over(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # SOURCE. In no time at all every reader is stopped on its way, and in that which is allowed it is not.
    goods = {good.reader: good for good in fuzz_readers.good_files(tmp_path / "good")}
    assert set(goods) == set(readers())
    for name, good in goods.items():
        folder = tmp_path / name.replace("/", "")
        fuzz_readers.write_case(folder, good.files)
        path = folder / good.files[0][0]
        monkeypatch.delenv(budget.SECONDS_VARIABLE, raising=False)
        assert list(read_captures(path))
        monkeypatch.setenv(budget.SECONDS_VARIABLE, "1e-9")
        with pytest.raises(Unsupported, match=f"processor time.*{budget.SECONDS_VARIABLE}"):
            list(read_captures(path))


def test_the_time_of_whoever_uses_a_capture_is_not_that_of_its_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # SOURCE: a clock that runs on by 100 s at each look outside the reader stands still for the file.
    good = next(one for one in fuzz_readers.good_files(tmp_path / "good") if one.reader == "COMTRADE")
    fuzz_readers.write_case(tmp_path / "case", good.files)
    now = 0.0
    monkeypatch.setattr(budget, "time", SimpleNamespace(thread_time=lambda: now, perf_counter=lambda: now))
    for _ in read_captures(tmp_path / "case" / good.files[0][0]):
        now += 10 * budget.LEAST_SECONDS
    with budget.ReadingTimer(tmp_path).running():
        now += budget.LEAST_SECONDS
        budget.check_time()
        now += 1.0
        with pytest.raises(Unsupported, match="here: takes more than 60 s"):
            budget.check_time("here")
        now -= 1.0
