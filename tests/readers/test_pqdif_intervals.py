"""Interval values and RMS profiles of PQDIF files, built byte by byte from the lists of IEEE 1159.3 alone."""

from __future__ import annotations

import csv
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pqdif_bytes as made
import pytest
from made_fleet import halfcycle
from pqdif_bytes import Entry, collection, identity, scalar, text

from halfcycle.pipeline.catalogue.judge import Terms
from halfcycle.pipeline.errors import ReadError
from halfcycle.pipeline.readers import intervals_in
from halfcycle.pipeline.screening import screen
from halfcycle.pipeline.settings import Thresholds

SOURCE = "IEEE 1159.3: value types, characteristics, units and phases by their published identifiers"
MIN, MAX = "67f6af98-f753-11cf-9d89-0080c72e70a3", "67f6af99-f753-11cf-9d89-0080c72e70a3"
FREQUENCY = "07ef68af-9ff5-11d2-b30b-006008b37183"
TOTAL_THD = "a6b31aec-b451-11d1-ae17-0060083a2628"
ACTIVE = "a6b31ae1-b451-11d1-ae17-0060083a2628"
PST = "515bf320-71ca-11d4-a4b3-444553540000"
SPECTRA = "a6b31ae9-b451-11d1-ae17-0060083a2628"
VOLTS, AMPS, WATTS, HERTZ, PERCENT, NONE = 6, 7, 9, 15, 19, 0
START = datetime(2026, 3, 2, 6, tzinfo=UTC)
START_NS = 1_772_431_200_000_000_000  # of it


def log(
    name: str, phase: int, measured: int, units: int, characteristic: str, *value_types: str,
    quantity_type: str = made.VALUE_LOG, time_method: int = 4, time_units: int = 2, group: str = "",
) -> Entry:  # fmt: skip
    """A channel's definition: TIME, then a series of each value type."""
    times = [identity("tagValueTypeID", made.TIME), scalar("tagQuantityUnitsID", 32, time_units)]
    times += [scalar("tagStorageMethodID", 32, time_method), identity("tagQuantityCharacteristicID", SPECTRA)]
    series = [collection("tagOneSeriesDefn", *times)]
    for value_type in value_types:
        entries = [identity("tagValueTypeID", value_type), scalar("tagQuantityUnitsID", 32, units)]
        entries += [scalar("tagStorageMethodID", 32, 1), identity("tagQuantityCharacteristicID", characteristic)]
        series.append(collection("tagOneSeriesDefn", *entries))
    said = [
        text("tagChannelName", name),
        scalar("tagPhaseID", 32, phase),
        scalar("tagQuantityMeasuredID", 32, measured),
    ]
    said += [identity("tagQuantityTypeID", quantity_type)]
    said += [text("tagGroupName", group)] if group else []
    return collection("tagOneChannelDefn", *said, collection("tagSeriesDefns", *series))


def values(definition: int, times: list[Entry], *rows: list[Entry]) -> Entry:
    series = collection("tagSeriesInstances", *(collection("tagOneSeriesInstance", *row) for row in (times, *rows)))
    return collection("tagOneChannelInst", scalar("tagChannelDefnIdx", 32, definition), series)


def saved(folder: Path, *records: tuple[str, bytes], name: str = "x.pqd", compressed: bool = False) -> Path:
    path = folder / name
    container = made.container(style=2) if compressed else made.container()
    path.write_bytes(made.file(container, *records, compressed=compressed))
    return path


