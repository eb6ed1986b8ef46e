"""A place keeps objects whole, puts and swaps under conditions, and gives one lease: folders and S3 alike."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from made_places import addresses

from halfcycle.pipeline.errors import ConfigError, PlaceError, StoreError
from halfcycle.pipeline.replica import lease as leases
from halfcycle.pipeline.replica.lease import leased
from halfcycle.pipeline.replica.places import Place, is_put, place_at

SOURCE = "conditional requests: RFC 9110, 13.1.1 (If-Match) and 13.1.2 (If-None-Match); else the project's own design"
pytestmark = pytest.mark.slow


@pytest.fixture(scope="module", params=["file", "s3"])
def new_address(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Callable[[], str]]:
    if request.param == "s3":
        pytest.importorskip("s3fs")
    with addresses(request.param, tmp_path_factory.mktemp("places")) as new:
        yield new


@pytest.fixture
def place(new_address: Callable[[], str]) -> Place:
    return place_at(new_address())


def test_an_object_is_put_once(place: Place) -> None:
    # RFC 9110, 13.1.2: with If-None-Match "*" nothing is done where there is something.
    assert place.get("a/b") is None
    version = place.put_if_absent("a/b", b"one")
    assert version
    assert place.put_if_absent("a/b", b"two") is None
    assert place.get("a/b") == (b"one", version)


def test_an_object_is_swapped_where_it_is_unchanged(place: Place) -> None:
    # RFC 9110, 13.1.1: with If-Match nothing is done where there is something else, or nothing.
    first = place.put_if_absent("x", b"one")
    assert first is not None
    assert place.swap_if_unchanged("x", b"two", "another version") is None
    second = place.swap_if_unchanged("x", b"two", first)
    assert second
    assert second != first
    assert place.swap_if_unchanged("x", b"three", first) is None
    assert place.get("x") == (b"two", second)
    assert place.swap_if_unchanged("none", b"x", second) is None
    assert place.get("none") is None


def test_files_go_and_come_back_whole(place: Place, tmp_path: Path) -> None:
    content = bytes(range(256)) * 40_000  # 10 MB, more than one message
    (tmp_path / "here").write_bytes(content)
    place.send(tmp_path / "here", "object/large")
    place.send(tmp_path / "here", "object/large")
    assert place.fetch("object/large", tmp_path / "there")
    assert (tmp_path / "there").read_bytes() == content
    assert not place.fetch("object/none", tmp_path / "none")


def test_objects_are_listed_in_order_and_deleted(place: Place) -> None:
    assert place.list("") == []
    for key in ("part/b", "part/a", "party", "head"):
        place.put_if_absent(key, b"x")
    assert place.list("part/") == ["part/a", "part/b"]
    assert place.list("") == ["head", "part/a", "part/b", "party"]
    place.delete("part/a")
    place.delete("part/a")
    assert place.list("part/") == ["part/b"]


def test_an_empty_object_and_names_of_any_signs(place: Place) -> None:
    for key in ("a b/Öllwang & 2", "c%C3/+=#?x", "deep/er/and/deeper"):
        assert place.put_if_absent(key, b"")
        got = place.get(key)
        assert got is not None
        assert got[0] == b""
    assert len(place.list("")) == 3


def test_an_answer_that_was_lost_counts_as_given(place: Place) -> None:
    # The library sends again what had no answer, and the other try finds what the first one put.
    first = place.put_if_absent("x", b"mine")
    again = place.put_if_absent("x", b"mine")
    assert again is None
    assert is_put(place, "x", b"mine", again) == first
    assert is_put(place, "x", b"of another", place.put_if_absent("x", b"of another")) is None


def test_of_many_that_swap_at_once_one_does(place: Place) -> None:
    version = place.put_if_absent("x", b"first")
    assert version is not None
    won = at_once([lambda i=i: place.swap_if_unchanged("x", str(i).encode(), version) for i in range(16)])
    (winner,) = [i for i, new in enumerate(won) if new is not None]
    assert place.get("x") == (str(winner).encode(), won[winner])


def test_of_many_that_take_a_lease_at_once_one_has_it(place: Place) -> None:
    # Free, then left by one that was killed: both times of 16 takers there is one winner.
    for left in (False, True):
        if left:
            said = leases.Said("one that was killed", time.time() - 1, "x")
            there = place.get(leases.KEY)
            assert there is not None
            assert place.swap_if_unchanged(leases.KEY, said.content(), there[1])
        ended = threading.Event()
        held: list[int] = []
        refused: list[str] = []

        def take(i: int) -> None:
            try:
                with leased(place, f"machine-{i} x", good_for_s=60):
                    held.append(i)  # noqa: B023
                    ended.wait(30)  # noqa: B023
            except StoreError as error:
                refused.append(str(error))  # noqa: B023
                if len(refused) == 15:  # noqa: B023
                    ended.set()  # noqa: B023

        at_once([lambda i=i: take(i) for i in range(16)])
        assert len(held) == 1
        assert len(refused) == 15
        assert all("another run is in progress" in words for words in refused)


@pytest.mark.long
def test_a_lease_is_renewed_given_back_and_taken_over_when_it_has_run_out(place: Place) -> None:
    with leased(place, "mill 1", good_for_s=1.5) as first:
        time.sleep(2.5)  # longer than it is good for without being renewed
        first.check()
        with (
            pytest.raises(StoreError, match=r"another run is in progress \(on mill\)"),
            leased(place, "weir 2", good_for_s=1.5),
        ):
            pass
    with leased(place, "weir 2", good_for_s=1.5) as second:
        assert second.token != first.token
    stopped = leases._taken(place, "mill 1", 1.0, 0.0)  # as of a process that was stopped: nobody renews it
    with leased(place, "weir 2", good_for_s=60, wait_s=30):
        with pytest.raises(StoreError, match="another machine has taken over"):
            stopped.give_back()
        with pytest.raises(StoreError, match="another machine has taken over"):
            stopped.check()


def test_what_a_holder_left_itself_it_takes_over_at_once(place: Place) -> None:
    leases._taken(place, "mill 1", 3600.0, 0.0)
    with leased(place, "mill 1", good_for_s=60):
        pass


def test_a_broken_lease_is_taken_over(place: Place) -> None:
    place.put_if_absent(leases.KEY, b"no json")
    with leased(place, "mill 1", good_for_s=60) as lease:
        lease.check()


@pytest.mark.long
def test_a_place_that_cannot_be_reached_is_told_in_a_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "file").write_text("no folder")
    with pytest.raises(PlaceError, match=r"file://.*: cannot be written \(File exists\)"):
        place_at(f"file://{tmp_path}/file").put_if_absent("x", b"")
    for address in ("gs://bucket/x", "s3://", "nonsense://x"):
        with pytest.raises(ConfigError, match=r"s3://BUCKET/FOLDER or file:///FOLDER"):
            place_at(address)
    pytest.importorskip("s3fs")
    for key, value in {"AWS_ACCESS_KEY_ID": "k", "AWS_SECRET_ACCESS_KEY": "s"}.items():
        monkeypatch.setenv(key, value)
    monkeypatch.setenv("AWS_ENDPOINT_URL", "http://127.0.0.1:9")
    with pytest.raises(PlaceError, match=r"^s3://bucket/x: cannot be read \(Could not connect to the endpoint"):
        place_at("s3://bucket/x").get("head")


def test_a_bucket_that_is_not_there_is_no_empty_place(new_address: Callable[[], str], tmp_path: Path) -> None:
    if not new_address().startswith("s3://"):
        pytest.skip("a folder that is not there is an empty place")
    absent = place_at("s3://no-such-bucket/x")
    with pytest.raises(PlaceError, match="bucket does not exist"):
        absent.get("head.json")
    with pytest.raises(PlaceError, match="bucket does not exist"):
        absent.fetch("object/x", tmp_path / "x")


def at_once(works: list[Callable[[], object]]) -> list[object]:
    """What each of some works gives, all begun at one moment."""
    gate = threading.Barrier(len(works))
    found: list[object] = [None] * len(works)

    def run(i: int) -> None:
        gate.wait()
        found[i] = works[i]()

    threads = [threading.Thread(target=run, args=(i,)) for i in range(len(works))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    return found
