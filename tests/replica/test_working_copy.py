"""Working copies of one address: what one brings the others have, whatever is cut off in between."""

from __future__ import annotations

import os
import shutil
import threading
from collections.abc import Callable
from contextlib import ExitStack, suppress
from pathlib import Path

import pytest
from made_fleet import digests
from made_places import Failing

from halfcycle.pipeline.errors import PlaceError, StoreError
from halfcycle.pipeline.replica import state, working_copy
from halfcycle.pipeline.replica.lease import leased
from halfcycle.pipeline.replica.looking import Root
from halfcycle.pipeline.replica.places import Place, place_at
from halfcycle.pipeline.replica.working_copy import WorkingCopy

SOURCE = "the project's own design: the files of an address are those of every working copy that was brought up to it"
GIVEN = ("store/waveforms/", "processed/")
DAY = "store/waveforms/site=Weir/date=2026-03-01"
MADE = "store/catalogue/site=Weir/date=2026-03-01/events.parquet"


class Machine:
    """A working copy below a folder, and what its nights do."""

    def __init__(self, folder: Path, place: Place) -> None:
        self.folder, self.place = folder, place

    def open(self) -> WorkingCopy:
        roots = [Root("store", self.folder / "store", left_out=frozenset({"store/own.json"}))]
        roots.append(Root("processed", self.folder / "processed", is_foreign=True))
        return WorkingCopy(self.place, roots, given=GIVEN)

    def night(self, work: Callable[[], object] = lambda: None, *, good_for_s: float = 60.0) -> None:
        with self.open() as copy, leased(self.place, f"{self.folder.name} {copy.name}", good_for_s=good_for_s) as lease:
            copy.pull(lease)
            work()
            copy.push()

    def read(self) -> None:
        with self.open() as copy:
            copy.pull()

    def write(self, path: str, text: str) -> None:
        target = self.folder / path
        target.parent.mkdir(parents=True, exist_ok=True)
        aside = target.with_name(".staging-of-a-test")
        aside.write_text(text)
        os.replace(aside, target)

    def remove(self, path: str) -> None:
        (self.folder / path).unlink()

    def files(self) -> dict[str, str]:
        found = {}
        for path in sorted(self.folder.rglob("*")):
            name = path.relative_to(self.folder).as_posix()
            if path.is_file() and not any(part.startswith(".") for part in path.parts):
                found[name] = path.read_text()
        return found


@pytest.fixture
def place(tmp_path: Path) -> Place:
    return place_at(f"file://{tmp_path}/place")


@pytest.fixture
def mill(tmp_path: Path, place: Place) -> Machine:
    return Machine(tmp_path / "mill", place)


@pytest.fixture
def weir(tmp_path: Path, place: Place) -> Machine:
    return Machine(tmp_path / "weir", place)


def shared(machine: Machine) -> dict[str, str]:
    """The files of a machine that others have, too."""
    return {name: text for name, text in machine.files().items() if name != "store/own.json"}


def first_night(machine: Machine) -> None:
    for k in range(3):
        machine.write(f"{DAY}/{k}.parquet", f"capture {k}")
        machine.write(f"processed/Weir/{k}.cfg", f"file {k}")
    machine.write(MADE, "of captures 0 1 2")
    machine.write("store/own.json", "of this machine")
    machine.write("store/.index/x.json", "a memory")


def test_what_one_machine_brings_another_one_has(mill: Machine, weir: Machine) -> None:
    mill.night(lambda: first_night(mill))
    weir.read()
    brought = shared(mill)
    assert len(brought) == 7
    assert weir.files() == brought
    weir.night(lambda: (weir.remove(f"{DAY}/1.parquet"), weir.write(MADE, "frozen"), weir.write("store/new.json", "x")))
    mill.night()
    assert shared(mill) == weir.files()
    assert mill.files()[MADE] == "frozen"
    assert f"{DAY}/1.parquet" not in mill.files()


def test_names_of_any_bytes_go_and_come(mill: Machine, weir: Machine) -> None:
    names = ["Öllwang 2/a%b.cfg", "Weir & Mill/#~.csv", os.fsdecode(b"latin/\xe4\xff.cfg"), ".hidden", "x" * 200]
    mill.night(lambda: [mill.write(f"processed/{name}", name.encode("utf-8", "replace").decode()) for name in names])
    weir.read()
    assert digests(weir.folder / "processed") == digests(mill.folder / "processed")
    assert len(digests(weir.folder / "processed")) == 5


def test_nothing_is_listed_and_an_idle_night_reads_and_writes_next_to_nothing(mill: Machine) -> None:
    mill.night(lambda: first_night(mill))
    mill.place = counting = Failing(mill.place)
    mill.night()
    assert counting.steps.count("get") <= 3  # lease and head
    assert set(counting.steps) == {"get", "swap_if_unchanged"}
    counting.steps.clear()
    mill.night(lambda: mill.write(f"{DAY}/3.parquet", "capture 3"))
    assert "list" not in counting.steps
    assert counting.steps.count("send") == 1
    assert counting.steps.count("put_if_absent") == 3  # the part, the index, what has gone


