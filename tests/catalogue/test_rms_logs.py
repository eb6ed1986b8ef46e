"""Events out of recorders' own logs of RMS: the rules for waveforms, the resolution stated, no event twice."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from made_fleet import halfcycle, made_capture, ns, write_capture

from halfcycle.pipeline.catalogue.judge import Terms
from halfcycle.pipeline.detectors.rms_logs import RmsLog, find_in_log
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.screening import Screening, screen
from halfcycle.pipeline.settings import Site, Thresholds
from halfcycle.pipeline.sites.table import SiteTable

SOURCE = (
    "derived: a row beyond a threshold of IEC 61000-4-30, 5.4 and 5.5, begins an event and one that is back ends it"
)
START = datetime(2026, 3, 1, 12, tzinfo=UTC)
TERMS = Terms(Thresholds(), 230.0, 50.0)
LIMITS = {"sag_pu": 0.9, "swell_pu": 1.1, "interruption_pu": 0.1, "hysteresis_pu": 0.02}


def write_log(path: Path, columns: dict[str, np.ndarray], step_s: float, *, station: str = "REC-1") -> Path:
    """A log as text or Parquet, by the path's ending; columns by label."""
    path.parent.mkdir(parents=True, exist_ok=True)
    n = len(next(iter(columns.values())))
    times = [START + timedelta(seconds=step_s * i) for i in range(n)]
    if path.suffix == ".parquet":
        starts = pa.array(times, pa.timestamp("ns", tz="UTC"))
        pq.write_table(pa.table({"time": starts, **columns}), path)
        if station:
            path.with_name(f"{path.name}.toml").write_text(f'[intervals]\nstation = "{station}"\n')
        return path
    lines = [f"# station: {station}"] if station else []
    lines.append(",".join(["time", *columns]))
    for i, moment in enumerate(times):
        cells = ("" if np.isnan(one[i]) else f"{one[i]:.3f}" for one in columns.values())
        lines.append(",".join([f"{moment.isoformat(timespec='milliseconds')[:-6]}Z", *cells]))
    path.write_text("\n".join(lines) + "\n")
    return path


def three_phases(n: int, **changed: tuple[slice, float]) -> dict[str, np.ndarray]:
    """Columns of three phases at 231 V, but for those changed: phase=(rows, volts)."""
    columns = {f"U L{k} (V)": np.full(n, 231.0) for k in (1, 2, 3)}
    for name, (rows, volts) in changed.items():
        columns[f"U L{name[1:2]} (V)"][rows] = volts
    return columns


def judged(*paths: Path, terms: Terms = TERMS, sites: SiteTable | None = None) -> Screening:
    return screen(paths, terms=terms, workers=1, sites=sites)


def brief(events: tuple[Event, ...]) -> list[tuple[str, str, float, float | None]]:
    return [
        (one.kind, one.phases, round((one.start - ns(START.isoformat())) / 1e9, 6), one.duration_s) for one in events
    ]


@pytest.mark.parametrize("ending", [".csv", ".parquet"])
def test_a_log_of_half_cycles_gives_sags_swells_and_interruptions(tmp_path: Path, ending: str) -> None:
    columns = three_phases(3000, p1=(slice(200, 230), 115.0), q2=(slice(205, 240), 140.0))
    columns["U L3 (V)"][1000:1020] = 276.0
    for one in columns.values():
        one[2000:2100] = 2.0
    result = judged(write_log(tmp_path / f"log{ending}", columns, 0.01))
    assert brief(result.events) == [
        ("sag", "AB", 2.0, pytest.approx(0.40)),
        ("swell", "C", 10.0, pytest.approx(0.20)),
        ("interruption", "ABC", 20.0, pytest.approx(1.02)),  # to the end of the one-cycle window that is back
        ("sag", "ABC", 20.0, pytest.approx(1.00)),
    ]
    sag, swell, interruption, around = result.events
    assert (sag.magnitude, sag.magnitude_a, sag.magnitude_b) == pytest.approx((0.5, 0.5, 140 / 230), abs=1e-6)
    assert (swell.magnitude, swell.reference_v, swell.nominal_kind) == (pytest.approx(1.2), 230.0, "declared")
    assert interruption.part_of == around.event_id
    assert (sag.first_sample, sag.n_samples, sag.duration_a_s) == (200, 40, pytest.approx(0.3))
    assert all("one row every 10 ms: start and end known within 10 ms" in one.notes for one in result.events)
    assert (result.judged_s, result.log_s, result.n_in_both) == (0.0, pytest.approx(30.0), 0)


