"""The parts of a budget against definitions, Monte Carlo and the documented example; columns by the commands."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from made_fleet import ROOT, SITE, halfcycle, made_capture, write_capture, write_fleet

from halfcycle.pipeline.catalogue.reading import read_events, read_table
from halfcycle.pipeline.config import load_fleet
from halfcycle.pipeline.events import catalogue_schema, catalogue_table, events_of
from halfcycle.pipeline.nightly.run import run_nightly
from halfcycle.pipeline.uncertainty.decisions import probability_within, verdict
from halfcycle.pipeline.uncertainty.drawing import draw_level, interval_of
from halfcycle.pipeline.uncertainty.edges import Edge, find_edge
from halfcycle.pipeline.uncertainty.level import _BIAS, _N_VALUES, _SPREAD, LevelEstimate, Noise, level_of, worst_level
from halfcycle.pipeline.uncertainty.periodic import fit_periodic

START = "2026-03-01T12:00:00"


def test_the_bias_of_the_lowest_of_many_is_that_of_monte_carlo() -> None:
    # JCGM 101: white noise on windows of a cycle, half a cycle apart, share half of their samples.
    rng = np.random.default_rng(1)
    for n_values, bias, spread in zip(_N_VALUES, _BIAS, _SPREAD, strict=True):
        halves = rng.standard_normal((20_000, n_values + 1))
        lowest = ((halves[:, :-1] + halves[:, 1:]) / np.sqrt(2)).min(axis=1)
        assert -lowest.mean() == pytest.approx(bias, abs=0.03)
        assert lowest.std() == pytest.approx(spread, abs=0.03)


def test_the_worked_example_of_the_documentation_comes_out() -> None:
    # By hand, from the table's own formulas; and as the program has it.
    text = (ROOT / "docs" / "uncertainty.md").read_text(encoding="utf-8")
    table = text.split("| contribution | how | standard uncertainty |")[1].split("\n\n")[0]
    said = [float(cell) for cell in re.findall(r"\| ([0-9.]+) V \|", table)]
    window = 2.3 / np.sqrt(128)
    level = 1.02 * window * np.sqrt(37) / 19
    length, transducer = 4.5e-5 * np.sqrt(6 / 19) * 115, 0.005 / np.sqrt(3) * 115
    combined = np.sqrt(level**2 + length**2 + transducer**2)
    assert said == pytest.approx([window, level, 0.0, length, transducer, combined], abs=6e-5)
    assert combined / 230 == pytest.approx(0.00147, abs=5e-6)
    noise = Noise(sigma=2.3, step=4 * np.sqrt(2) * 230 / 2**16, per_window=128)
    values = np.full(19, np.sqrt(115.0**2 + 2.3**2))
    found = level_of(values, noise)
    assert found is not None
    assert found.volts == pytest.approx(115.0, abs=1e-3)
    assert found.u == pytest.approx(np.hypot(level, length), rel=2e-3)
    assert values[0] - found.volts == pytest.approx(0.023, abs=1e-4)
    assert np.interp(19, _N_VALUES, _BIAS) * window == pytest.approx(0.35, abs=0.005)


def test_a_level_that_is_not_flat_is_the_extreme_put_right() -> None:
    # By hand: values on a slope of ten uncertainties a step: the lowest stands alone and is its own.
    noise = Noise(sigma=1.0, step=0.0, per_window=100)
    found = level_of(np.array([120.0, 110.0, 100.0, 111.0, 121.0]), noise)
    assert found is not None
    assert not found.is_flat
    assert found.volts == pytest.approx(np.sqrt(100.0**2 - 1), abs=1e-6)
    highest = level_of(np.array([120.0, 130.0, 125.0]), noise, highest=True)
    assert highest is not None
    assert highest.volts == pytest.approx(130.0, abs=0.01)


def test_levels_that_cannot_be_told_apart_are_taken_for_equal() -> None:
    # By hand: two equal uncertainties give the mean, less by the root of two; a third far off does not count.
    found = worst_level(
        [LevelEstimate(100.0, 1.0, True), LevelEstimate(102.0, 1.0, True), LevelEstimate(150.0, 1.0, True)]
    )
    assert (found.volts, found.u) == (pytest.approx(101.0), pytest.approx(1 / np.sqrt(2)))


def test_the_noise_beside_a_waveform_is_found() -> None:
    rng = np.random.default_rng(2)
    t = np.arange(128 * 6)
    wave = 325 * np.sin(2 * np.pi * t / 128.03) + 9 * np.sin(2 * np.pi * 5 * t / 128.03)
    u = np.stack([wave + rng.normal(0, 2.0, t.size), wave + rng.normal(0, 0.5, t.size)])
    found = fit_periodic(u, 0, t.size, cycle=128.0)  # off by 12 mHz at 50 Hz, as one tracked
    assert found is not None
    assert found.noise == pytest.approx([2.0, 0.5], rel=0.1)
    assert fit_periodic(u, 0, 20, cycle=128.0) is None


def test_an_edge_between_samples_is_uniform_in_little_noise() -> None:
    # JCGM 101, 6.4.2: a uniform distribution one sample wide; 95.45 % of it are 0.4773 to each side.
    rng = np.random.default_rng(3)
    t = np.arange(1280)
    wave = np.sin(2 * np.pi * t / 128)
    u = (np.where(t >= 600, 0.5, 1.0) * wave + rng.normal(0, 1e-5, t.size))[None]
    before, after = fit_periodic(u, 60, 580, cycle=128.0), fit_periodic(u, 620, 1200, cycle=128.0)
    assert before is not None
    assert after is not None
    found = find_edge(u, before, after, low=560, high=640)
    assert found is not None
    assert found.at == pytest.approx(599.5, abs=0.05)
    assert 2 * found.u == pytest.approx(0.4773, abs=0.01)
    # The difference of two such is triangular: 1 - (1 - x)² = 0.9545 gives 0.787.
    assert 2 * found.since(found).u == pytest.approx(0.787, abs=0.01)
    assert Edge(0.0, 1.0, 0.0).u == 1.0


@pytest.mark.parametrize(
    ("value", "u", "p", "said"),
    [(0.9, 0.001, 0.5, "cannot tell"), (0.9 - 1.645e-3, 1e-3, 0.95, "inside"), (0.91, 1e-3, 0.0, "outside"),
     (0.9, 0.0, 1.0, "inside"), (0.91, 0.0, 0.0, "outside")],
)  # fmt: skip
def test_decisions_keep_their_guard_band(value: float, u: float, p: float, said: str) -> None:
    # JCGM 106:2012, 7: the probability of conformity of a normal estimate; quantiles of the normal distribution.
    found = probability_within(value, u, high=0.9)
    assert found == pytest.approx(p, abs=5e-4)
    assert verdict(round(found, 3)) == said


# --- through the commands


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sure")
    sags = [(1.0, 0.3, 0.5), (2.0, 0.2, 0.2)]
    write_capture(made_capture(START, seconds=3.0, sags=sags, station="Mill", snr_db=50.0), folder / "in" / "a.cfg")
    return folder


def screened(folder: Path, out: str, *words: str) -> list[dict[str, str]]:
    done = halfcycle("screen", "in", "--out", out, "--nominal-voltage", "230", *words, cwd=folder)
    assert done.returncode == 0, done.stderr
    with (folder / out).open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


@pytest.mark.slow
def test_uncertainties_are_further_columns_and_change_no_other(folder: Path) -> None:
    plain, none, sure = (
        screened(folder, "p.csv"), screened(folder, "n.csv", "--uncertainty", "none"),
        screened(folder, "s.csv", "--uncertainty", "standard", "--explain"),
    )  # fmt: skip
    assert (folder / "p.csv").read_bytes() == (folder / "n.csv").read_bytes()
    assert list(none[0]) == catalogue_schema().names
    assert list(sure[0]) == catalogue_schema(uncertainty=True).names
    explained = screened(folder, "e.csv", "--explain")
    assert [{name: row[name] for name in plain[0]} for row in sure] == explained
    for row, residual, start_s, length_s in zip(sure, (0.5, 0.2), (1.0, 2.0), (0.3, 0.2), strict=True):
        assert abs(float(row["magnitude_corrected"]) - residual) < 4 * float(row["magnitude_u"])
        assert abs(float(row["duration_corrected_s"]) - length_s) < 4 * float(row["duration_s_u"])
        second = float(row["start_corrected"].removesuffix("Z").rpartition(":")[2])
        assert abs(second - start_s) < 4 * float(row["start_u_s"])
        assert row["event_verdict"] == "inside"
        assert float(row["noise_pu"]) == pytest.approx(10 ** (-50 / 20), rel=0.2)  # 50 dB, as it was made
        assert "anti-alias filter" in row["not_included"]
    read = read_events(folder / "s.csv")
    assert all(event.uncertainty is not None for event in read)
    done = halfcycle("why", read[0].event_id, "s.csv", cwd=folder)
    assert done.returncode == 0, done.stdout
    assert "magnitude_u" in done.stdout


@pytest.mark.slow
def test_what_is_drawn_is_the_same_each_time_and_made_again_by_why(folder: Path) -> None:
    sure, again, full = (
        screened(folder, f"{name}.csv", "--uncertainty", how)
        for name, how in (("c", "standard"), ("f1", "full"), ("f2", "full"))
    )
    assert (folder / "f1.csv").read_bytes() == (folder / "f2.csv").read_bytes()
    assert full == again
    for one, other in zip(sure, full, strict=True):
        for name in ("magnitude_u", "start_u_s", "duration_s_u"):  # of 10,000 draws, far from any threshold
            assert float(other[name]) == pytest.approx(float(one[name]), rel=0.1), name
        assert float(other["event_p"]) == 1.0
    done = halfcycle("why", read_events(folder / "f1.csv")[0].event_id, "f1.csv", cwd=folder)
    assert done.returncode == 0, done.stdout


def test_draws_about_a_slope_take_off_what_an_extreme_is_biased_by() -> None:
    # JCGM 101, by brute force: a slope of two uncertainties a window, seen 200 times.
    rng = np.random.default_rng(5)
    noise = Noise(sigma=1.0, step=0.0, per_window=100)
    shape = np.sqrt((100.0 + 0.2 * np.abs(np.arange(-6, 7))) ** 2 + 1)
    off, stated = [], []
    for _ in range(200):
        halves = rng.normal(0, 1.0 / np.sqrt(50), shape.size + 1)
        drawn = draw_level(shape + (halves[:-1] + halves[1:]) / 2, noise, rng)
        assert drawn is not None
        found = interval_of(drawn)
        off.append(found.at - 100.0)
        stated.append(found.u)
    assert abs(np.mean(off)) < 0.05
    assert np.mean(np.abs(off) <= 2 * np.array(stated)) > 0.9


def test_a_declared_class_and_clock_go_into_it(folder: Path) -> None:
    # By hand: 0.5 %/√3 of 0.5 pu are 0.00144 pu; a clock of 2 ms counts for more than a sample of 0.6 ms.
    sites = '[[sites]]\nname = "Mill"\nnominal_voltage_v = 230.0\nvoltage_class_pct = 0.5\nclock_u_s = 0.002\n'
    (folder / "sites.toml").write_text(sites, encoding="utf-8")
    row = screened(folder, "d.csv", "--uncertainty", "standard", "--sites", "sites.toml")[0]
    bare = screened(folder, "b.csv", "--uncertainty", "standard")[0]
    assert float(row["magnitude_u"]) == pytest.approx(np.hypot(float(bare["magnitude_u"]), 0.00144), rel=0.01)
    assert float(row["start_u_s"]) == pytest.approx(np.hypot(float(bare["start_u_s"]), 0.002), rel=1e-6)
    assert "transducers" not in row["not_included"]


def test_another_word_is_refused(folder: Path) -> None:
    done = halfcycle("screen", "in", "--out", "x.csv", "--uncertainty", "some", cwd=folder)
    assert done.returncode == 2
    assert "allowed are none, standard, full" in done.stderr


def test_tables_with_and_without_are_read_together(folder: Path) -> None:
    screened(folder, "p.csv")
    screened(folder, "s.csv", "--uncertainty", "standard")
    tables = [read_table(folder / name) for name in ("p.csv", "s.csv")]
    events = events_of(pa.concat_tables(tables, promote_options="default"))
    assert [event.uncertainty is None for event in events] == [True, True, False, False]
    assert catalogue_table(events).schema.equals(catalogue_schema(uncertainty=True))


def test_nights_tell_them_where_the_fleet_asks_for_it(tmp_path: Path) -> None:
    config = write_fleet(tmp_path)
    write_capture(made_capture(START, sags=[(0.5, 0.3, 0.5)]), tmp_path / "inbox" / SITE / "a.parquet")
    run_nightly(load_fleet(config))
    text = config.read_text(encoding="utf-8")
    before = load_fleet(config)
    config.write_text('uncertainty = "standard"\n' + text, encoding="utf-8")
    fleet = load_fleet(config)
    assert fleet.site_digest(fleet.sites[0]) != before.site_digest(before.sites[0])
    other = made_capture("2026-03-03T12:00:00", sags=[(0.5, 0.3, 0.5)])
    write_capture(other, tmp_path / "inbox" / SITE / "b.parquet")
    run_nightly(fleet)
    out = halfcycle("catalogue", "--config", config, "--out", tmp_path / "all.csv")
    assert out.returncode == 0, out.stderr
    rows = read_events(tmp_path / "all.csv")
    assert len(rows) == 2
    assert all(row.uncertainty is not None for row in rows)
