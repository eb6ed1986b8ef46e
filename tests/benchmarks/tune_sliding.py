"""Tunes the baseline of a sliding RMS on cases of its own, within a stated budget, and prints the best settings.

python tests/benchmarks/tune_sliding.py
"""

from __future__ import annotations

from itertools import product

import numpy as np

from halfcycle.pipeline.benchmark.baselines import SlidingSettings, sliding_rms
from halfcycle.pipeline.benchmark.cases import cases_of
from halfcycle.pipeline.benchmark.scores import matched
from halfcycle.pipeline.benchmark.suite import load_detector_suite

SEED = 31_000  # of no suite
TRIALS = list(product((0.5, 1.0), (0.0, 0.01, 0.02, 0.03, 0.05), (0.5, 0.75, 0.9), (0.1, 0.25)))


def main() -> None:
    """Fewest errors, then the least error of the edges."""
    suite = load_detector_suite("detectors")
    families = tuple(
        family.model_copy(update={"count": 10}) for family in suite.families if family.kind in ("sag", "swell")
    )
    narrow = {"families": families, "rates_hz": (6400.0,), "snr_db": (float("inf"), 40.0, 30.0, 20.0)}
    cases = list(cases_of(suite.model_copy(update=narrow), seed=SEED))
    ranked = []
    for values in TRIALS:
        settings, errors, edges = SlidingSettings(*values), 0, []
        for case in cases:
            pairs, missed, false = matched(case.truth, sliding_rms(case.problem, settings))
            errors += len(missed) + len(false)
            edges += [abs(b.start_s - a.start_s) + abs(b.stop_s - a.stop_s) for a, b in pairs]
        ranked.append((errors, float(np.median(edges)), settings))
    print(f"{len(TRIALS)} trials on {len(cases)} cases")
    for errors, edge_s, settings in sorted(ranked, key=lambda one: one[:2])[:5]:
        print(errors, f"{1000 * edge_s:.2f} ms", settings)


if __name__ == "__main__":
    main()
