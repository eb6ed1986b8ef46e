"""What is worth a label next, and what label is likely by breakers' contacts and by what comes again."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from made_fleet import halfcycle
from sklearn.neighbors import KNeighborsClassifier

from halfcycle.pipeline.events import Event, with_identity
from halfcycle.pipeline.learning.free_evidence import by_breaker, by_reclosing
from halfcycle.pipeline.learning.labels import labelled_ids, read_labels
from halfcycle.pipeline.learning.suggestions import suggested, unsure_of
from halfcycle.pipeline.readers.contract import StatusChange

RECORDINGS = Path(__file__).parents[3] / "shared" / "data"
START_NS = 1_772_000_000_000_000_000
SOURCE_BREAKER = "IEEE C37.2 (from memory): device 52 is an alternating-current circuit breaker"


def event(k: int, **changes: object) -> Event:
    plain = Event(
        site="Mill Lane", kind="sag", start=START_NS + k * 3_600_000_000_000, duration_s=0.1, magnitude=0.7,
        phases="ABC", line_to_line=False, reference_v=230.0, capture=f"{k:032x}", observed_s=0.1, source=f"{k}.csv",
        cause="fault", cause_confidence=0.9,
    )  # fmt: skip
    return with_identity(replace(plain, **changes))  # type: ignore[arg-type]


def test_the_least_sure_comes_first_and_what_is_like_it_does_not_come_second() -> None:
    # Derived: unsureness times distance, of which the distance of an equal is nothing.
    sure = [event(k, magnitude=0.7 + 0.001 * k) for k in range(5)]
    doubtful = [event(10 + k, magnitude=0.2, cause="unknown", cause_confidence=0.0) for k in range(3)]
    other = event(20, magnitude=0.95, observed_s=3.0, phases="A", cause_confidence=0.6)
    found = [one.event for one in suggested([*sure, *doubtful, other], count=3)]
    assert found[0] in doubtful
    assert found[1] == other
    assert found[2] in sure


def test_what_is_labelled_and_what_is_like_it_is_not_wanted_again() -> None:
    doubtful = [event(k, magnitude=0.2, cause="unknown", cause_confidence=0.0) for k in range(3)]
    other = event(20, magnitude=0.9, observed_s=3.0, cause_confidence=0.8)
    first = suggested([*doubtful, other], count=1, labelled=doubtful[:1])
    assert [one.event for one in first] == [other]
    assert len(suggested([*doubtful, other], count=9, labelled=doubtful[:1])) == 3


def test_events_without_a_waveform_steady_states_and_parts_of_others_are_not_suggested() -> None:
    left_out = [event(1, source=None), event(2, kind="unbalance"), event(3, part_of="x")]
    assert suggested([*left_out, event(4)], count=9)[0].event == event(4)
    assert suggested(left_out, count=9) == []


def test_a_row_is_as_sure_as_the_least_that_it_states() -> None:
    assert unsure_of(event(1, cause_confidence=0.9, learned_confidence=0.25)) == 0.75
    assert unsure_of(event(1, cause_confidence=None)) == 1.0


def test_labels_of_suggested_events_teach_more_than_those_of_events_taken_at_random() -> None:
    # A tenth of the events are of nine seldom kinds, as in most archives. What is scored is a classifier of a general
    # library, trained with the labels of 20 events of 400, on the others.
    rng = np.random.default_rng(3)
    kinds = np.where(rng.random(400) < 0.9, 0, rng.integers(1, 10, 400))
    spots = rng.uniform((0.1, -2), (0.95, 1), (10, 2))
    at = spots[kinds] + rng.normal(0, (0.01, 0.03), (400, 2))
    events = [
        event(k, magnitude=float(m), observed_s=float(10**s), cause="fault" if kinds[k] == 0 else "unknown",
              cause_confidence=0.9 if kinds[k] == 0 else 0.0)
        for k, (m, s) in enumerate(at)
    ]  # fmt: skip
    place = {one.event_id: k for k, one in enumerate(events)}

    def balanced(chosen: list[int]) -> float:
        guess = KNeighborsClassifier(1).fit(at[chosen], kinds[chosen]).predict(at)
        return float(np.mean([(guess[kinds == kind] == kind).mean() for kind in np.unique(kinds)]))

    own = balanced([place[one.event.event_id] for one in suggested(events, count=20)])
    drawn = [balanced(rng.choice(400, 20, replace=False).tolist()) for _ in range(50)]
    assert max(drawn) < own


def test_sags_that_come_again_alike_are_likely_a_fault_with_reclosing() -> None:
    # Common practice, no source: dead times of 0.2 to 60 s.
    first = event(0)
    again, much_later = replace(first, start=first.start + 600_000_000), event(9)
    shots = [with_identity(one) for one in (first, again, much_later)]
    found = by_reclosing(shots)
    assert {name: label.label for name, label in found.items()} == dict.fromkeys(
        (shots[0].event_id, shots[1].event_id), "fault with reclosing"
    )


@pytest.mark.parametrize(
    ("name", "moves_ms", "label"),
    [
        ("CB 52A", (60,), "fault, then trip"),
        ("52-1 closed", (60, 68), "fault, then trip"),  # the contact bounces
        ("line 3 breaker pos.", (60, 68, 560), "fault with reclosing"),
        ("QA1 T Closed", (80,), "fault, then trip"),
        ("152 pickup", (60,), None),
        ("21 pickup", (60,), None),
        ("52A", (-900,), None),
        ("52A", (5000,), None),
    ],
)
def test_a_breaker_that_moves_makes_a_trip_or_a_reclosing_likely(
    name: str, moves_ms: tuple[int, ...], label: str | None
) -> None:
    # SOURCE_BREAKER.
    own = event(0)
    changes = [StatusChange(name, own.start + ms * 1_000_000, i % 2 == 0) for i, ms in enumerate(moves_ms)]
    found = by_breaker(own, changes)
    assert (None if found is None else found.label) == label
    assert by_breaker(replace(own, kind="swell"), changes) is None


def test_a_catalogue_with_a_column_label_is_a_table_of_labels_and_moved_files_are_found(tmp_path: Path) -> None:
    table = tmp_path / "labelled.csv"
    table.write_text(
        "label,event_id,site,capture,source,start,phases\n"
        "sag,aa,Mill Lane,d1+d2,gone/0.csv,2026-03-01T06:12:04.317Z,AB\n"
        ",bb,Mill Lane,d3,1.csv,2026-03-01T06:13:04.317Z,A\n"
    )
    asked: list[tuple[str, str]] = []

    def find(digest: str, source: str) -> Path | None:
        asked.append((digest, source))
        return tmp_path / "moved.csv"

    _, rows, problems = read_labels(table, find)
    assert asked == [("d1", "gone/0.csv")]
    assert problems == []
    assert [(row.capture, row.label, row.site, row.phases) for row in rows] == [
        (tmp_path / "moved.csv", "sag", "Mill Lane", "AB")
    ]
    assert labelled_ids(table) == {"aa"}
    _, rows, problems = read_labels(table, lambda digest, source: None)
    assert (rows, problems) == ([], [(2, "gone/0.csv: does not exist, and no file with its digest d1 was found")])


@pytest.mark.skipif(not RECORDINGS.is_dir(), reason="the measured records are not there")
def test_the_command_suggests_events_of_measured_records_with_what_their_breakers_did(tmp_path: Path) -> None:
    # The record's own description: a fault of phase A with a reclosing that fails, 1.1 s later.
    for name in ("fault-failed-reclose-d.cfg", "fault-failed-reclose-d.dat"):
        (tmp_path / name).write_bytes((RECORDINGS / name).read_bytes())
    catalogue, out = tmp_path / "e.parquet", tmp_path / "next.csv"
    done = halfcycle("screen", tmp_path / "fault-failed-reclose-d.cfg", "--out", catalogue, "--explain", "--worst", "0")
    assert done.returncode == 0, done.stderr
    done = halfcycle("train", "--suggest", catalogue, "--count", "4", "--out", out)
    assert done.returncode == 0, done.stderr
    with out.open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == 4
    assert {row["label"] for row in rows} == {""}
    assert {row["likely_label"] for row in rows} == {"fault with reclosing", "fault, then trip"}
    assert all("moves" in row["evidence"] for row in rows)


def test_options_that_say_nothing_beside_suggestions_are_refused(tmp_path: Path) -> None:
    out = tmp_path / "next.csv"
    for words, reason in (
        (("--suggest", "e.csv", "--seed", "2"), "--suggest trains nothing: --seed has no meaning beside it"),
        (("--count", "3"), "--count says how many events --suggest writes; give both"),
    ):
        done = halfcycle("train", "--out", out, *words)
        assert (done.returncode, done.stderr.strip()) == (2, reason)
    done = halfcycle("train", "--out", tmp_path / "next.parquet", "--suggest", "e.csv")
    assert done.returncode == 2
    assert "the extension must be .csv" in done.stderr
