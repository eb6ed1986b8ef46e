"""Property tests: the same examples from run to run, and no database of them; child processes start at once."""

from __future__ import annotations

import os

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

# Compiling the project's modules anew takes each of some hundred child processes as long as the rest of its start.
# Where files cannot be written whole, a test starts its own with -B.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
