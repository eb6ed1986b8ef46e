"""Property tests: the same examples from run to run, and nothing left behind on disk."""

from __future__ import annotations

from hypothesis import HealthCheck, settings

settings.register_profile(
    "same every time",
    derandomize=True,
    database=None,
    deadline=None,
    max_examples=60,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
settings.load_profile("same every time")