def a_week() -> tuple[dict[str, np.ndarray], list[tuple[str, bytes]]]:
    """Drawn values by trend column, and the records that hold them: two observations of ten minutes."""
    rng = np.random.default_rng(3)
    n = 40
    columns = {
        "u_rms_a_min": rng.uniform(220, 228, n), "u_rms_a_max": rng.uniform(232, 240, n),
        "u_rms_a": rng.uniform(229, 231, n), "i_rms_b": rng.uniform(0, 90, n), "thd_u_c": rng.uniform(1, 6, n),
        "p_total": rng.uniform(-9e3, 9e3, n), "p_a": rng.uniform(-3e3, 3e3, n), "f": rng.normal(50, 0.02, n),
        "pst_a": rng.uniform(0.2, 1, n),
    }  # fmt: skip
    source = made.source(
        log("U1", 1, 1, VOLTS, made.RMS, MIN, MAX, made.AVG), log("I2", 2, 2, AMPS, made.RMS, made.AVG),
        log("D3", 3, 1, PERCENT, TOTAL_THD, made.AVG), log("Sum", 13, 3, WATTS, ACTIVE, made.AVG),
        log("P1", 1, 3, WATTS, ACTIVE, made.VAL), log("Hz", 0, 0, HERTZ, FREQUENCY, made.AVG),
        log("Fl", 1, 1, NONE, PST, made.VAL), log("H", 1, 1, VOLTS, SPECTRA, made.AVG),
    )  # fmt: skip
    names = [
        ["u_rms_a_min", "u_rms_a_max", "u_rms_a"],
        ["i_rms_b"],
        ["thd_u_c"],
        ["p_total"],
        ["p_a"],
        ["f"],
        ["pst_a"],
    ]
    records = [source]
    for first, stop in ((0, 25), (25, n)):
        axis = made.steps((stop - first, 600.0))
        instances = [
            values(i, axis if not i else made.shared(0, 0), *(made.stored(41, columns[k][first:stop]) for k in own))
            for i, own in enumerate(names)
        ]
        instances.append(values(7, made.shared(0, 0), made.stored(41, [1.0] * (stop - first))))
        records.append(made.observation(*instances, start=START + timedelta(seconds=600 * first)))
    return columns, records


@pytest.mark.parametrize("compressed", [False, True])
def test_every_value_unit_phase_and_statistic_is_read_or_named(tmp_path: Path, compressed: bool) -> None:
    expected, records = a_week()
    (found,) = intervals_in(saved(tmp_path, *records, compressed=compressed))
    assert (found.station, found.step_s, found.point) == ("Harrow Mill", 600.0, "")
    assert found.starts_ns.tolist() == [START_NS + 600 * 10**9 * i for i in range(40)]
    got = {one.column: one.values for one in found.series}
    assert got.keys() == expected.keys()
    for name, row in expected.items():
        np.testing.assert_array_equal(got[name], row)
    assert found.left_out == (("H", "interval, spectra in V is not supported"),)
    assert any("start or end of intervals" in note for note in found.notes)


def test_times_may_be_seconds_one_by_one_or_stamps_with_gaps(tmp_path: Path) -> None:
    at = [0.0, 600.0, 1200.0, 3000.0, 3600.0]
    listed = made.source(log("U", 1, 1, VOLTS, made.RMS, made.AVG, time_method=1))
    one = made.observation(values(0, made.stored(41, at), made.stored(40, [230.0] * 5)), start=START)
    (found,) = intervals_in(saved(tmp_path, listed, one))
    assert ((found.starts_ns - START_NS) / 1e9).tolist() == at
    stamped = made.source(log("U", 1, 1, VOLTS, made.RMS, made.AVG, time_method=1, time_units=1))
    content = b"".join(made.stamp(START + timedelta(seconds=second)) for second in at)
    axis = [made.raw_vector("tagSeriesValues", 50, 5, content)]
    two = made.observation(values(0, axis, made.stored(40, [230.0] * 5)), start=START)
    (found,) = intervals_in(saved(tmp_path, stamped, two))
    assert ((found.starts_ns - START_NS) / 1e9).tolist() == at


def test_one_row_an_observation_makes_one_trend_and_a_row_twice_counts_once(tmp_path: Path) -> None:
    source = made.source(log("U", 1, 1, VOLTS, made.RMS, made.AVG))
    rows = [
        made.observation(values(0, made.steps((1, 600.0)), made.stored(40, [230.0 + i])),
                         start=START + timedelta(seconds=600 * i))
        for i in (0, 1, 2, 2, 3)
    ]  # fmt: skip
    (found,) = intervals_in(saved(tmp_path, source, *rows))
    assert found.series[0].values.tolist() == [230.0, 231.0, 232.0, 233.0]
    assert any("1 values occur twice" in note for note in found.notes)


def test_scale_offset_missing_values_and_a_local_clock(tmp_path: Path) -> None:
    source = made.source(log("U", 5, 1, VOLTS, made.RMS, made.AVG), zone="Central")
    row = made.stored(
        21, [10, 20], scale=scalar("tagSeriesScale", 41, 0.5), offset=scalar("tagSeriesOffset", 41, 400.0)
    )
    path = saved(tmp_path, source, made.observation(values(0, made.steps((2, 60.0)), row), start=START))
    (found,) = intervals_in(path)
    assert (found.series[0].column, found.series[0].values.tolist()) == ("u_rms_ab", [405.0, 410.0])
    assert any("'Central'" in note for note in found.notes)
    path.with_name("x.pqd.toml").write_text('[intervals]\ntime_zone = "+01:00"\nstamps = "end"\n')
    (found,) = intervals_in(path)
    assert found.starts_ns.tolist() == [START_NS - 3600 * 10**9 + (60 * i - 60) * 10**9 for i in (0, 1)]
    assert found.notes == ()