def test_unchanged_folders_are_not_looked_into(mill: Machine, monkeypatch: pytest.MonkeyPatch) -> None:
    mill.night(lambda: first_night(mill))
    for folder in mill.folder.rglob("*"):
        if folder.is_dir():
            os.utime(folder, (1e9, 1e9))
    mill.night()
    listed: list[str] = []
    scandir = os.scandir
    monkeypatch.setattr(os, "scandir", lambda path: (listed.append(str(path)), scandir(path))[1])
    mill.night()
    assert listed == []
    monkeypatch.undo()
    mill.night(lambda: mill.write(f"{DAY}/9.parquet", "capture 9"))


def test_what_is_given_is_united_and_what_is_made_is_as_it_is_there(mill: Machine, weir: Machine) -> None:
    mill.night(lambda: first_night(mill))
    weir.read()
    # The weir's night is cut off before it brings anything; meanwhile the mill goes on.
    weir.write(f"{DAY}/weir.parquet", "capture of the weir")
    weir.write(MADE, "of captures 0 1 2 weir")
    weir.write("store/catalogue/site=Weir/date=2026-03-02/events.parquet", "run on")
    mill.night(lambda: (mill.write(f"{DAY}/mill.parquet", "capture of the mill"), mill.write(MADE, "of 0 1 2 mill")))
    weir.night()
    assert weir.files()[f"{DAY}/weir.parquet"] == "capture of the weir"
    assert weir.files()[f"{DAY}/mill.parquet"] == "capture of the mill"
    assert weir.files()[MADE] == "of 0 1 2 mill"
    assert "store/catalogue/site=Weir/date=2026-03-02/events.parquet" not in weir.files()
    mill.read()
    assert mill.files()[f"{DAY}/weir.parquet"] == "capture of the weir"


def test_work_that_was_cut_off_is_brought_with_the_next_night(mill: Machine, weir: Machine) -> None:
    mill.night(lambda: first_night(mill))
    mill.write(MADE, "of a night that was cut off")
    mill.remove(f"{DAY}/0.parquet")
    mill.night()
    weir.read()
    assert weir.files()[MADE] == "of a night that was cut off"
    assert f"{DAY}/0.parquet" not in weir.files()


def test_two_files_of_one_name_are_both_kept(mill: Machine, weir: Machine) -> None:
    mill.night(lambda: first_night(mill))
    weir.read()
    weir.write("processed/Weir/new.cfg", "of the weir")
    mill.night(lambda: mill.write("processed/Weir/new.cfg", "of the mill"))
    weir.night()
    mill.read()
    for machine in (mill, weir):
        texts = [text for name, text in machine.files().items() if name.endswith("new.cfg")]
        assert sorted(texts) == ["of the mill", "of the weir"]


def test_a_folder_that_is_missing_as_a_whole_is_no_removal(mill: Machine, weir: Machine) -> None:
    mill.night(lambda: first_night(mill))
    before = mill.files()
    shutil.rmtree(mill.folder / "processed")
    mill.night()
    assert mill.files() == before
    shutil.rmtree(mill.folder / "store")
    mill.night()
    del before["store/own.json"]
    assert mill.files() == before
    weir.read()
    assert weir.files() == before


def test_an_address_that_was_emptied_or_is_another_one_removes_nothing(mill: Machine, tmp_path: Path) -> None:
    mill.night(lambda: first_night(mill))
    before = mill.files()
    for place in (place_at(f"file://{tmp_path}/another"), mill.place):
        shutil.rmtree(tmp_path / "place", ignore_errors=True)
        mill.place = place
        mill.night()
        assert mill.files() == before
        fresh = Machine(tmp_path / f"fresh-{place.words[-4:]}", place)
        fresh.read()
        assert len(fresh.files()) == len(before) - 1


def test_a_memory_that_is_damaged_is_made_anew(mill: Machine, weir: Machine) -> None:
    mill.night(lambda: first_night(mill))
    before = mill.files()
    (mill.folder / "store" / ".replica" / "memory.sqlite").write_bytes(b"no database" * 999)
    mill.night(lambda: mill.write(f"{DAY}/3.parquet", "capture 3"))
    assert mill.files() == {**before, f"{DAY}/3.parquet": "capture 3"}
    weir.read()
    assert len(weir.files()) == len(before)


