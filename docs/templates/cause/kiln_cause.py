"""A cause made for this page: the works' own kiln fan, which starts through a reactor and is known by its size."""

from __future__ import annotations

from halfcycle.classifiers.cause import Cause
from halfcycle.classifiers.evidence import Evidence


def judge_kiln(evidence: Evidence) -> Cause | None:
    """Balanced, shallow and slow to recover: the fan. None where it does not apply."""
    depth, share, unbalance = evidence.depth_pu, evidence.recovery_share, evidence.unbalance
    if depth is None or share is None or unbalance is None:
        return None
    if 0.1 <= depth <= 0.2 and share < 0.3 and unbalance < 0.1:
        return Cause("kiln fan start", 0.99, f"balanced, {100 * depth:.0f} % deep, and no sudden recovery")
    return None
