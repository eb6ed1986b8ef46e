"""Suites of solved circuits: recordings of random grids whose causes and sides are known, as files to take away."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from halfcycle.pipeline.benchmark.export import case_digest, write_cases
from halfcycle.pipeline.benchmark.suite import load_suite
from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.synthesis.circuit.family import CircuitCase, draw_case
from halfcycle.pipeline.writers.parquet import write_waveform_parquet

_CASES: Final = (
    "file",
    "sha256_of_samples",
    "rate_hz",
    "nominal_voltage_v",
    "nominal_frequency_hz",
    "grids",
    "seconds",
)
_TRUTH: Final = ("file", "cause", "cause_by_voltages", "side", "start_s")


class CircuitSuite(BaseModel):
    """A suite of circuits; its keys are explained in ``datasets/benchmarks/circuits.toml``."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    seed: int = Field(ge=0)
    circuits: int = Field(ge=1)


def load_circuit_suite(name: str) -> CircuitSuite:
    """A suite of circuits, by name or path.

    Raises
    ------
    ConfigError : see `suite.load_suite`.
    """
    return load_suite(name, CircuitSuite)[1]


def circuits_of(
    suite: CircuitSuite, *, seed: int | None = None, numbers: Iterable[int] | None = None
) -> Iterator[CircuitCase]:
    """The cases of a suite, or some of them by number; each depends on the seed and its place alone."""
    for k in range(suite.circuits) if numbers is None else numbers:
        yield draw_case(suite.seed if seed is None else seed, k).kept()


def side_of(case: CircuitCase) -> str:
    """The side of the monitor on which what happens first lies; "" of an open phase.

    There the place that was drawn is that of the load or of a fault, and what the monitor sees is the pole that opens.
    """
    return "" if case.events[0].cause == "open phase" else case.side


def export_circuits(
    suite: CircuitSuite,
    folder: Path,
    *,
    origin: Mapping[str, Any],
    seed: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> str:
    """As `export.export_cases`, of circuits: six channels each, and of each thing that happens its cause and side.

    Returns
    -------
    SHA-256 over the digests of all cases in order.
    """
    (folder / "waveforms").mkdir(parents=True, exist_ok=True)
    cases: list[Sequence[object]] = []
    truth: list[Sequence[object]] = []
    whole = sha256()
    for k, case in enumerate(circuits_of(suite, seed=seed)):
        name = f"waveforms/{k:05d}.parquet"
        samples = np.concatenate((case.u_v, case.i_a)).astype("<f4") + np.float32(0)  # no zero has a minus sign
        digest = case_digest(samples)
        whole.update(digest.encode())
        write_waveform_parquet(_capture(case, samples, k), folder / name)
        seconds = round(samples.shape[1] / case.rate_hz, 6)
        cases.append((name, digest, case.rate_hz, case.nominal_v, case.nominal_hz, case.group, seconds))
        # The side is that of the first; what follows on the same grid is its consequence.
        truth += [
            (name, one.cause, one.cause_by_voltage or "", side_of(case), round(one.start_s, 9)) for one in case.events
        ]
        if progress is not None:
            progress(k + 1, suite.circuits)
    said = {**origin, "cases": len(cases), "sha256": whole.hexdigest(), "settings": suite.model_dump(mode="json")}
    write_cases(folder, (_CASES, cases), (_TRUTH, truth), said)
    return whole.hexdigest()


def _capture(case: CircuitCase, samples: np.ndarray, k: int) -> Capture:
    channels = tuple(Channel(f"U{phase}", "voltage", phase, "V") for phase in "ABC")
    channels += tuple(Channel(f"I{phase}", "current", phase, "A") for phase in "ABC")
    header = Header(f"case {k:05d}", 0, case.rate_hz, samples.shape[1], channels, "float32", case.nominal_hz)
    return Capture(header, samples)
