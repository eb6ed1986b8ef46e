"""Suites of circuits as files: the same samples and truth as drawn, and the same digest for whoever draws them."""

from __future__ import annotations

import csv
import hashlib
import json
from pathlib import Path

import numpy as np
import pytest
from forked import run_code

from halfcycle.pipeline.benchmark.circuits import circuits_of, load_circuit_suite
from halfcycle.pipeline.readers import read_captures
from halfcycle.pipeline.synthesis.circuit.family import draw_case

COMMAND = "from halfcycle.pipeline.cli import main; main()"


@pytest.mark.long
def test_the_cases_are_exported_with_their_truth_and_digests(tmp_path: Path) -> None:
    suite, out = tmp_path / "small.toml", tmp_path / "out"
    suite.write_text('like = "circuits"\ncircuits = 3\nseed = 5\n')
    done = run_code(COMMAND, "benchmark", "export", "--suite", str(suite), "--out", str(out))
    assert done.returncode == 0, done.stderr
    said = json.loads((out / "suite.json").read_text())
    assert said["sha256"] in done.stdout
    assert (said["cases"], said["seed"]) == (3, 5)
    cases = list(circuits_of(load_circuit_suite(str(suite))))
    assert np.array_equal(cases[2].u_v, draw_case(5, 2).kept().u_v)
    with (out / "cases.csv").open() as file:
        rows = list(csv.DictReader(file))
    for case, row in zip(cases, rows, strict=True):
        (capture,) = read_captures(out / row["file"])
        samples = np.stack([capture.physical(i) for i in range(6)]).astype("<f4")
        assert np.array_equal(samples, np.concatenate((case.u_v, case.i_a)))
        assert hashlib.sha256(samples.tobytes()).hexdigest() == row["sha256_of_samples"]
        assert float(row["rate_hz"]) == capture.header.rate_hz
    whole = hashlib.sha256("".join(row["sha256_of_samples"] for row in rows).encode()).hexdigest()
    assert said["sha256"] == whole
    with (out / "truth.csv").open() as file:
        truth = list(csv.DictReader(file))
    assert [(row["cause"], row["side"], float(row["start_s"])) for row in truth] == [
        (one.cause, case.side, round(one.start_s, 9)) for case in cases for one in case.events
    ]


def test_a_suite_of_circuits_is_no_suite_of_detectors(tmp_path: Path) -> None:
    done = run_code(COMMAND, "benchmark", "detectors", "--suite", "circuits-quick", "--out", str(tmp_path))
    assert done.returncode == 2
    assert "circuits" in done.stderr
