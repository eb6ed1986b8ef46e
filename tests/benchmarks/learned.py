"""The learned classifier against its bars: fresh windows, other recordings, classes left out, speed. Prints Markdown.

python tests/benchmarks/learned.py                        all of it, about ten minutes on one core
python tests/benchmarks/learned.py noise elsewhere strangers speed      some of it, by name
"""

from __future__ import annotations

import platform
import sys
import time
from dataclasses import replace

import numpy as np
from threadpoolctl import threadpool_limits

from classifiers.learned.features import extract
from classifiers.learned.model import DisturbanceClassifier
from pipeline.learning.family import (
    CLEAN,
    TRAINING,
    WINDOWS_PER_CLASS,
    LabelledFeatures,
    Scores,
    at_noise,
    labelled_features,
    score,
)
from pipeline.synthesis.parametric import FORMS, IMPULSE, PRIMITIVES, parametric_windows

TRAINING_SEEDS = (1, 2, 3)
TEST_PER_CLASS = 100
LEVELS_DB = (None, 40.0, 30.0, 20.0)
BARS = {None: (0.93, 0.992), 40.0: (0.93, 0.987), 30.0: (0.91, 0.970), 20.0: (0.85, 0.940)}
ELSEWHERE = {
    "1.6 kHz": {"rate_hz": 1600.0}, "3.2 kHz": {"rate_hz": 3200.0}, "6.4 kHz": {"rate_hz": 6400.0},
    "30 kHz": {"rate_hz": 30e3}, "60 Hz": {"nominal_hz": 60.0},
    "60 Hz, 3.84 kHz": {"nominal_hz": 60.0, "rate_hz": 3840.0},
    "frequency ± 1 %": {"frequency_deviation": (-0.01, 0.01)}, "background THD 5 %": {"background_thd": (0.05, 0.05)},
    "12 bits": {"bits": 12}, "8 bits": {"bits": 8},
}  # fmt: skip


def spread(values: list[float]) -> str:
    """Mean and standard deviation over the seeds."""
    return f"{np.mean(values):.4f} ± {np.std(values, ddof=1):.4f}" if len(values) > 1 else f"{values[0]:.4f}"


def trained(drawn: LabelledFeatures, *, seed: int) -> DisturbanceClassifier:
    """A model of default settings."""
    return DisturbanceClassifier(random_state=seed).fit(drawn.features, drawn.classes, drawn.primitives)


def default_sets(n_per_class: int) -> list[LabelledFeatures]:
    """One training set for each seed, and how long the first takes with its training."""
    return [labelled_features(n_per_class, conditions=TRAINING, seed=seed) for seed in TRAINING_SEEDS]


def bench_noise(models: list[DisturbanceClassifier]) -> None:
    """Scores by level of noise, over training and test seeds."""
    print("\n| SNR | macro-F1 (bar) | pairs joined (bar) | calibration error | called unknown |")
    print("| --- | --- | --- | --- | --- |")
    of_level: dict[float | None, list[Scores]] = {}
    for snr_db in LEVELS_DB:
        found = []
        for i, model in enumerate(models):
            truth = labelled_features(TEST_PER_CLASS, conditions=at_noise(snr_db), seed=100 + i)
            found.append(score(model.judge(truth.features), truth))
        of_level[snr_db] = found
        plain, joined = BARS[snr_db]
        name = "none" if snr_db is None else f"{snr_db:.0f} dB"
        print(
            f"| {name} | {spread([s.macro_f1 for s in found])} ({plain}) | {spread([s.joined_f1 for s in found])} "
            f"({joined}) | {spread([s.calibration_error for s in found])} | "
            f"{np.mean([s.rejected for s in found]):.3f} |",
            flush=True,
        )
        assert np.mean([s.macro_f1 for s in found]) >= plain
    print("\n| primitive | none | 40 dB (0.99) | 30 dB | 20 dB (0.97) |\n| --- | --- | --- | --- | --- |")
    for k, name in enumerate(PRIMITIVES):
        print(f"| {name} | " + " | ".join(spread([s.primitive_f1[k] for s in of_level[v]]) for v in LEVELS_DB) + " |")
    bench_impulses(models[0])


