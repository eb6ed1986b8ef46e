"""Rows are what the judging revision says: whoever changes what is found raises it, and a plan then names stored days.

``PYTHONPATH=tests python -m test_judging_revision`` writes the rows of a new revision.
"""

from __future__ import annotations

import csv
import sys
import tempfile
from pathlib import Path

import pytest

from halfcycle.pipeline.api import screen
from halfcycle.pipeline.demo import build_demo_fleet
from halfcycle.pipeline.resources import JUDGING_REVISION

SOURCE = "the project's own design: rows of the demo at each judging revision, as noted when it was set"
DETECTORS = ("transient", "rapid_voltage_change", "harmonics", "unbalance")
WORDS = ("site", "kind", "category", "phases", "dip_type", "cause", "direction")
NUMBERS = {"duration_s": 2e-4, "magnitude": 2e-5, "frequency_hz": 2e-4, "cause_confidence": 2e-3}
"""Columns and how far two builds of the numerical libraries may part."""


def noted(revision: int) -> Path:
    return Path(__file__).parent / "judged" / f"revision_{revision}.csv"


def judged(folder: Path) -> list[dict[str, str]]:
    """The rows of the demo, ordered, their starts in milliseconds."""
    frame = screen(build_demo_fleet(folder).inbox, explain=True, detect=DETECTORS).to_pandas()
    rows = [
        {name: "" if row[name] is None or row[name] != row[name] else str(row[name]) for name in WORDS}
        | {"start": row["start"].isoformat(timespec="milliseconds")}
        | {name: "" if row[name] is None or row[name] != row[name] else f"{row[name]:.6g}" for name in NUMBERS}
        for row in frame.to_dict("records")
    ]
    return sorted(rows, key=lambda row: (row["start"], row["site"], row["kind"], row["phases"]))


@pytest.mark.slow
def test_the_rows_of_the_demo_are_those_of_this_judging_revision(tmp_path: Path) -> None:
    # SOURCE.
    path = noted(JUDGING_REVISION)
    assert path.is_file(), f"write the rows of revision {JUDGING_REVISION}: see this module"
    with path.open(encoding="utf-8", newline="") as stream:
        expected = list(csv.DictReader(stream))
    found = judged(tmp_path)
    told = "rows changed: raise resources.JUDGING_REVISION, and note the rows (see this module), or find the mistake"
    assert [[row[name] for name in WORDS] for row in found] == [[row[name] for name in WORDS] for row in expected], told
    for row, was in zip(found, expected, strict=True):
        for name, apart in NUMBERS.items():
            now, then = (float(one[name] or "nan") for one in (row, was))
            assert now == pytest.approx(then, abs=apart, nan_ok=True), f"{told}: {name} of {row}"


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        rows = judged(Path(folder))
    noted(JUDGING_REVISION).parent.mkdir(exist_ok=True)
    with noted(JUDGING_REVISION).open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    print(f"{len(rows)} rows: {noted(JUDGING_REVISION)}", file=sys.stderr)
