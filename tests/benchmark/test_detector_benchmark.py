"""The benchmark of detectors: suites, contenders, results, and the command."""

from __future__ import annotations

import csv
import hashlib
import json
import math
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from forked import run_code
from made_distribution import guest_command

from halfcycle.pipeline.benchmark.cases import cases_of, n_cases
from halfcycle.pipeline.benchmark.contenders import Contender, Detection, chosen, contenders, halfcycle
from halfcycle.pipeline.benchmark.detector_run import columns_of, is_open, run_detectors
from halfcycle.pipeline.benchmark.results import PROVENANCE_KEY
from halfcycle.pipeline.benchmark.suite import DetectorSuite, load_detector_suite
from halfcycle.pipeline.errors import ConfigError, SignalError
from halfcycle.pipeline.processes import spread_apart
from halfcycle.pipeline.readers import read_captures
from halfcycle.pipeline.resources import resource_names

COMMAND = "from halfcycle.pipeline.cli import main; main()"
SUITE = """
seed = 7
nominal_voltage_v = 230.0
rates_hz = [3200.0]
nominal_frequencies_hz = [50.0]
snr_db = [inf, 40.0]

[[families]]
kind = "sag"
count = 2
seconds = 1.5
level_pu = [0.3, 0.7]
duration_s = [0.1, 0.4]

[[families]]
kind = "oscillatory_transient"
count = 1
seconds = 1.0
level_pu = [0.4, 0.6]
frequency_hz = [400.0, 600.0]
decay_s = [0.002, 0.005]

[[families]]
kind = "nothing"
count = 1
seconds = 5.0
"""


@pytest.fixture
def suite_file(tmp_path: Path) -> Path:
    path = tmp_path / "small.toml"
    path.write_text(SUITE)
    return path


def suite() -> DetectorSuite:
    import tomllib

    return DetectorSuite.model_validate(tomllib.loads(SUITE))


def test_the_suites_of_the_project_can_be_loaded_and_a_case_depends_on_the_seed_and_its_number_alone() -> None:
    names = [name for name in resource_names("datasets", "benchmarks", ".toml") if name.startswith("detectors")]
    assert len(names) == 5
    for name in names:
        assert n_cases(load_detector_suite(name)) > 20
    first, again = list(cases_of(suite())), list(cases_of(suite()))
    assert len(first) == n_cases(suite()) == 8
    assert all(
        np.array_equal(a.problem.u, b.problem.u) and a.truth == b.truth for a, b in zip(first, again, strict=True)
    )
    others = list(cases_of(suite(), seed=8))
    assert not np.array_equal(first[0].problem.u, others[0].problem.u)


def test_the_truth_of_a_case_is_in_its_samples() -> None:
    """The lowest RMS over the middle of a sag, by its definition, is the level that was drawn."""
    case = next(iter(cases_of(suite())))
    (event,) = case.truth
    first, stop = (round(t * case.problem.rate_hz) for t in (event.start_s, event.stop_s))
    inside = case.problem.u[:, first + 32 : stop - 32].astype(np.float64)
    n = inside.shape[1] // 64 * 64
    rms = np.sqrt((inside[:, :n] ** 2).mean(axis=1)) / case.problem.nominal_voltage_v
    assert rms.min() == pytest.approx(case.level_pu, abs=1e-3) == pytest.approx(event.magnitude_pu, abs=1e-3)


def test_the_same_seed_gives_the_same_numbers_and_a_perfect_and_a_blind_contender_their_scores() -> None:
    truths = {case.problem.u.tobytes(): case.truth for case in cases_of(suite())}
    kinds = frozenset({"sag", "oscillatory_transient"})
    perfect = Contender("perfect", lambda problem: list(truths[problem.u.tobytes()]), kinds)
    blind = Contender("blind", lambda problem: [], kinds)
    ours = Contender("ours", halfcycle, kinds)
    results = [columns_of(run_detectors(suite(), [perfect, blind, ours])) for _ in range(2)]
    assert repr(results[0]) == repr(results[1])
    columns = results[0]
    whole = {
        name: i for i, (name, kind, group) in
        enumerate(zip(columns["contender"], columns["kind"], columns["group"], strict=True))
        if (kind, group) == ("all", "all")
    }  # fmt: skip
    assert [columns["f1"][whole[name]] for name in ("perfect", "ours")] == [1.0, 1.0]
    assert columns["recall"][whole["blind"]] == 0.0
    assert columns["n_true"][whole["blind"]] == 6


def test_what_noise_leaves_open_is_asked_of_nobody() -> None:
    # by hand: 0.03 pu in noise of 20 dB is hypot(0.03, 0.1) = 0.104 pu, in noise of 40 dB 0.032 pu
    case = next(iter(cases_of(suite())))
    interruption, sag = Detection("interruption", 0.1, 0.3, 0.03), Detection("sag", 0.1, 0.3, 0.5)
    assert is_open(interruption, snr_db=20.0, case=case)
    assert not is_open(interruption, snr_db=40.0, case=case)
    assert not is_open(sag, snr_db=20.0, case=case)
    assert is_open(Detection("swell", 0.1, 0.3, 1.101), snr_db=30.0, case=case)
    assert not is_open(Detection("swell", 0.1, 0.3, 1.101), snr_db=math.inf, case=case)