def test_hysteresis_holds_an_event_of_a_log_as_one_of_a_waveform() -> None:
    volts = np.full((1, 100), 230.0)
    volts[0, 10:40] = [200.0, 208.0] * 15  # 0.87 and 0.904 pu: above the threshold, not by the hysteresis
    log = RmsLog(np.arange(100) * 10_000_000, 10_000_000, volts, volts, has_extremes=False)
    (one,) = find_in_log(log, reference_v=230.0, thresholds=LIMITS, frequency_hz=50.0)
    assert (one.start, one.stop) == (10 * 1e7, 40 * 1e7)


def test_extremes_of_a_second_tell_how_deep_and_means_say_that_they_do_not(tmp_path: Path) -> None:
    n = 120
    mean, least, largest = np.full(n, 230.0), np.full(n, 229.0), np.full(n, 231.0)
    mean[30], least[30], largest[60:62] = 200.0, 92.0, 260.0
    columns = {"U L1 avg (V)": mean, "U L1 min (V)": least, "U L1 max (V)": largest}
    with_extremes = judged(write_log(tmp_path / "a" / "log.csv", columns, 1.0)).events
    assert brief(with_extremes) == [("sag", "A", 30.0, 1.0), ("swell", "A", 60.0, 2.0)]
    assert [one.magnitude for one in with_extremes] == pytest.approx([0.4, 260 / 230])
    assert all("within 1 s, magnitude from the logged extremes" in one.notes for one in with_extremes)
    (alone,) = judged(write_log(tmp_path / "b" / "log.csv", {"U L1 avg (V)": mean}, 1.0)).events
    assert (alone.magnitude, alone.duration_s) == (pytest.approx(200 / 230), 1.0)
    assert "the severity of shorter events is underestimated" in alone.notes


def test_rows_of_minutes_are_no_log_and_give_no_event(tmp_path: Path) -> None:
    least = np.full(20, 229.0)
    least[5] = 50.0
    result = judged(write_log(tmp_path / "t.csv", {"U L1 avg (V)": least + 1, "U L1 min (V)": least}, 60.0))
    assert result.events == ()
    assert result.is_empty


def test_an_event_at_missing_rows_or_values_is_open_there(tmp_path: Path) -> None:
    columns = three_phases(400, p1=(slice(80, 120), 115.0), q2=(slice(300, 320), 115.0))
    columns["U L2 (V)"][320:330] = np.nan
    path = write_log(tmp_path / "log.csv", columns, 0.02)
    lines = path.read_text().splitlines()
    path.write_text("\n".join([*lines[:102], *lines[152:]]) + "\n")  # rows 100 to 149 are missing
    found = [(one.open_start, one.open_end, one.duration_s) for one in judged(path).events]
    assert found == [(False, True, None), (False, True, None)]


def test_an_event_of_a_waveform_is_not_listed_again(tmp_path: Path) -> None:
    capture = made_capture(
        START.isoformat(), seconds=6.0, sags=[(2.0, 0.3, 0.5)], station="REC-1", hookup="four-wire"
    )  # fmt: skip
    write_capture(capture, tmp_path / "capture.cff")
    columns = three_phases(3000)
    for one in columns.values():
        one[201:231] = 115.0
    columns["U L1 (V)"][1500:1550] = 115.0
    write_log(tmp_path / "log.csv", columns, 0.01)
    seconds = np.full(30, 115.0)
    seconds[:2], seconds[3:15], seconds[16:] = 230.0, 230.0, 230.0
    write_log(tmp_path / "seconds.csv", {"U L1 min (V)": seconds}, 1.0)
    result = judged(tmp_path)
    assert [(Path(one.source or "").name, one.kind) for one in result.events] == [
        ("capture.cff", "sag"), ("log.csv", "sag"),
    ]  # fmt: skip
    assert "in the recorder's log: sag of 0.3 s to 0.500 pu" in result.events[0].notes
    assert result.n_in_both == 3  # one of the half cycles, two of the seconds
    other = judged(write_log(tmp_path / "elsewhere" / "log.csv", columns, 0.01, station="REC-2"), tmp_path)
    assert [one.site for one in other.events] == ["REC-1", "REC-2", "REC-1", "REC-2"]


