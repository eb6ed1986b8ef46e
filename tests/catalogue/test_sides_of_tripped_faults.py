"""The side of a fault that is cleared behind the monitor is the fault's, not the breaker's."""

from __future__ import annotations

import numpy as np
import pytest

from halfcycle.pipeline.catalogue.explain import explain
from halfcycle.pipeline.measures.event_window import EventWindow

SOURCE = "derived: currents of a fault downstream flow towards it until they are cut off; by hand, from two impedances"
RATE_HZ, HERTZ = 6400.0, 50.0
SOURCE_OHM, FAULT_OHM, LOAD_OHM = 0.1 + 0.4j, 0.3 + 0.9j, 20 + 6j
VOLTS = 240.0 * np.sqrt(2)


def waves(*, downstream: bool, fault_s: tuple[float, float], trips: bool) -> tuple[np.ndarray, np.ndarray]:
    """Three voltages and currents at a monitor: a load behind it, and a fault of three phases behind or before it."""
    t = np.arange(int(RATE_HZ * 1.0)) / RATE_HZ
    shunts = {"load": LOAD_OHM, "fault": 1 / (1 / LOAD_OHM + 1 / FAULT_OHM)}
    u, i = np.zeros((3, t.size)), np.zeros((3, t.size))
    for state, span in (
        ("load", t < fault_s[0]), ("fault", (t >= fault_s[0]) & (t < fault_s[1])), ("after", t >= fault_s[1]),
    ):  # fmt: skip
        if state == "after" and trips:
            continue  # neither voltage nor current
        z = shunts["load" if state == "after" else state]
        volts = VOLTS * z / (z + SOURCE_OHM)
        amps = volts / (z if downstream else LOAD_OHM)
        for k in range(3):
            turn = np.exp(1j * (2 * np.pi * HERTZ * t[span] - 2 * np.pi * k / 3))
            u[k, span], i[k, span] = (volts * turn).real, (amps * turn).real
    return u, i


@pytest.mark.parametrize("trips", [False, True])
@pytest.mark.parametrize("cycles", [4, 6, 12])
def test_a_fault_downstream_stays_downstream_when_it_is_cleared_before_the_monitor(*, trips: bool, cycles: int) -> None:
    fault_s = (0.4, 0.4 + cycles / HERTZ)
    u, i = waves(downstream=True, fault_s=fault_s, trips=trips)
    stop = u.shape[1] if trips else fault_s[1] * RATE_HZ
    found = explain(EventWindow(u, i, RATE_HZ, HERTZ, fault_s[0] * RATE_HZ, stop), sag=True)
    assert found.direction is not None
    assert found.direction.direction == "downstream"


def test_a_disconnection_without_a_fault_keeps_its_own_side() -> None:
    u, i = waves(downstream=True, fault_s=(0.4, 0.4), trips=True)
    found = explain(EventWindow(u, i, RATE_HZ, HERTZ, 0.4 * RATE_HZ, u.shape[1]), sag=True)
    assert found.direction is None or found.direction.direction != "downstream"
