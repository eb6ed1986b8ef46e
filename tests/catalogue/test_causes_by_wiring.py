"""Rows of events behind a verdict on the wiring: side and cause put right or withheld, and said so."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
from made_circuits import FREQUENCY_HZ, RATE_HZ, Case, fault_case

from halfcycle.pipeline.catalogue.causes import Clamps, with_causes
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.sites.wiring_correction import Wiring
from halfcycle.pipeline.terms import HOOKUPS

BACK = ((1.0, 0.0, 0.0), (0.0, -1.0, 0.0), (0.0, 0.0, 1.0))


def explained(case: Case, i: np.ndarray, wiring: Wiring | None) -> Event:
    """The row of a case's fault, from a record that holds the samples as they are."""
    samples = np.concatenate([case.noisy_u, i])
    record: Any = SimpleNamespace(
        header=SimpleNamespace(rate_hz=RATE_HZ), n_samples=samples.shape[1],
        position_of=lambda ns: round(ns * RATE_HZ / 1e9),
        physical=lambda point, first, stop, currents: samples[:, first:stop],
    )  # fmt: skip
    point: Any = SimpleNamespace(name=None, voltages="ABC", currents="ABC", hookup=HOOKUPS["four-wire"])
    sag = Event(
        site="s", kind="sag", start=round(case.start / RATE_HZ * 1e9), duration_s=None, magnitude=0.5, phases="ABC",
        line_to_line=False, reference_v=1.0, capture="d", observed_s=(case.stop - case.start) / RATE_HZ,
    )  # fmt: skip
    (row,) = with_causes(
        [sag], record, [Clamps(point, wiring)], frequency_hz=FREQUENCY_HZ, is_marked=lambda first, stop: False
    )
    return row


def test_a_verdict_puts_the_side_right_or_withholds_it_and_says_so() -> None:
    case = fault_case(np.random.default_rng([1, 77]), place="downstream")
    turned = case.noisy_i * np.array([[1.0], [-1.0], [1.0]])
    right = explained(case, case.noisy_i, None)
    assert (right.direction, right.direction_confidence) == ("downstream", 0.95)
    assert explained(case, turned, None).direction != "downstream"

    told = explained(case, turned, Wiring("put right", "clamp IB turned round", 0.9, None, BACK))
    assert (told.direction, told.direction_confidence) == ("downstream", 0.9)
    assert "clamp IB turned round" in str(told.why)

    withheld = explained(case, turned, Wiring("withheld", "clamps in doubt", lost=frozenset({"currents"})))
    assert (withheld.direction, withheld.direction_confidence, withheld.cause) == (None, None, "fault")
    assert "clamps in doubt; currents not used, side withheld" in str(withheld.why)

    nothing = explained(case, turned, Wiring("withheld", "leads in doubt", lost=frozenset({"voltages", "currents"})))
    assert (nothing.direction, nothing.dip_type, nothing.cause, nothing.cause_confidence) == (None, None, "unknown", 0)
    assert "withheld; leads in doubt" in str(nothing.why)