def test_profiles_of_half_cycles_give_events_and_intervals_beside_them_a_trend(tmp_path: Path) -> None:
    source = made.source(
        *(log(f"U{k}", k, 1, VOLTS, made.RMS, made.VAL, quantity_type=made.PHASOR) for k in (1, 2, 3)),
        log("U1 mean", 1, 1, VOLTS, made.RMS, MIN, MAX, made.AVG),
    )  # fmt: skip
    sag = [230.0] * 50 + [115.0] * 20 + [230.0] * 50
    calm = [230.0] * 120
    axis = made.steps((120, 0.01))
    rows = [
        values(0, axis, made.stored(40, sag)),
        *(values(k, made.shared(0, 0), made.stored(40, calm)) for k in (1, 2)),
    ]
    later = made.observation(*rows, start=START + timedelta(minutes=7))
    means = [made.stored(40, [one] * 3) for one in (229.0, 231.0, 230.0)]
    trend = made.observation(values(3, made.steps((3, 600.0)), *means), start=START)
    path = saved(tmp_path, source, trend, later)
    assert sorted(one.step_s for one in intervals_in(path)) == [0.01, 600.0]
    result = screen([path], terms=Terms(Thresholds(), 230.0, 50.0), workers=1)
    (event,) = result.events
    assert (event.site, event.kind, event.phases, event.magnitude) == ("Harrow Mill", "sag", "A", pytest.approx(0.5))
    assert (event.start - START_NS) / 1e9 == pytest.approx(420.5)
    assert event.duration_s == pytest.approx(0.2)
    out = tmp_path / "trend.csv"
    done = halfcycle("measure", path, "--out", out, "--nominal-voltage", "230")
    assert done.returncode == 0, done.stderr
    assert "Harrow Mill: 3 intervals of 600 s, recorded by the instrument" in done.stdout
    assert "not measured" not in done.stdout
    rows_out = list(csv.DictReader(out.read_text().splitlines()))
    assert [row["flag"] for row in rows_out] == ["true", "false", "false"]  # by the sag in the profile
    assert [float(row["u_rms_a"]) for row in rows_out] == [230.0] * 3


def test_waveforms_beside_intervals_are_still_measured(tmp_path: Path) -> None:
    source = made.source(made.channel("UA"), log("U1", 1, 1, VOLTS, made.RMS, made.AVG))
    wave = (325.27 * np.sin(2 * np.pi * 50 * np.arange(32_000) / 3200)).tolist()
    waveform = made.observation(made.instance(0, made.steps((32_000, 1 / 3200)), made.stored(40, wave)), start=START)
    interval = made.observation(values(1, made.steps((10, 1.0)), made.stored(40, [230.0] * 10)), start=START)
    out = tmp_path / "trend.csv"
    done = halfcycle("measure", saved(tmp_path, source, waveform, interval), "--out", out, "--interval", "1",
                     "--nominal-voltage", "230")  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "10 intervals of 1 s, measured from waveforms" in done.stdout
    assert "10 intervals of 1 s, recorded by the instrument" in done.stdout
    assert "intervals of 1 s that the recorder made compared with the waveforms" in done.stdout


def test_damage_is_told_in_one_sentence(tmp_path: Path) -> None:
    source = made.source(log("U", 1, 1, VOLTS, made.RMS, made.AVG))
    unequal = made.observation(values(0, made.steps((4, 600.0)), made.stored(40, [230.0] * 2)), start=START)
    with pytest.raises(ReadError, match="4 times, but 2"):
        intervals_in(saved(tmp_path, source, unequal))
    alone = made.observation(values(0, made.steps((1, 600.0)), made.stored(40, [230.0])), start=START)
    with pytest.raises(ReadError, match="cannot be found from one row"):
        intervals_in(saved(tmp_path, source, alone))


def test_no_broken_copy_raises_anything_but_a_read_error(tmp_path: Path) -> None:
    _, records = a_week()
    content = made.file(made.container(), *records)
    rng = np.random.default_rng(1)
    path = tmp_path / "x.pqd"
    for _ in range(150):
        broken = bytearray(content[: int(rng.integers(64, len(content)))] if rng.random() < 0.3 else content)
        for at in rng.integers(0, len(broken), 6):
            broken[at] = int(rng.integers(0, 256))
        path.write_bytes(broken)
        with suppress(ReadError):
            intervals_in(path)