def test_a_short_sag_within_a_long_undervoltage_is_not_that_undervoltage(tmp_path: Path) -> None:
    capture = made_capture(START.isoformat(), seconds=4.0, sags=[(1.0, 0.3, 0.5)], station="REC-1", hookup="four-wire")
    write_capture(capture, tmp_path / "capture.cff")
    columns = three_phases(300, p1=(slice(0, 200), 200.0))
    write_log(tmp_path / "log.csv", columns, 0.9)
    assert [(one.kind, one.phases) for one in judged(tmp_path).events] == [("undervoltage", "A"), ("sag", "ABC")]


@pytest.mark.parametrize(("terms", "sites", "kind", "volts"), [
    (Terms(Thresholds()), None, "inferred", 230.0),
    (TERMS, None, "declared", 230.0),
    (Terms(Thresholds()), SiteTable((Site(name="Mill", stations=("REC-1",), nominal_voltage_v=23_000.0,
                                          voltage_ratio=100.0),)), "declared", 23_000.0),
])  # fmt: skip
def test_a_log_is_judged_against_what_is_declared_else_inferred(
    tmp_path: Path, terms: Terms, sites: SiteTable | None, kind: str, volts: float
) -> None:
    path = write_log(tmp_path / "log.csv", three_phases(600, p1=(slice(100, 150), 115.0)), 0.02)
    (event,) = judged(path, terms=terms, sites=sites).events
    assert (event.nominal_kind, event.reference_v, event.magnitude) == (kind, volts, pytest.approx(0.5))
    assert event.site == ("REC-1" if sites is None else "Mill")


def test_a_level_of_no_usual_system_is_judged_against_itself(tmp_path: Path) -> None:
    path = write_log(tmp_path / "log.csv", {"U L1 (V)": np.where(np.arange(600) // 50 == 3, 80.0, 163.0)}, 0.02)
    (event,) = judged(path, terms=Terms(Thresholds())).events
    assert (event.reference_kind, event.nominal_kind) == ("pre-event", None)
    assert event.magnitude == pytest.approx(80 / 163)


def test_a_voltage_that_is_never_there_is_not_judged(tmp_path: Path) -> None:
    columns = {"U L1 (V)": np.full(300, 230.0), "U L2 (V)": np.full(300, 0.4)}
    assert judged(write_log(tmp_path / "log.csv", columns, 0.02)).events == ()


def test_the_command_lists_them_and_a_survey_flags_their_intervals(tmp_path: Path) -> None:
    columns = three_phases(6000, p1=(slice(2200, 2250), 115.0))
    write_log(tmp_path / "log.csv", columns, 0.01)
    out = tmp_path / "events.csv"
    done = halfcycle("screen", tmp_path / "log.csv", "--out", out, "--nominal-voltage", "230")
    assert done.returncode == 0, done.stderr
    assert "60.0 s of recorders' logs judged" in done.stdout
    assert "momentary sag" not in out.read_text()
    assert "instantaneous sag" in out.read_text()
    shown = halfcycle("show", out.read_text().splitlines()[1].split(",")[0], "--in", out, "--out", tmp_path / "e.svg")
    assert shown.returncode == 1
    assert "holds no waveform; the event comes from logged values" in shown.stderr
    trend = tmp_path / "trend.parquet"
    done = halfcycle(
        "measure", tmp_path / "log.csv", "--out", trend, "--interval", "10", "--nominal-voltage", "230"
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert pq.read_table(trend).column("flag").to_pylist() == [False, False, True, False, False, False]
