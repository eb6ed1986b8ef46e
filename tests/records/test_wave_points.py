"""The columns of an explained sag: jump of its phase, points on wave of start and recovery, characteristic voltage."""

from __future__ import annotations

import numpy as np
import pytest

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.catalogue.judge import Terms, judge
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.record import records_of
from halfcycle.pipeline.settings import Thresholds

RATE_HZ, FREQUENCY_HZ, VOLT = 12_800.0, 50.0, 230.0


@pytest.mark.parametrize("seed", range(12))
def test_a_sag_of_known_jump_and_edges_has_them_in_its_row(seed: int) -> None:
    """By construction, angles of the sine. M. H. J. Bollen, "Understanding Power Quality Problems", 2000 (memory).

    Equal sags of all phases are type A: the characteristic voltage is the residual, the PN factor one.
    """
    rng = np.random.default_rng([seed, 5])
    level, jump_deg = rng.uniform(0.2, 0.8), rng.uniform(-40, 40)
    t_s = np.arange(round(1.6 * RATE_HZ)) / RATE_HZ
    start_s, stop_s = rng.uniform(0.5, 0.52), rng.uniform(0.9, 0.92)
    inside = (t_s >= start_s) & (t_s < stop_s)
    angles = 2 * np.pi * FREQUENCY_HZ * t_s - np.radians([[0.0], [120.0], [240.0]])
    u = np.where(inside, level * np.sin(angles + np.radians(jump_deg)), np.sin(angles))
    u = VOLT * np.sqrt(2) * (u + 0.02 * np.sin(5 * angles) + 0.007 * rng.standard_normal(u.shape))
    channels = tuple(Channel(f"U{p}", "voltage", p, "V") for p in "ABC")
    header = Header("s", 0, RATE_HZ, u.shape[1], channels, "float32")
    capture = Capture(header, u.astype(np.float32))
    (record,) = records_of([Piece(header, lambda: capture, lambda: "d")])
    terms = Terms(Thresholds(), VOLT, FREQUENCY_HZ, "four-wire", explain=True)
    (event,) = [one for one in judge(record, site="s", terms=terms).events if one.kind == "sag"]
    assert event.phase_jump_deg == pytest.approx(jump_deg, abs=1.5)
    assert event.characteristic_pu == pytest.approx(level, abs=0.02)
    assert event.pn_factor == pytest.approx(level, abs=0.02) or event.pn_factor == pytest.approx(1.0, abs=0.02)
    for told, truth_s in ((event.start_angle_deg, start_s), (event.recovery_angle_deg, stop_s)):
        if told is not None:
            nearest = min(
                abs((told - (360 * FREQUENCY_HZ * truth_s - shift) + 180) % 360 - 180) for shift in (0, 120, 240)
            )
            assert nearest < 8
    assert None not in (event.start_angle_deg, event.recovery_angle_deg)
