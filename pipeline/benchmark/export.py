"""The cases of a suite as files to take away: waveforms in Parquet, the truth in tables, digests of the samples."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping, Sequence
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.benchmark.cases import Case, cases_of, n_cases
from halfcycle.pipeline.benchmark.results import write_csv
from halfcycle.pipeline.benchmark.suite import DetectorSuite
from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.store.atomic import write_text_atomically
from halfcycle.pipeline.writers.parquet import write_waveform_parquet

_CASES: Final = (
    "file", "sha256_of_samples", "kind", "level_pu", "snr_db", "seconds", "rate_hz", "nominal_voltage_v",
    "nominal_frequency_hz",
)  # fmt: skip
_TRUTH: Final = ("file", "kind", "start_s", "stop_s", "magnitude_pu")
Table = tuple[Sequence[str], Sequence[Sequence[object]]]  # names of the columns, and rows


def export_cases(
    suite: DetectorSuite,
    folder: Path,
    *,
    origin: Mapping[str, Any],
    seed: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> str:
    """Write a suite's cases below a folder, each file whole or not at all.

    Parameters
    ----------
    suite : the cases.
    folder : gets ``waveforms/``, ``cases.csv``, ``truth.csv`` and ``suite.json``; made where it is not there.
    origin : of `results.provenance`.
    seed : instead of the suite's.
    progress : called with (done, all) cases.

    Returns
    -------
    SHA-256 over the digests of all cases in order, each of its samples as little-endian float32, phase after phase:
    whoever has the same digest has the same suite.
    """
    (folder / "waveforms").mkdir(parents=True, exist_ok=True)
    cases: list[Sequence[object]] = []
    truth: list[Sequence[object]] = []
    whole = sha256()
    for case in cases_of(suite, seed=seed):
        name = f"waveforms/{case.index:05d}.parquet"
        digest = case_digest(case.problem.u)
        whole.update(digest.encode())
        write_waveform_parquet(_capture(case), folder / name)
        p = case.problem
        cases.append((
            name, digest, case.kind, "" if math.isnan(case.level_pu) else round(case.level_pu, 6), case.snr_db,
            case.seconds, p.rate_hz, p.nominal_voltage_v, p.nominal_frequency_hz,
        ))  # fmt: skip
        truth += [(name, one.kind, one.start_s, one.stop_s, one.magnitude_pu) for one in case.truth]
        if progress is not None:
            progress(case.index + 1, n_cases(suite))
    said = {**origin, "cases": len(cases), "sha256": whole.hexdigest(), "settings": suite.model_dump(mode="json")}
    write_cases(folder, (_CASES, cases), (_TRUTH, truth), said)
    return whole.hexdigest()


def case_digest(samples: npt.NDArray[np.floating]) -> str:
    """SHA-256 of a case's samples as little-endian float32, channel after channel."""
    return sha256(samples.astype("<f4").tobytes()).hexdigest()


def write_cases(folder: Path, cases: Table, truth: Table, said: Mapping[str, Any]) -> None:
    """The tables of a suite's cases and of their truth, and what the suite is; the last says that all is there."""
    write_csv(folder / "truth.csv", *truth)
    write_csv(folder / "cases.csv", *cases)
    write_text_atomically(folder / "suite.json", json.dumps(said, indent=1) + "\n")


def _capture(case: Case) -> Capture:
    p = case.problem
    channels = tuple(Channel(f"U{phase}", "voltage", phase, "V") for phase in "ABC")
    header = Header(
        f"case {case.index:05d}", 0, p.rate_hz, p.u.shape[1], channels, "float32", p.nominal_frequency_hz
    )  # fmt: skip
    return Capture(header, p.u)