def test_ends_of_our_detections_are_those_of_the_waveform() -> None:
    cases = [case for case in cases_of(suite()) if case.kind == "sag"]
    for case in cases:
        (truth,) = case.truth
        (ours,) = (one for one in halfcycle(case.problem) if one.kind == "sag")
        assert abs(ours.stop_s - truth.stop_s) < 0.005  # a quarter of a cycle


def test_all_baselines_find_a_plain_sag_or_oscillation() -> None:
    pytest.importorskip("ruptures")
    problems = {case.kind: case for case in cases_of(suite()) if case.snr_db == 40.0}
    for name, contender in contenders().items():
        kind = "sag" if "sag" in contender.finds else "oscillatory_transient"
        case = problems[kind]
        found = contender.detect(case.problem)
        assert any(abs(one.start_s - case.truth[0].start_s) < 0.04 for one in found), name
        assert contender.detect(problems["nothing"].problem) == [], name


def test_what_is_wrong_in_a_suite_or_a_name_is_said(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="detectors-quick"):
        load_detector_suite("no such")
    with pytest.raises(ConfigError, match="pandas rolling RMS"):
        chosen(["no such"], contenders())
    for broken, words in (
        (SUITE.replace("level_pu = [0.3, 0.7]\n", ""), "needs level_pu"),
        (SUITE.replace("[0.3, 0.7]", "[0.7, 0.3]"), "must not exceed"),
        (SUITE.replace("[0.1, 0.4]", "[0.1, 1.4]"), "hold at most 0.4 s less"),
        (SUITE + "colour = 3\n", "colour"),
        ("seed = ", "not valid TOML"),
    ):
        path = tmp_path / "broken.toml"
        path.write_text(broken)
        with pytest.raises(ConfigError, match=words):
            load_detector_suite(str(path))


@pytest.mark.slow
def test_the_command_writes_a_table_that_says_where_it_comes_from_a_report_and_plots(
    suite_file: Path, tmp_path: Path
) -> None:
    pytest.importorskip("matplotlib")
    out = tmp_path / "out"
    done = run_code(
        COMMAND, "benchmark", "detectors", "--suite", str(suite_file), "--out", str(out), "--seed", "3",
        "--contenders", "halfcycle,scipy find_peaks",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "halfcycle: precision" in done.stdout
    table = pq.read_table(out / "small.parquet")
    origin = json.loads(table.schema.metadata[PROVENANCE_KEY])
    assert (origin["seed"], origin["versions"]["numpy"]) == (3, np.__version__)
    assert set(table.column("contender").to_pylist()) == {"halfcycle", "scipy find_peaks"}
    report = (out / "small.md").read_text()
    assert "Seed 3" in report
    assert "## By SNR" in report
    assert (out / "small-f1.png").read_bytes().startswith(b"\x89PNG")


def test_cases_are_taken_away_as_files_that_hold_the_samples_and_the_truth(suite_file: Path, tmp_path: Path) -> None:
    out = tmp_path / "cases"
    done = run_code(COMMAND, "benchmark", "export", "--suite", str(suite_file), "--out", str(out))
    assert done.returncode == 0, done.stderr
    said = json.loads((out / "suite.json").read_text())
    assert said["sha256"] in done.stdout
    cases = list(cases_of(suite()))
    assert said["cases"] == len(cases) == len(list((out / "waveforms").iterdir()))
    with (out / "cases.csv").open() as file:
        rows = list(csv.DictReader(file))
    for case, row in zip(cases, rows, strict=True):
        (capture,) = read_captures(out / row["file"])
        u = np.stack([capture.physical(i) for i in range(3)]).astype("<f4")
        assert np.array_equal(u, case.problem.u)
        assert hashlib.sha256(u.tobytes()).hexdigest() == row["sha256_of_samples"]
    with (out / "truth.csv").open() as file:
        truth = list(csv.DictReader(file))
    assert [(row["kind"], float(row["start_s"])) for row in truth] == [
        (one.kind, one.start_s) for case in cases for one in case.truth
    ]


def test_another_distribution_adds_a_contender_through_an_entry_point(tmp_path: Path, suite_file: Path) -> None:
    module = (
        "from halfcycle.pipeline.benchmark.contenders import Contender, Detection\n"
        "GUEST = Contender('guest', lambda problem: [Detection('sag', 0.0, 0.1, 0.5)], frozenset({'sag'}))\n"
    )
    code = guest_command(tmp_path, group="halfcycle.contenders", module=module)
    out = tmp_path / "out"
    done = run_code(
        code,
        "benchmark",
        "detectors",
        "--suite",
        str(suite_file),
        "--out",
        str(out),
        "--contenders",
        "guest",
        "--no-plots",
    )
    assert done.returncode == 0, done.stderr
    assert "guest: precision 0.000" in done.stdout


def _stumbles(problem: object) -> list[Detection]:
    raise RuntimeError("nothing to see")


def test_a_suite_gives_the_same_rows_over_processes_and_a_contender_that_fails_is_named(suite_file: Path) -> None:
    suite = load_detector_suite(str(suite_file))
    here = run_detectors(suite, list(contenders().values())[:2])
    with spread_apart(2) as apart:
        there = run_detectors(suite, list(contenders().values())[:2], spread=apart)
    assert there.rows == here.rows
    assert there.comparisons == here.comparisons
    with pytest.raises(SignalError, match=r"^case 0: unexpected RuntimeError.*nothing to see"):
        run_detectors(suite, [Contender("stumbles", _stumbles, frozenset({"sag"}))])