def test_a_holder_that_lost_its_lease_brings_nothing_more(mill: Machine, weir: Machine) -> None:
    mill.night(lambda: first_night(mill))
    with mill.open() as late, ExitStack() as held:
        lease = held.enter_context(leased(mill.place, "mill", good_for_s=3600))
        late.pull(lease)
        mill.write(f"{DAY}/late.parquet", "late")
        mill.write(MADE, "of a late one")
        # The weir takes over, as after a time in which the mill was not heard of.
        there = mill.place.get("lease.json")
        assert there is not None
        assert mill.place.swap_if_unchanged("lease.json", b"{}", there[1])
        weir.night(lambda: weir.write(MADE, "of the weir"))
        with pytest.raises(StoreError, match="another machine has taken over"):
            late.push()
    mill.night()
    weir.read()
    assert weir.files()[MADE] == "of the weir"
    assert weir.files()[f"{DAY}/late.parquet"] == "late"


def test_a_state_is_read_whole_while_another_one_is_made(
    mill: Machine, weir: Machine, monkeypatch: pytest.MonkeyPatch
) -> None:
    # What goes from a state is kept for a day; here it goes at once, so that a reader meets the gap and begins again.
    monkeypatch.setattr(working_copy, "_KEPT_S", -1.0)
    mill.night(lambda: first_night(mill))
    turn = threading.Lock()

    class Overtaken(Failing):
        def __getattr__(self, verb: str) -> object:
            with turn:
                if verb == "fetch" and self.left is None:  # before anything is copied
                    self.left = 10_000
                    mill.night(lambda: mill.write(MADE, "new"))
                    mill.night(lambda: mill.write(f"{DAY}/3.parquet", "capture 3"))
            return super().__getattr__(verb)

    weir.place = Overtaken(weir.place)
    weir.read()
    assert weir.files() == shared(mill)
    assert weir.files()[MADE] == "new"


def test_objects_that_nothing_names_any_more_go_after_a_day(mill: Machine, monkeypatch: pytest.MonkeyPatch) -> None:
    mill.night(lambda: first_night(mill))
    mill.night(lambda: (mill.write(MADE, "another"), mill.write("store/copy.json", "of captures 0 1 2")))
    n = len(mill.place.list("object/"))
    monkeypatch.setattr(working_copy, "_KEPT_S", -1.0)
    mill.night(lambda: mill.write(MADE, "a third"))  # what had gone by then goes now
    mill.night(lambda: mill.write(MADE, "a fourth"))
    named = {entry.key for part in _parts(mill.place) for entry in part.values()}
    held = set(mill.place.list("object/"))
    assert {f"object/{key}" for key in named} <= held
    assert len(held) == len(named) + 1  # of the last night
    assert len(held) < n + 2


def _parts(place: Place) -> list[dict[str, state.Entry]]:
    head = state.head_at(place)
    assert head is not None
    index = state.document_of(place, "index", head.index)
    assert index is not None
    parts = [state.part_at(place, key) for key in index.values()]
    return [part for part in parts if part is not None]


@pytest.mark.parametrize("after", [False, True], ids=["not done", "done, but not heard of"])
def test_whatever_step_is_cut_off_the_next_night_goes_on(tmp_path: Path, *, after: bool) -> None:
    # SOURCE: each step of a night's copying fails once; every reader then sees the former files or the new ones.
    for left in range(200):
        folder = tmp_path / str(left)
        place = place_at(f"file://{folder}/place")
        mill, reader = Machine(folder / "mill", place), Machine(folder / "reader", place)
        mill.night(lambda m=mill: first_night(m))  # type: ignore[misc]
        old = shared(mill)
        second = lambda m=mill: (m.write(MADE, "new"), m.remove(f"{DAY}/0.parquet"), m.write(f"{DAY}/3.parquet", "3"))  # noqa: E731
        new = {**old, MADE: "new", f"{DAY}/3.parquet": "3"}
        del new[f"{DAY}/0.parquet"]
        mill.place = failing = Failing(place, left, after=after)
        with suppress(StoreError):
            mill.night(second)
        reader.read()
        assert reader.files() in (old, new)
        is_through = failing.left is not None and failing.left >= 0
        mill.place = place
        mill.night(lambda: None if (mill.folder / f"{DAY}/3.parquet").exists() else second())  # noqa: B023
        reader.read()
        assert reader.files() == new
        assert shared(mill) == new
        if is_through:
            assert left > 8
            return
    raise AssertionError("a night takes more steps than were tried")


def test_an_object_that_is_damaged_is_told(mill: Machine, weir: Machine, tmp_path: Path) -> None:
    mill.night(lambda: first_night(mill))
    for path in (tmp_path / "place" / "object").iterdir():
        path.write_text("damaged")
    with pytest.raises(PlaceError, match=r"object/.* is damaged"):
        weir.read()
    assert weir.files() == {}


def test_a_state_cannot_name_files_outside(mill: Machine, weir: Machine, tmp_path: Path) -> None:
    for name in ("../x", "/etc/x", "a/../../x", "%2E%2E/x"):
        with pytest.raises(PlaceError, match="no name of a file"):
            state.path_named(name)