def bench_impulses(model: DisturbanceClassifier) -> None:
    """Share of impulses found, by the size of their peak."""
    print("\n| impulse's peak | found at 40 dB | 30 dB | 20 dB |\n| --- | --- | --- | --- |")
    edges = 0.2366 * np.linspace(*IMPULSE, 5)
    found = {}
    for snr_db in (40.0, 30.0, 20.0):
        drawn = parametric_windows(500, conditions=at_noise(snr_db), seed=200, classes=(5,))
        features = extract(drawn.values, rate_hz=drawn.conditions.rate_hz, nominal_hz=drawn.conditions.nominal_hz)
        there = model.predict_primitives(features)[:, PRIMITIVES.index("impulse")] > 0.5
        place = np.digitize(0.2366 * drawn.parameters[0].psi, edges[1:-1])
        found[snr_db] = [float(there[place == i].mean()) for i in range(4)]
    for i in range(4):
        cells = " | ".join(f"{shares[i]:.3f}" for shares in found.values())
        print(f"| {edges[i]:.3f} to {edges[i + 1]:.3f} pu | {cells} |")


def bench_elsewhere(models: list[DisturbanceClassifier]) -> None:
    """What recordings outside the training cost, at no noise, 40 and 30 dB."""
    print("\n| recording | points lost: no noise | 40 dB | 30 dB | (bar 2) |\n| --- | --- | --- | --- | --- |")
    levels = (None, 40.0, 30.0)
    base = {snr_db: scores_of(models, at_noise(snr_db)) for snr_db in levels}
    for name, changed in ELSEWHERE.items():
        cells = []
        for snr_db in levels:
            lost = base[snr_db] - scores_of(models, at_noise(snr_db, conditions=replace(CLEAN, **changed)))
            cells.append(f"{100 * lost.mean():.2f} ± {100 * lost.std(ddof=1):.2f}")
        print(f"| {name} | {' | '.join(cells)} | |", flush=True)


def scores_of(models: list[DisturbanceClassifier], conditions: object) -> np.ndarray:
    """Macro-F1 of each model on one set of 50 windows a class."""
    truth = labelled_features(50, conditions=conditions, seed=300)  # type: ignore[arg-type]
    return np.array([score(model.judge(truth.features), truth).macro_f1 for model in models])


def bench_strangers(drawn: LabelledFeatures) -> None:
    """Each class left out of a training in turn: the share of it that is called unknown, by its 400 windows."""
    shares = {}
    kept = np.concatenate([np.flatnonzero(drawn.classes == number)[:400] for number in FORMS])
    small = LabelledFeatures(*(getattr(drawn, name)[kept] for name in ("features", "classes", "primitives", "snr_db")))
    for number in FORMS:
        own = small.classes == number
        model = DisturbanceClassifier(n_trees=60, random_state=1, n_primitive_trees=60)
        model.fit(small.features[~own], small.classes[~own], small.primitives[~own])
        shares[number] = 1 - float(model.known(small.features[own]).mean())
    print(f"\nClasses left out, mean share called unknown: {np.mean(list(shares.values())):.3f} (bar 0.80)")
    print("; ".join(f"{number} {share:.2f}" for number, share in shares.items()))


def bench_speed(model: DisturbanceClassifier) -> None:
    """Windows a second on one core, from samples to judgement."""
    drawn = parametric_windows(36, conditions=at_noise(30.0), seed=400)
    x = drawn.values[np.random.default_rng(0).permutation(len(drawn.values))][:1024]

    def run() -> int:
        return len(model.judge(extract(x, rate_hz=16e3, nominal_hz=50.0)).classes)

    run()
    wall, cpu = [], []
    for _ in range(5):
        start, processor = time.perf_counter(), time.process_time()
        assert run() == len(x)
        wall.append(time.perf_counter() - start)
        cpu.append(time.process_time() - processor)
    rates = [len(x) / min(times) for times in (cpu, wall)]
    print(f"\nWindows a second, one core: {rates[0]:.0f} of processor time, {rates[1]:.0f} of wall time (bar 5000)")


def main() -> None:
    """Run what is named, or all."""
    wanted = sys.argv[1:] or ["noise", "elsewhere", "strangers", "speed"]
    n_per_class = WINDOWS_PER_CLASS
    print(f"Python {platform.python_version()}, NumPy {np.__version__}; {n_per_class} windows a class to train with")
    with threadpool_limits(1):
        start = time.perf_counter()
        sets = default_sets(n_per_class)
        models = [trained(drawn, seed=seed) for drawn, seed in zip(sets, TRAINING_SEEDS, strict=True)]
        took_s = (time.perf_counter() - start) / len(models)
        print(f"Drawing and training, a model: {took_s:.0f} s on one core (bar 600 on two)")
        if "noise" in wanted:
            bench_noise(models)
        if "elsewhere" in wanted:
            bench_elsewhere(models)
        if "strangers" in wanted:
            bench_strangers(sets[0])
        if "speed" in wanted:
            bench_speed(models[0])


if __name__ == "__main__":
    main()
