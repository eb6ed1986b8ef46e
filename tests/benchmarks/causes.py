"""Draws cases of random grids, or trains the model of causes on them and writes it with its card.

python tests/benchmarks/causes.py draw --cases 100 --seed 1 --out FOLDER
python tests/benchmarks/causes.py train --cases 6000 --seed 1 --out datasets/causes
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from halfcycle.pipeline.learning.cause_card import card_of
from halfcycle.pipeline.learning.cause_training import train
from halfcycle.pipeline.learning.cause_windows import Example, examples_of
from halfcycle.pipeline.synthesis.circuit.family import CircuitCase, draw_case


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=("draw", "train"))
    parser.add_argument("--cases", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, required=True)
    wanted = parser.parse_args()
    wanted.out.mkdir(parents=True, exist_ok=True)
    cases = drawn(wanted.seed, wanted.cases)
    if wanted.what == "draw":
        for k, case in cases:
            write_case(wanted.out / f"{k:06d}.npz", case)
        return
    examples: list[Example] = [example for k, case in cases for example in examples_of(case, k, wanted.seed)]
    write_model(examples, n_cases=wanted.cases, seed=wanted.seed, out=wanted.out)


def drawn(seed: int, n_cases: int) -> Iterator[tuple[int, CircuitCase]]:
    """The cases with their numbers; samples as a recorder keeps them."""
    for k in range(n_cases):
        yield k, draw_case(seed, k).kept()


def write_case(path: Path, case: CircuitCase) -> None:
    """Waveforms and truth of a case."""
    np.savez_compressed(
        path, u_v=case.u_v, i_a=case.i_a, rate_hz=case.rate_hz, nominal_v=case.nominal_v, nominal_hz=case.nominal_hz,
        causes=[event.cause for event in case.events], starts_s=[event.start_s for event in case.events],
        side=case.side, group=case.group,
    )  # fmt: skip


def write_model(examples: list[Example], *, n_cases: int, seed: int, out: Path) -> None:
    """Model and card."""
    model, left_out = train(examples, seed=seed)
    model.write(out / "model.npz")
    (out / "card.md").write_text(card_of(left_out, n_cases=n_cases, seed=seed), encoding="utf-8")


if __name__ == "__main__":
    main()
