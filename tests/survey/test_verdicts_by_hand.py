"""Verdicts on drawn weeks through the command, against counts made by hand: nothing of the engine is used beside it."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from made_fleet import halfcycle

SOURCE = "EN 50160:2010, 4.2.2.2 (95 % of a week within 10 %: found; always within -15 % and +10 %: memory); by hand"
N = 1008  # intervals of ten minutes in a week: 50 are 4.96 % of them, 51 are 5.06 %
START = datetime(2026, 3, 2, tzinfo=UTC)
WITHIN = (207.0, 253.0, 230.0, 207.001, 252.999)  # of 230 V: exactly 90 % and 110 % are within
BEYOND = (206.999, 253.001, 200.0, 260.0)


@dataclass(frozen=True)
class Week:
    """Levels of one phase, NaN where the interval is missing."""

    name: str
    volts: np.ndarray

    def expected(self) -> dict[str, str]:
        """By counting: what is missing may have been within or beyond, and a verdict must hold for both."""
        known = self.volts[~np.isnan(self.volts)]
        n_missing = N - known.size
        n_beyond = sum(1 for u in known if u < 207.0 or u > 253.0)
        n_never = sum(1 for u in known if u < 195.5 or u > 253.0)
        of_week = "exceeded" if n_beyond > 50 else "met" if n_beyond + n_missing <= 50 else "cannot tell"
        always = "exceeded" if n_never else "met" if not n_missing else "cannot tell"
        return {"voltage, 95 % of a week": of_week, "voltage, always": always}


def weeks() -> Iterator[Week]:
    rng = np.random.default_rng(20260302)
    cases = [
        (0, 0), (50, 0), (51, 0), (49, 1), (50, 1), (0, 50), (0, 51), (51, 300), (0, 300), (300, 0), (1, 0), (25, 25),
        (25, 26), (52, 100), (1, 49), (2, 49),
    ]  # fmt: skip
    for k, (n_beyond, n_missing) in enumerate(cases):
        volts = rng.choice(WITHIN, N)
        order = rng.permutation(np.arange(1, N - 1))  # the first and the last row are there: they make the week
        volts[order[:n_beyond]] = rng.choice(BEYOND, n_beyond)
        volts[order[n_beyond : n_beyond + n_missing]] = np.nan
        yield Week(f"W{k:02}", volts)
    low = np.full(N, 230.0)
    low[500] = 195.499  # a single interval below -15 %
    yield Week("W90", low)
    yield Week("W91", np.where(np.arange(N) == 3, 195.5, 230.0))  # exactly -15 %: within


@pytest.mark.slow
def test_weeks_are_met_exceeded_or_left_open_as_counted_by_hand(tmp_path: Path) -> None:
    drawn = list(weeks())
    for week in drawn:
        lines = [f"# station: {week.name}", "time,U L1 avg (V)"]
        for i, volts in enumerate(week.volts):
            if not np.isnan(volts):
                lines.append(f"{(START + timedelta(minutes=10 * i)).isoformat()[:-6]}Z,{volts:.3f}")
        (tmp_path / f"{week.name}.csv").write_text("\n".join(lines) + "\n")
    out = tmp_path / "verdicts.csv"
    done = halfcycle(
        "measure", tmp_path, "--limits", "en-50160-lv", "--verdicts", out, "--nominal-voltage", "230"
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    found: dict[tuple[str, str], list[str]] = {}
    for row in csv.DictReader(out.read_text().splitlines()):
        if row["series"] == "u_rms_a":
            found.setdefault((row["site"], row["limit"]), []).append(row["verdict"])
    wrong = {
        (week.name, limit): (found.get((week.name, limit)), verdict)
        for week in drawn
        for limit, verdict in week.expected().items()
        if found.get((week.name, limit)) != [verdict]
    }
    assert not wrong
    assert {verdict for week in drawn for verdict in week.expected().values()} == {"met", "exceeded", "cannot tell"}
