"""A site that declares which side it calls its own: what a screening, a night, `why` and a report say of it.

SOURCE: solved circuits whose faults lie downstream or upstream; our own convention of sides (docs/consultant.md).
"""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pytest
from made_circuits import FREQUENCY_HZ, NOMINAL_V, RATE_HZ, fault_case
from made_fleet import halfcycle, ns

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.catalogue.own_side import OTHER, OWN, with_own_side
from halfcycle.pipeline.catalogue.reading import read_events
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.settings import Site
from halfcycle.pipeline.terms import Side
from halfcycle.pipeline.writers.parquet import write_waveform_parquet

pytestmark = pytest.mark.slow

SITE = f"""
[[sites]]
name = "Tannery"
nominal_voltage_v = {NOMINAL_V / np.sqrt(3):.6g}
nominal_frequency_hz = 50
hookup = "four-wire"
stations = ["Tannery"]
clamps_checked = true
"""
FLEET = """
inbox = "inbox"
store = "store"
processed = "processed"
quarantine = "quarantine"
explain = true
[run]
settle_s = 0.0
"""


def written(path: Path, place: Side, start: str) -> None:
    case = fault_case(np.random.default_rng([1, 77]), place=place)
    samples = np.concatenate([case.noisy_u, case.noisy_i]).astype(np.float32)
    channels = tuple(Channel(f"U{p}", "voltage", p, "V") for p in "ABC")
    channels += tuple(Channel(f"I{p}", "current", p, "A") for p in "ABC")
    header = Header("Tannery", ns(start), RATE_HZ, samples.shape[1], channels, "float32", FREQUENCY_HZ)
    path.parent.mkdir(parents=True, exist_ok=True)
    write_waveform_parquet(Capture(header, samples), path)


def inputs(folder: Path) -> None:
    for hour, place in ((6, "downstream"), (7, "upstream")):
        written(folder / f"{place}.parquet", place, f"2026-03-02T0{hour}:00:00")  # type: ignore[arg-type]


def ends(events: list[Event]) -> dict[str | None, str]:
    """The last reason of each event, by its direction."""
    return {event.direction: (event.why or "").rpartition("; ")[2] for event in events}


def said(own_side: Side) -> dict[str | None, str]:
    other = "upstream" if own_side == "downstream" else "downstream"
    return {own_side: OWN, other: OTHER}


@pytest.mark.parametrize("own_side", ["downstream", "upstream"])
@pytest.mark.long
def test_screening_why_and_report_say_whether_it_came_from_there(tmp_path: Path, own_side: Side) -> None:
    inputs(tmp_path / "in")
    plain = halfcycle("screen", "in", "--out", "plain.csv", "--explain", cwd=tmp_path)
    assert plain.returncode == 0, plain.stderr
    assert not {OWN, OTHER} & set(ends(read_events(tmp_path / "plain.csv")).values())
    (tmp_path / "sites.toml").write_text(f'{SITE}own_side = "{own_side}"\n', encoding="utf-8")
    done = halfcycle("screen", "in", "--out", "e.csv", "--explain", "--sites", "sites.toml", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert ends(read_events(tmp_path / "e.csv")) == said(own_side)
    told = halfcycle("why", "all", "e.csv", cwd=tmp_path)
    assert told.returncode == 0, told.stdout + told.stderr
    one = next(event for event in read_events(tmp_path / "e.csv") if event.direction == own_side)
    assert f"evidence: {OWN}" in halfcycle("why", one.event_id, "e.csv", cwd=tmp_path).stdout
    made = halfcycle("report", "e.csv", "--out", "r.html", "--sites", "sites.toml", cwd=tmp_path)
    assert made.returncode == 0, made.stderr
    page = (tmp_path / "r.html").read_text(encoding="utf-8").replace("&#x27;", "'").replace("&#39;", "'")
    assert page.count(OWN) >= 2  # as a part of OTHER, too
    assert OTHER in page


def test_a_night_says_it_by_the_settings_of_the_day(tmp_path: Path) -> None:
    inputs(tmp_path / "inbox")
    changes = '[[sites.changes]]\nvalid_from = 2026-03-01\nown_side = "upstream"\n'
    (tmp_path / "fleet.toml").write_text(f'{FLEET}{SITE}own_side = "downstream"\n{changes}', encoding="utf-8")
    for command in ("ingest", "catalogue"):
        out = ("--out", tmp_path / "e.csv") if command == "catalogue" else ()
        done = halfcycle(command, "--config", tmp_path / "fleet.toml", *out)
        assert done.returncode == 0, done.stderr
    assert ends(read_events(tmp_path / "e.csv")) == said("upstream")
    again = halfcycle("why", "all", "--config", tmp_path / "fleet.toml")
    assert again.returncode == 0, again.stdout + again.stderr


def test_the_direction_itself_stays_and_what_is_not_told_stays_untold() -> None:
    def event(direction: str | None, why: str | None) -> Event:
        return Event(
            site="s", kind="sag", start=0, duration_s=0.1, magnitude=0.5, phases="A", line_to_line=False,
            reference_v=230.0, capture="d", observed_s=0.1, direction=direction, why=why,
        )  # fmt: skip

    events = [event("downstream", "by power"), event("upstream", None), event(None, "in doubt")]
    got = with_own_side(events, "upstream")
    assert [(one.direction, one.why) for one in got] == [
        ("downstream", f"by power; {OTHER}"), ("upstream", OWN), (None, "in doubt"),
    ]  # fmt: skip
    assert with_own_side(events, None) == events


def test_it_is_declared_by_name_and_from_a_day_on() -> None:
    site = Site.model_validate(
        {"name": "Tannery", "changes": [{"valid_from": date(2026, 4, 1), "own_side": "upstream"}]}
    )
    assert [then.own_side for then in site.periods()] == [None, "upstream"]
    with pytest.raises(ValueError, match="own_side"):
        Site.model_validate({"name": "Tannery", "own_side": "left"})
