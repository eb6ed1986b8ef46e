"""The benchmark of classifiers: suites, contenders, results, and the command."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from forked import run_code
from made_distribution import guest_command

from halfcycle.pipeline.benchmark.classifier_contenders import (
    Answers,
    ClassifierContender,
    Halfcycle,
    Waves,
    classifier_contenders,
)
from halfcycle.pipeline.benchmark.classifier_report import sections_of, spread
from halfcycle.pipeline.benchmark.classifier_run import columns_of, confusion_columns, most_confused, run_classifiers
from halfcycle.pipeline.benchmark.classifier_suite import ClassifierSuite, load_classifier_suite
from halfcycle.pipeline.benchmark.results import PROVENANCE_KEY
from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.learning.family import TRAINING
from halfcycle.pipeline.learning.scores import coverage, reliability_bins

COMMAND = "from halfcycle.pipeline.cli import main; main()"
SUITE = """
seeds = [3, 4]
classes = [1, 2, 3, 5, 6, 10]
train_per_class = 40
test_per_class = 10

[[training]]
snr_db = [25.0, 50.0]

[[tests]]
name = "as trained"
snr_db = [inf, 30.0]

[[tests]]
name = "slow"
rate_hz = 3200.0
snr_db = [30.0]
"""


@pytest.fixture
def suite_file(tmp_path: Path) -> Path:
    path = tmp_path / "small.toml"
    path.write_text(SUITE)
    return path


def suite(**changed: object) -> ClassifierSuite:
    import tomllib

    return ClassifierSuite.model_validate(tomllib.loads(SUITE) | changed)


class Oracle:
    """Knows the test windows from a run before, and one class of each that it does not; tells half its confidence."""

    def __init__(self, seen: dict[bytes, int], *, wrong: int | None = None) -> None:
        self.seen, self.wrong = seen, wrong

    def fit(self, parts: list[tuple[Waves, np.ndarray]]) -> Oracle:
        assert sum(len(classes) for _, classes in parts) == 240
        return self

    def judge(self, waves: Waves) -> Answers:
        classes = np.array([self.seen[row.tobytes()] for row in waves.values])
        if self.wrong is not None:
            classes[classes == self.wrong] = 1
        return Answers(classes, np.full(len(classes), 0.5))


def seen_in(classes: ClassifierSuite) -> dict[bytes, int]:
    """Each test window of a suite and its class, in the order in which windows are drawn: class after class."""
    found: dict[bytes, int] = {}

    class Note:
        def fit(self, parts: object) -> Note:
            return self

        def judge(self, waves: Waves) -> Answers:
            truth = np.repeat(classes.classes, classes.test_per_class)
            found.update({row.tobytes(): int(k) for row, k in zip(waves.values, truth, strict=True)})
            return Answers(truth)

    run_classifiers(classes, [ClassifierContender("note", lambda seed: Note())])
    return found


def test_the_suites_of_the_project_can_be_loaded_and_the_large_one_has_the_training_of_the_command() -> None:
    small, usual, large = (load_classifier_suite(f"classifiers{end}") for end in ("-quick", "", "-large"))
    assert small.train_per_class < usual.train_per_class < large.train_per_class == 2000
    assert usual.seeds == large.seeds == (1, 2, 3, 4, 5)
    assert usual.tests == large.tests
    assert large.training_parts == TRAINING
    assert {math.inf, 40.0, 30.0, 20.0} == set(usual.tests[0].snr_db)
    assert len(usual.classes) == 29


def test_a_suite_may_be_like_one_that_is_like_another_but_not_like_itself(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text('like = "classifiers-large"\ntest_per_class = 7\n')
    mine, large = load_classifier_suite(str(path)), load_classifier_suite("classifiers-large")
    assert mine == large.model_copy(update={"test_per_class": 7})
    path.write_text(f'like = "{path}"\n')
    with pytest.raises(ConfigError, match="refers to itself"):
        load_classifier_suite(str(path))


def test_what_is_wrong_in_a_suite_is_said(tmp_path: Path) -> None:
    for broken, words in (
        (SUITE.replace("[1, 2, 3, 5, 6, 10]", "[1, 30]"), "classes has \\[30\\]"),
        (SUITE.replace("[1, 2, 3, 5, 6, 10]", "[1, 1]"), "each once"),
        (SUITE.replace('"slow"', '"as trained"'), "share a name"),
        (SUITE.replace("[inf, 30.0]", "[nan]"), "must be a number of decibels"),
        (SUITE + "colour = 3\n", "colour"),
        ('like = "no such"\n', "classifiers-quick"),
    ):
        path = tmp_path / "broken.toml"
        path.write_text(broken)
        with pytest.raises(ConfigError, match=words):
            load_classifier_suite(str(path))


def test_a_perfect_contender_has_the_scores_of_one_and_one_that_misses_a_class_those_worked_out_by_hand() -> None:
    """Of six classes one is called another: recall 1 and precision 1/2 there, F1 2/3; 0 for the lost one.

    Macro F1 (4 + 2/3 + 0) / 6; accuracy 5/6; confidence 1/2 where 5/6 are right: calibration error 1/3.
    """
    seen = seen_in(suite())
    perfect = ClassifierContender("perfect", lambda seed: Oracle(seen))
    lame = ClassifierContender("lame", lambda seed: Oracle(seen, wrong=2))
    result = run_classifiers(suite(), [perfect, lame])
    scores = {name: [row.scores for row in result.rows if row.contender == name] for name in ("perfect", "lame")}
    assert len(scores["perfect"]) == 2 * 3
    assert all((s.accuracy, s.macro_f1, s.joined_f1) == (1.0, 1.0, 1.0) for s in scores["perfect"])
    for one in scores["lame"]:
        np.testing.assert_allclose(one.accuracy, 5 / 6)
        np.testing.assert_allclose(one.macro_f1, (4 + 2 / 3) / 6)
        np.testing.assert_allclose(one.calibration_error, 1 / 3)
        assert math.isnan(one.rejected)
    counts = result.confusion["lame", "as trained", 30.0]
    assert most_confused(counts, 5) == [(2, 1, 1.0)]
    rows = confusion_columns(result)
    assert sum(rows["count"]) == 2 * 2 * 3 * 60  # contenders, seeds, tests, windows


@pytest.mark.long
def test_the_same_seeds_give_the_same_numbers_and_ours_names_six_plain_classes() -> None:
    """Of 180 windows with some 5 % wrong, the share right has a deviation of 1.7 points; of 60 alone it has 2.8."""
    ours = ClassifierContender("ours", Halfcycle)
    results = [run_classifiers(suite(seeds=(5,)), [ours]) for _ in range(2)]
    assert repr(columns_of(results[0])) == repr(columns_of(results[1]))
    assert repr(confusion_columns(results[0])) == repr(confusion_columns(results[1]))
    assert columns_of(results[0]) != columns_of(run_classifiers(suite(seeds=(6,)), [ours]))
    assert np.mean([row.scores.macro_f1 for row in results[0].rows]) > 0.9
    assert all(row.scores.rejected < 0.3 for row in results[0].rows if (row.test, row.snr_db) == ("as trained", 30.0))


@pytest.mark.long
def test_a_class_left_out_is_told_to_be_unknown_and_bounds_stand_beside_confused_pairs() -> None:
    ours = ClassifierContender("ours", Halfcycle)
    result = run_classifiers(suite(seeds=(5,), left_out_per_class=40), [ours])
    assert set(result.left_out["ours"]) == {1, 2, 3, 5, 6, 10}
    assert result.left_out["ours"][6] > 0.6  # an oscillation among steps, flicker and impulses
    text = "\n".join(sections_of(result))
    assert "Classes left out" in text
    assert "as trained" in text
    assert all(0 <= bound.least_error_known <= 0.5 for bound in result.bounds)


COMPILED = (
    "MiniRocket + ridge",
    "catch22 + random forest",
)  # by their library at first use, which takes a minute or two


@pytest.mark.long
@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("compiled", [False, pytest.param(True, marks=pytest.mark.exam)])
def test_every_baseline_is_better_than_chance(*, compiled: bool) -> None:
    """Six classes as often each: chance is 1/6."""
    known = classifier_contenders()
    assert next(iter(known)) == "halfcycle"
    assert set(COMPILED) < set(known)
    names = [name for name in known if (name in COMPILED) == compiled]
    result = run_classifiers(suite(seeds=(5,), train_per_class=100), [known[name] for name in names])
    for name in names:
        assert max(row.scores.accuracy for row in result.rows if row.contender == name) > 0.3, name


def test_coverage_is_the_share_answered_and_right_where_less_sure_answers_are_withheld() -> None:
    # By hand: of four answers two are of 0.95, one of them right, and two of 0.55, both right.
    bins = reliability_bins(np.array([0.95, 0.95, 0.55, 0.55]), np.array([True, False, True, True]))
    kept = coverage(bins)
    assert kept[[0, 5]].tolist() == [[1.0, 0.75]] * 2
    assert kept[[6, 9]].tolist() == [[0.5, 0.5]] * 2
    assert np.isnan(coverage(reliability_bins(np.array([0.1]), np.array([True])))[5, 1])


def test_a_spread_is_a_mean_and_a_standard_deviation() -> None:
    """statistics: 2, 4, 6 have mean 4 and sample standard deviation 2."""
    assert spread([2.0, 4.0, 6.0], ".1f") == "4.0 ± 2.0"
    assert spread([math.nan]) == "–"


@pytest.mark.long
def test_the_command_writes_tables_that_say_where_they_come_from_a_report_and_plots(
    suite_file: Path, tmp_path: Path
) -> None:
    pytest.importorskip("matplotlib")
    out = tmp_path / "out"
    done = run_code(
        COMMAND, "benchmark", "classifiers", "--suite", str(suite_file), "--out", str(out), "--seeds", "7,8",
        "--contenders", "halfcycle,multi-layer perceptron",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "halfcycle: macro F1" in done.stdout
    table = pq.read_table(out / "small.parquet")
    origin = json.loads(table.schema.metadata[PROVENANCE_KEY])
    assert (origin["seed"], origin["versions"]["numpy"]) == ([7, 8], np.__version__)
    assert set(table.column("contender").to_pylist()) == {"halfcycle", "multi-layer perceptron"}
    confusion = pq.read_table(out / "small-confusion.parquet")
    assert sum(confusion.column("count").to_pylist()) == table.num_rows * 60
    report = (out / "small.md").read_text()
    assert "Seed 7, 8" in report
    for title in ("## Classes", "## Loss of macro F1", "## F1 of each primitive", "## Most confused", "## Time"):
        assert title in report
    for what in (
        "accuracy",
        "macro-f1",
        "reliability",
        "coverage",
        "confusion-halfcycle",
        "confusion-multi-layer-perceptron",
    ):
        assert (out / f"small-{what}.png").read_bytes().startswith(b"\x89PNG")
    refused = run_code(COMMAND, "benchmark", "classifiers", "--suite", str(suite_file), "--seeds", "one")
    assert refused.returncode == 2
    assert "whole numbers" in refused.stderr


@pytest.mark.slow
def test_another_distribution_adds_a_classifier_through_an_entry_point(tmp_path: Path, suite_file: Path) -> None:
    module = (
        "import numpy as np\n"
        "from halfcycle.pipeline.benchmark.classifier_contenders import Answers, ClassifierContender\n"
        "class Guest:\n"
        "    def fit(self, parts): return self\n"
        "    def judge(self, waves): return Answers(np.ones(len(waves.values), dtype=np.int64))\n"
        "GUEST = ClassifierContender('guest', lambda seed: Guest())\n"
    )
    code = guest_command(tmp_path, group="halfcycle.classifiers", module=module)
    done = run_code(
        code, "benchmark", "classifiers", "--suite", str(suite_file), "--out", str(tmp_path / "out"),
        "--contenders", "guest", "--no-plots",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    # one class of six: F1 of it 2 (1/6) / (1 + 1/6) = 2/7, a sixth of that is 0.048
    assert "guest: macro F1 0.048 at no noise" in done.stdout
