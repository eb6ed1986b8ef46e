"""Uncertainties of a trend against the GUM's formulas, limits with guard bands against drawn truths, manifests."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from made_fleet import halfcycle, made_capture, write_capture
from survey.test_compliance import profile, trend

from halfcycle.pipeline.quantities import QUANTITIES
from halfcycle.pipeline.store.manifest import manifest_path, read_manifest, sha256_of
from halfcycle.pipeline.survey.compliance import assess, assessments_at, overall, verdicts_table
from halfcycle.pipeline.survey.compliance.guarded import probability_met
from halfcycle.pipeline.survey.uncertainty import series_in, with_uncertainties

pytestmark = pytest.mark.slow

WEEK = 1008
ROOT_3 = np.sqrt(3)
KEY = b"sixteen bytes long, or more"


def u_of(name: str, value: float, *, nominal_v: float | None = 230.0, **classes: float) -> float | None:
    table = with_uncertainties(pa.table({name: [value]}), nominal_v=nominal_v, **classes)
    return float(table.column(f"{name}_u")[0].as_py()) if f"{name}_u" in table.column_names else None


def test_uncertainties_are_those_of_the_formulas() -> None:
    # JCGM 100, 4.3.7: a limit a of a rectangular distribution is a/√3; limits as datasets/survey/uncertainty.csv.
    assert u_of("u_rms_a", 200.0) == pytest.approx(0.0002 * 200 / ROOT_3)
    assert u_of("u_rms_a", 200.0, voltage_class_pct=0.5) == pytest.approx(np.hypot(0.04, 1.0) / ROOT_3)
    assert u_of("u_half_min_a", 20.0) == pytest.approx(0.0005 * 230 / ROOT_3)
    assert u_of("u_half_min_a", 20.0, nominal_v=None) is None
    assert u_of("u_over_a", 4.0, voltage_class_pct=1.0) == pytest.approx(104 * np.hypot(0.0002, 0.01) / ROOT_3)
    assert u_of("uh05_a", 10.0) == pytest.approx(0.125 / ROOT_3)
    assert u_of("uh05_a", 0.1) == pytest.approx(1.25e-4 * 230 / ROOT_3)
    assert u_of("thd_u_a", 4.0, voltage_class_pct=3.0) == pytest.approx(0.01 / ROOT_3)  # the gain cancels
    assert u_of("f", 50.0) == pytest.approx(0.0025 / ROOT_3)
    assert u_of("p_a", -1000.0, voltage_class_pct=0.5, current_class_pct=1.0) == pytest.approx(
        1000 * np.sqrt(0.0002**2 + 0.005**2 + 0.01**2) / ROOT_3
    )
    lacking = with_uncertainties(pa.table({"pst_a": [float("nan")]}), nominal_v=230.0)
    assert lacking.column("pst_a_u").to_pylist() == [None]


def test_the_error_of_a_reactive_power_is_a_share_of_the_apparent_one() -> None:
    table = with_uncertainties(pa.table({"q1_a": [10.0], "s_a": [1000.0]}), nominal_v=230.0)
    assert table.column("q1_a_u")[0].as_py() == pytest.approx(0.2 / ROOT_3)


@pytest.mark.long
def test_every_quantity_but_angles_has_one() -> None:
    names = [symbol if one.of == "point" else f"{symbol}_a" for symbol, one in QUANTITIES.items()]
    table = with_uncertainties(pa.table({name: [1.0] for name in names}), nominal_v=230.0)
    lacking = [name for name in names if f"{name}_u" not in table.column_names]
    assert all(name.startswith(("uha", "iha")) for name in lacking), lacking[:5]
    assert series_in(["u_rms_a", "u_rms_a_min", "u_half_min_a", "pinst_max_a", "start", "u_rms_a_u"]) == [
        "u_rms_a", "u_half_min_a", "pinst_max_a",
    ]  # fmt: skip


def test_the_unbalance_that_gains_of_three_transducers_feign_is_that_of_monte_carlo() -> None:
    # JCGM 101: gains within 0.5 % of a balanced supply, added to an unbalance of 2 % of any angle.
    rng = np.random.default_rng(1)
    turn = np.exp(2j * np.pi / 3)
    gains = 1 + rng.uniform(-0.005, 0.005, (20_000, 3))
    true = 0.02 * np.exp(1j * rng.uniform(0, 2 * np.pi, 20_000))
    phases = np.array([1, turn**2, turn]) + true[:, None] * np.array([1, turn, turn**2])
    seen = 100 * np.abs((gains * phases * np.array([1, turn**2, turn])).mean(axis=1))
    positive = np.abs((gains * phases * np.array([1, turn, turn**2])).mean(axis=1))
    of_class = u_of("u2", 2.0, voltage_class_pct=0.5)
    alone = u_of("u2", 2.0)
    assert of_class is not None
    assert alone is not None
    assert np.std(seen / positive) == pytest.approx(np.sqrt(of_class**2 - alone**2), rel=0.05)


def test_a_limit_near_which_all_values_lie_cannot_be_told() -> None:
    # By hand: one standard uncertainty above 253 V the limit is met with Φ(-1) = 0.159; 1.7 below with 0.955.
    limit = profile(above=253.0)
    for volts, p, said in ((253.5, 0.159, "cannot tell"), (252.15, 0.955, "met"), (254.0, 0.023, "exceeded")):
        table = trend({"u_rms_a": np.full(WEEK, volts), "u_rms_a_u": np.full(WEEK, 0.5)})
        (found,) = assess({600.0: table}, limit, nominal_voltage_v=230.0, declared=True)
        assert found.probability == pytest.approx(p, abs=0.006)
        assert found.verdict == said
    bare = trend({"u_rms_a": np.full(WEEK, 253.5)})
    (plain,) = assess({600.0: bare}, limit, nominal_voltage_v=230.0, declared=True)
    assert (plain.verdict, plain.probability, plain.decision) == ("exceeded", None, "")


def test_decisions_on_drawn_weeks_are_wrong_in_no_more_than_their_risk() -> None:
    # Truth: a week of which 95 % must be within 253 V; all values are off by one error of the transducer, u = 1 V.
    rng = np.random.default_rng(2)
    needed, n, probabilities, true = 95.0, 400, [], []
    for _ in range(n):
        real = rng.normal(rng.uniform(247.0, 252.5), 1.5, WEEK)
        seen = real + rng.normal(0, 1.0)
        probabilities.append(
            probability_met(
                seen, np.ones(WEEK), None, np.asarray(253.0), np.zeros(WEEK, np.int64), n_periods=1, needed_pct=needed
            )[0]
        )
        true.append((real <= 253).mean() >= needed / 100)
    p, met = np.array(probabilities), np.array(true)
    # Of n decisions 5 % may be wrong, and by chance three standard deviations more.
    wrong = ((p >= 0.95) & ~met) | ((p <= 0.05) & met)
    assert wrong.mean() <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / n)
    assert abs(p.mean() - met.mean()) <= 0.06
    assert ((p > 0.05) & (p < 0.95)).any()


def test_verdicts_with_and_without_probabilities_are_read_back(tmp_path: Path) -> None:
    import pyarrow.parquet as pq

    table = trend({"u_rms_a": np.full(WEEK, 253.5), "u_rms_a_u": np.full(WEEK, 0.5)})
    found = assess({600.0: table}, profile(above=253.0), nominal_voltage_v=230.0, declared=True)
    pq.write_table(verdicts_table({("Mill", ""): found}), tmp_path / "v.parquet")
    assert assessments_at(tmp_path / "v.parquet") == {("Mill", ""): found}
    assert overall(found).verdict == "cannot tell"
    bare = assess({600.0: table.drop_columns(["u_rms_a_u"])}, profile(above=253.0), declared=True)
    assert "probability" not in verdicts_table({("Mill", ""): bare}).column_names


# --- through the command


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("survey")
    write_capture(
        made_capture("2026-03-01T12:00:00", seconds=21.0, station="Mill", snr_db=50.0), folder / "in" / "a.cfg"
    )
    sites = '[[sites]]\nname = "Mill"\nnominal_voltage_v = 230.0\nvoltage_class_pct = 0.5\n'
    (folder / "sites.toml").write_text(sites, encoding="utf-8")
    (folder / "key").write_bytes(KEY)
    return folder


def measured(folder: Path, out: str, *words: str) -> list[dict[str, str]]:
    wanted = ("--interval", "10", "--quantities", "u_rms,f", "--sites", "sites.toml")
    done = halfcycle("measure", "in", "--out", out, *wanted, *words, cwd=folder)
    assert done.returncode == 0, done.stderr
    with (folder / out).open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_measure_adds_columns_and_changes_no_other(folder: Path) -> None:
    plain, sure = measured(folder, "p.csv"), measured(folder, "s.csv", "--uncertainty", "standard")
    assert [{name: row[name] for name in plain[0]} for row in sure] == plain
    assert {"u_rms_a_u", "f_u"} <= {*sure[0]} - {*plain[0]}
    assert abs(float(sure[0]["u_rms_a"]) - 230.0) <= 2 * float(sure[0]["u_rms_a_u"])
    certificate = (folder / "s.csv.certificate.toml").read_text(encoding="utf-8")
    assert "voltage transducers of class 0.5" in certificate
    assert "current transducers not included" in certificate
    done = halfcycle("measure", "in", "--out", "x.csv", "--uncertainty", "full", cwd=folder)
    assert done.returncode == 2
    assert "allowed are none, standard" in done.stderr


def test_a_trend_carries_a_manifest_that_shows_any_change(folder: Path) -> None:
    measured(folder, "m.csv", "--key", "key")
    first = manifest_path(folder / "m.csv").read_bytes()
    measured(folder, "m.csv", "--key", "key")
    assert manifest_path(folder / "m.csv").read_bytes() == first
    known = read_manifest(folder / "m.csv")
    assert known is not None
    assert known.is_signed_by(KEY)
    assert not known.is_signed_by(b"another key of some length")
    entity = known.document["entity"]
    assert entity["hc:trend"]["hc:sha256"] == sha256_of(folder / "m.csv")
    assert entity["hc:point/0"]["hc:sources"][0].endswith(" a.cfg")
    assert known.document["activity"]["hc:measuring"]["hc:settings"]["quantities"] == ["u_rms", "f"]
    document = json.loads(first)
    document["entity"]["hc:trend"]["hc:rows"] = 99
    manifest_path(folder / "m.csv").write_text(json.dumps(document), encoding="utf-8")
    changed = read_manifest(folder / "m.csv")
    assert changed is not None
    assert not changed.is_sound
    assert not changed.is_signed_by(KEY)
