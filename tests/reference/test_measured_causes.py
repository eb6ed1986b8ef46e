"""Causes and types of measured recordings whose story is known from their description."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from halfcycle.pipeline.catalogue.explain import explain
from halfcycle.pipeline.measures.event_window import EventWindow
from halfcycle.pipeline.readers import read_captures

DATA = Path(__file__).resolve().parents[3] / "shared" / "data"
SOURCE = (
    "RTE digital fault recording database, 12-event subset (ODbL 1.0): residuals by phase 0.976 / 0.519 / 0.570 and "
    "0.442 / 0.454 / 0.404, by a plain one-cycle RMS; ComtradeHandler sample (MIT) whose name says that load trips"
)

pytestmark = pytest.mark.skipif(not DATA.is_dir(), reason="no folder of measured recordings beside the project")


@pytest.mark.parametrize("counted", [1.0, -1.0])
@pytest.mark.parametrize(
    ("name", "start_s", "stop_s", "dip_type", "phase"),
    [("line-fault-3.npz", 0.300, 0.430, "E", "A"), ("line-fault-8.npz", 0.330, 0.410, "A", "")],
)
def test_line_faults_are_faults_of_the_phases_that_fell(
    name: str, start_s: float, stop_s: float, dip_type: str, phase: str, counted: float
) -> None:
    # SOURCE: two phases to about half and the third about 1: type E or C, E for the zero sequence; all three alike: A.
    # Which way the clamps' arrows point is not known: turned round, the fault is on the other side of them.
    with np.load(DATA / name) as file:
        u = np.stack([file[key] for key in ("v1", "v2", "v3")]).astype(np.float64) * 18.310
        i = np.stack([file[key] for key in ("i1", "i2", "i3")]).astype(np.float64) * 4.314 * counted
    found = explain(EventWindow(u, i, 6400.0, 50.0, start_s * 6400, stop_s * 6400), sag=True)
    assert found.cause.cause == "fault"
    assert found.dip is not None
    assert (found.dip.dip_type, found.dip.phase) == (dip_type, phase)
    assert found.direction is not None
    # Currents of six times the load's flow the way the load's did.
    assert found.direction.direction == ("downstream" if counted > 0 else "upstream")


def test_a_load_that_trips_is_switched_off() -> None:
    # SOURCE; the current falls from about 170 to 6 A, the voltage stays within 0.3 %.
    (capture,) = read_captures(DATA / "load-trip-float32.cfg")
    places = {channel.name: k for k, channel in enumerate(capture.header.channels)}

    def rows(names: list[str]) -> np.ndarray:
        chosen = [places[name] for name in names]
        scales = [capture.header.channels[k].scale for k in chosen]
        return capture.samples[chosen].astype(np.float64) * np.array(scales)[:, None]

    u, i = rows(["HV Bus VR", "HV Bus VS", "HV Bus VT"]), rows(["HV IR", "HV IS", "HV IT"])
    cycle = round(capture.header.rate_hz / 60)
    rms = np.sqrt(np.convolve(i[0] ** 2, np.full(cycle, 1 / cycle), "valid"))
    trip = int(np.flatnonzero(rms < 0.5 * rms[: 10 * cycle].mean())[0])
    found = explain(EventWindow(u, i, capture.header.rate_hz, 60.0, trip, trip + 2 * cycle), sag=False)
    assert found.cause.cause == "load switching"
    assert "switched off" in found.cause.why
