"""The card of a model of causes: what it was trained on, how well it does on grids left out, what it cannot do."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.learning.cause_training import FOLDS, LeftOut
from halfcycle.pipeline.learning.scores import calibration_error, macro_f1, reliability_bins

_LEAST = 0.5  # probability of a named cause
_SURE = 0.95
_ABOUT = """# Model of causes

A forest on {n} windows of {cases} solved three-phase circuits (seed {seed}): low to high voltage, 50 and 60 Hz,
neutrals solid, through resistors or coils, or isolated; recorders of 1 to 30 kHz and 8 to 16 bits. Made by
`python tests/benchmarks/causes.py train`; the arrays are plain, see `classifiers/cause_model.py`.

Scores on families of grids that were left out of training (level, earthing and frequency together; {folds} parts):
"""
_LIMITS = """
Limits: what happens outside these kinds is `unknown` only where no kind fits; probabilities hold for networks like
these circuits, and promise too much on others. Banks beside others are told from single ones by the currents, where
what they exchange passes the monitor; trips and reclosings only where the record runs on for so long. No measured
record was trained on.
"""


def card_of(left_out: LeftOut, *, n_cases: int, seed: int) -> str:
    """The card in Markdown."""
    lines = [
        *_ABOUT.format(n=left_out.truth.size, cases=n_cases, seed=seed, folds=FOLDS).splitlines(),
        "",
        "| | windows | macro F1 | right at 0.95 and more | of all | ECE | unknown |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for known, name in ((1, "with currents"), (0, "voltages alone")):
        mine = left_out.has_currents == known
        sure, best = left_out.sure[mine], left_out.shares[mine].argmax(axis=1)
        truth = left_out.truth[mine]
        named = np.where(sure >= _LEAST, best, -1)
        answered, certain = named >= 0, sure >= _SURE
        f1 = macro_f1([left_out.causes[k] for k in truth], ["" if k < 0 else left_out.causes[k] for k in named])
        right = best == truth
        lines.append(
            f"| {name} | {truth.size} | {f1:.3f} | {_share(right[certain])} | {_share(certain)} | "
            f"{calibration_error(reliability_bins(sure[answered], right[answered])):.3f} | {_share(~answered)} |"
        )
    lines += ["", "| cause | windows | found | named rightly | most taken for |", "| --- | --- | --- | --- | --- |"]
    lines += _by_cause(left_out)
    lines += _LIMITS.splitlines()
    return "\n".join(lines)


def _by_cause(left_out: LeftOut) -> list[str]:
    best = left_out.shares.argmax(axis=1)
    lines = []
    for k, cause in enumerate(left_out.causes):
        mine = left_out.truth == k
        others = np.bincount(best[mine & (best != k)], minlength=len(left_out.causes))
        rival = f"{left_out.causes[int(others.argmax())]} ({others.max()})" if others.any() else ""
        found, rightly = _share(best[mine] == k), _share(left_out.truth[best == k] == k)
        lines.append(f"| {cause} | {mine.sum()} | {found} | {rightly} | {rival} |")
    return lines


def _share(mask: npt.NDArray[np.bool_]) -> str:
    return f"{100 * mask.mean():.1f} %" if mask.size else "–"
