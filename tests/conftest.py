"""Property tests draw the same examples in each run; child processes start at once; what is long counts as slow."""

from __future__ import annotations

import os

import pytest
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


@pytest.hookimpl(tryfirst=True)  # before what is asked for by -m is chosen
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What is long or an exam is slow, too."""
    for item in items:
        if any(item.get_closest_marker(name) for name in ("long", "exam")):
            item.add_marker(pytest.mark.slow)
