"""Labelled events: which windows of a capture a row of the table stands for, and which rows cannot be used."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from made_fleet import RATE_HZ, cut, made_capture, ns, write_capture

from halfcycle.classifiers.learned.features import extract
from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.catalogue.event_windows import ten_cycles
from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.learning.labelled import LabelledEvents, departures, labelled_events, takes_part
from halfcycle.pipeline.learning.labels import primitives_of_names, read_labels
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.points import points_of
from halfcycle.pipeline.records.record import Record, records_of
from halfcycle.pipeline.synthesis import Stage, Waveform, synthesise
from halfcycle.pipeline.synthesis.parametric import FORMS, PRIMITIVES

SOURCE = "derived: at 1600 samples/s and 50 Hz a cycle is 32 samples; the captures are sines with sags of known place"
START = "2026-03-01T12:00:00"
AT_S = (0.4, 0.8, 1.2, 1.6, 2.0)  # of the sags; five of each class are needed
CYCLE = 32


def three_phase(*, residual: Sequence[float] = (1.0, 0.5, 1.0), frequency_hz: float = 50.0) -> Capture:
    waveform = Waveform(
        hookup="four-wire", nominal_voltage_v=230.0, rate_hz=RATE_HZ, duration_s=2.4, snr_db=50.0,
        frequency_hz=frequency_hz,
        stages=tuple(Stage(start_s=t, duration_s=0.08, residual_pu=tuple(residual)) for t in AT_S),
    )  # fmt: skip
    return synthesise(waveform, start_ns=ns(START), station="Quarry Road").capture


def table(folder: Path, rows: Sequence[Sequence[object]], *, heads: str = "capture,start,label") -> Path:
    path = folder / "labels.csv"
    path.write_text("\n".join([heads, *(",".join(str(cell) for cell in row) for row in rows)]) + "\n")
    return path


def two_classes(name: str = "a.npz", *, more: Sequence[object] = ()) -> list[list[object]]:
    """Five sags and five places between them."""
    return [[name, t, "sag", *more] for t in AT_S] + [[name, t - 0.2, "pure", *more] for t in AT_S]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    write_capture(three_phase(), tmp_path / "a.npz")
    return tmp_path


def record_of(capture: Capture, *at_s: float) -> Record:
    parts = cut(capture, *at_s)
    pieces = [Piece(part.header, lambda part=part: part, lambda: "") for part in parts]
    (record,) = records_of(pieces)
    return record


def windows_of(events: LabelledEvents, i: int) -> int:
    return int((events.event == i).sum())


def three_leads(volts: np.ndarray, at_s: float) -> np.ndarray:
    firsts = [round(at_s * RATE_HZ - lead * CYCLE) for lead in (2.5, 1.5, 3.5)]
    return np.stack([volts[first : first + 10 * CYCLE] for first in firsts])


# --- the window


def test_a_window_begins_two_and_a_half_cycles_before_the_event_and_holds_ten_in_volts() -> None:
    capture = made_capture(START, sags=[(0.8, 0.1, 0.5)])
    record = record_of(capture, 0.85)  # and runs over a seam between two captures
    found = ten_cycles(record, points_of(capture.header)[0], ns(START) + 800_000_000, frequency_hz=50.0)
    assert found is not None
    first, values = found
    assert first == 1280 - 2.5 * CYCLE
    np.testing.assert_array_equal(values, capture.physical(0)[None, first : first + 10 * CYCLE])


@pytest.mark.parametrize(("at_s", "first"), [(0.02, 0), (1.99, 3200 - 320)])
def test_near_the_ends_of_a_record_the_window_moves_into_it(at_s: float, first: int) -> None:
    capture = made_capture(START)
    point = points_of(capture.header)[0]
    found = ten_cycles(record_of(capture), point, ns(START) + round(at_s * 1e9), frequency_hz=50.0)
    assert found is not None
    assert found[0] == first


def test_a_record_under_ten_cycles_has_no_window() -> None:
    capture = made_capture(START, seconds=0.19)
    assert ten_cycles(record_of(capture), points_of(capture.header)[0], ns(START), frequency_hz=50.0) is None


def test_each_event_has_windows_of_three_leads_of_which_one_is_the_catalogues(folder: Path) -> None:
    events = labelled_events(table(folder, two_classes(more=["B"]), heads="capture,start,label,phases"))
    assert len(events.labels) == 10
    assert [windows_of(events, i) for i in range(10)] == [3] * 10
    volts = three_phase().physical(1)
    for i, t in enumerate(AT_S):
        of_event = events.features[events.event == i]
        np.testing.assert_array_equal(of_event, extract(three_leads(volts, t), rate_hz=RATE_HZ, nominal_hz=50.0))
        assert events.as_judged[events.event == i].tolist() == [True, False, False]


def test_leads_that_give_the_same_window_count_once(folder: Path) -> None:
    events = labelled_events(table(folder, [*two_classes(), ["a.npz", 0.001, "pure"]]))
    assert windows_of(events, 10) == 3  # three phases, one window each: the record's first ten cycles


# --- what a row says


@pytest.mark.slow
@pytest.mark.parametrize(
    "written",
    [
        "2026-03-01T12:00:00.800000000Z",
        "2026-03-01T12:00:00.8",
        "2026-03-01 14:00:00.800+02:00",
        "0.8",
    ],
)
def test_a_start_is_a_utc_time_to_the_nanosecond_or_seconds_from_the_first_sample(folder: Path, written: str) -> None:
    rows = two_classes()
    plain = labelled_events(table(folder, rows))
    rows[1][1] = written
    np.testing.assert_array_equal(labelled_events(table(folder, rows)).features, plain.features)


def test_nanoseconds_of_a_start_are_kept(tmp_path: Path) -> None:
    _, (row,), _ = read_labels(table(tmp_path, [["a.npz", "2026-03-01T12:00:00.123456789Z", "sag"]]))
    assert row.start_ns == ns(START) + 123_456_789


@pytest.mark.slow
def test_paths_are_relative_to_the_table_and_may_be_absolute(folder: Path, tmp_path: Path) -> None:
    plain = labelled_events(table(folder, two_classes()))
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    for name in ("../a.npz", str(folder / "a.npz")):
        again = labelled_events(table(elsewhere, two_classes(name)))
        np.testing.assert_array_equal(again.features, plain.features)


def test_a_parquet_file_gives_what_any_other_gives(folder: Path) -> None:
    plain = labelled_events(table(folder, two_classes()))
    write_capture(three_phase(), folder / "a.parquet")
    again = labelled_events(table(folder, two_classes("a.parquet")))
    np.testing.assert_array_equal(again.features, plain.features)


@pytest.mark.parametrize(
    ("written", "name"),
    [
        ("sag", "sag"),
        ("Oscillatory_Transient", "oscillatory transient"),
        ("sag with  transient", "sag with transient"),
        ("Capacitor_bank 3", "Capacitor_bank 3"),
    ],
)
def test_a_name_of_the_family_joins_its_class_in_any_spelling_and_others_stay(
    tmp_path: Path, written: str, name: str
) -> None:
    _, (row,), _ = read_labels(table(tmp_path, [["a.npz", 1, written]]))
    assert row.label == name


def test_primitives_are_known_for_the_names_of_the_family_alone() -> None:
    names = np.array([form.name for form in FORMS.values()] + ["breaker flutter"])
    told = primitives_of_names(names)
    for row, form in zip(told, FORMS.values(), strict=False):
        assert {name for name, there in zip(PRIMITIVES, row, strict=True) if there} == form.primitives
    assert np.isnan(told[-1]).all()
    assert not np.isnan(primitives_of_names(np.array(PRIMITIVES))).any()


def test_the_site_is_that_of_the_table_else_the_station_else_the_folder(folder: Path) -> None:
    nameless = three_phase()
    nameless = Capture(replace(nameless.header, station=""), nameless.samples)
    write_capture(nameless, folder / "Mill Lane" / "b.npz")
    rows = two_classes("a.npz", more=[""]) + two_classes("Mill Lane/b.npz", more=[""])
    rows[3][3] = "Harbour"
    events = labelled_events(table(folder, rows, heads="capture,start,label,site"))
    assert events.sites.tolist() == ["Quarry Road"] * 3 + ["Harbour"] + ["Quarry Road"] * 6 + ["Mill Lane"] * 10


# --- phases


@pytest.mark.parametrize("frequency_hz", [50.0, 49.75])
def test_phases_that_are_not_given_are_those_that_depart_and_all_for_the_pure_voltage(
    tmp_path: Path, frequency_hz: float
) -> None:
    write_capture(three_phase(frequency_hz=frequency_hz), tmp_path / "a.npz")
    events = labelled_events(table(tmp_path, two_classes()))
    assert [windows_of(events, i) for i in range(10)] == [3] * 5 + [9] * 5


def test_a_phase_that_departs_half_as_much_as_another_takes_part(tmp_path: Path) -> None:
    write_capture(three_phase(residual=(0.4, 0.6, 0.8)), tmp_path / "a.npz")  # by 0.6, 0.4 and 0.2
    events = labelled_events(table(tmp_path, two_classes()))
    assert windows_of(events, 0) == 2 * 3


def test_given_phases_are_taken_and_no_others(folder: Path) -> None:
    rows = two_classes(more=["BC"])
    rows[0][3], rows[1][3] = "A", "a b c"
    events = labelled_events(table(folder, rows, heads="capture,start,label,phases"))
    assert [windows_of(events, i) for i in range(4)] == [3, 9, 6, 6]


@pytest.mark.parametrize(
    ("phase", "phases", "does"),
    [
        ("A", "", True), ("A", "A", True), ("A", "BC", False), ("BC", "BC", True), ("AB", "BC", False),
        ("CA", "ABC", True), ("CA", "A", True), ("BC", "A", False),
    ],
)  # fmt: skip
def test_a_line_to_line_voltage_takes_part_with_its_two_phases_or_with_either_alone(
    phase: str, phases: str, does: bool
) -> None:
    assert takes_part(phase, phases) is does


@pytest.mark.parametrize("frequency_hz", [50.0, 49.6, 50.5])
@pytest.mark.parametrize("per_cycle", [32.0, 106.7, 320.0])
def test_a_departure_is_what_the_sag_takes_of_the_peak_whatever_the_frequency(
    frequency_hz: float, per_cycle: float
) -> None:
    """Tolerance: straight lines between 32 samples a cycle miss 0.5 % of the peak, (2 pi / 32)^2 / 8."""
    t_s = np.arange(round(10 * per_cycle)) / (50.0 * per_cycle)
    sine = 100.0 * np.sin(2 * np.pi * frequency_hz * t_s + 0.3)
    sag = np.where((t_s > 0.06) & (t_s < 0.14), 0.4, 1.0) * sine
    np.testing.assert_allclose(departures(np.stack([sine, sag]), per_cycle), [0.0, 60.0], atol=1.5)


def test_of_several_points_the_one_that_departs_most_is_taken(tmp_path: Path) -> None:
    capture = three_phase(residual=(0.9, 0.5, 0.5))
    channels = tuple(
        replace(channel, phase="A", point=point)
        for channel, point in zip(capture.header.channels, ("east", "west", "yard"), strict=True)
    )
    samples = capture.samples * np.array([[1.0], [1.0], [0.1]], dtype=np.float32)
    write_capture(Capture(replace(capture.header, channels=channels), samples), tmp_path / "a.npz")
    events = labelled_events(table(tmp_path, two_classes()))
    cuts = three_leads(samples[1].astype(np.float64), AT_S[0])
    np.testing.assert_array_equal(events.features[:3], extract(cuts, rate_hz=RATE_HZ, nominal_hz=50.0))


# --- what cannot be used


def test_every_bad_row_is_named_with_its_line_and_reason_and_nothing_is_used(folder: Path) -> None:
    (folder / "text.npz").write_text("no capture")
    lost = three_phase()
    samples = lost.samples.copy()
    samples[:, 700:710] = np.nan
    write_capture(Capture(lost.header, samples), folder / "lost.npz")
    write_capture(made_capture(START, seconds=0.15), folder / "short.npz")
    rows = [
        ["missing.npz", 1, "sag", ""],
        ["text.npz", 1, "sag", ""],
        ["a.npz", 7.0, "sag", ""],
        ["a.npz", "2026-03-01T11:59:59", "sag", ""],
        ["a.npz", "noon", "sag", ""],
        ["a.npz", "nan", "sag", ""],
        ["a.npz", 1, "", ""],
        ["lost.npz", 0.4, "sag", "B"],
        ["short.npz", 0.1, "sag", ""],
        ["a.npz", 0.4, "sag", "X"],
        ["short.npz", 0.1, "sag", "C"],
        ["a.npz", 0.4, "unknown", ""],
        ["a.npz", 0.5, "sag"],
        ["a.npz", 0.9, "sag", "", ""],
        ["a.npz", 0.8, "pure", ""],
    ]
    path = table(folder, two_classes(more=[""]) + rows, heads="capture,start,label,phases")
    with pytest.raises(ConfigError) as caught:
        labelled_events(path)
    head, *lines = str(caught.value).splitlines()
    reasons = [
        "missing.npz", "text.npz", "outside a.npz", "outside a.npz", "noon", "nan", "no label",
        "missing, stuck or clipped", "cycles around", "X is not one of A, B, C", "no voltage of phases C", "unknown",
        "the number of cells differs", "the number of cells differs", "repeats the event of line 3",
    ]  # fmt: skip
    assert "15 rows cannot be used" in head
    assert [line.split(":")[0] for line in lines] == [f"line {12 + i}" for i in range(15)]
    for line, reason in zip(lines, reasons, strict=True):
        assert reason in line


def test_clipped_samples_are_refused(tmp_path: Path) -> None:
    capture = three_phase()
    peak = 1.3 * 230.0
    clipped = np.clip(capture.samples, -peak, peak)
    write_capture(Capture(capture.header, clipped), tmp_path / "a.npz")
    with pytest.raises(ConfigError, match="clipped"):
        labelled_events(table(tmp_path, two_classes()))


def test_too_few_samples_a_cycle_are_refused(tmp_path: Path) -> None:
    waveform = Waveform(hookup="single-phase", nominal_voltage_v=230.0, rate_hz=900.0, duration_s=2.4)
    write_capture(synthesise(waveform, start_ns=ns(START)).capture, tmp_path / "a.npz")
    with pytest.raises(ConfigError, match=r"18\.0 samples per cycle; 20 are needed"):
        labelled_events(table(tmp_path, two_classes()))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("capture,start\na.npz,1\n", "no column label"),
        ("", "no column capture, start, label"),
        ("capture;start;label\n", "no column"),
        ('capture,start,label\n"a.npz,1,sag\n', "line"),
        ("capture,start,label\n", "there are: no events"),
    ],
)
def test_a_table_that_is_none_is_refused(tmp_path: Path, text: str, says: str) -> None:
    (tmp_path / "labels.csv").write_text(text)
    with pytest.raises(ConfigError, match=says):
        labelled_events(tmp_path / "labels.csv")
    with pytest.raises(ConfigError, match="cannot be read"):
        labelled_events(tmp_path / "nothing.csv")


def test_two_classes_of_five_events_are_the_least_and_the_counts_are_told(folder: Path) -> None:
    rows = two_classes()
    assert labelled_events(table(folder, rows)).counts == {"pure": 5, "sag": 5}
    for few, says in ((rows[:-1], "pure 4, sag 5"), (rows[:5], "sag 5")):
        with pytest.raises(ConfigError, match=f"2 classes with 5 events each are needed; there are: {says}"):
            labelled_events(table(folder, few))


def test_the_digest_is_that_of_the_tables_bytes(folder: Path) -> None:
    import hashlib

    path = table(folder, two_classes())
    assert labelled_events(path).digest == hashlib.sha256(path.read_bytes()).hexdigest()[:32]
