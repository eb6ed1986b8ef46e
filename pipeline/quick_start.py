"""What makes a command that is done in a moment, and a worker of many, start in a moment."""

from __future__ import annotations

import sys
from contextlib import suppress
from importlib.abc import MetaPathFinder


class _Hidden(MetaPathFinder):
    def find_spec(self, name: str, *_: object) -> None:
        if name == "pandas":
            raise ImportError(name)


def arrow_without_pandas() -> None:
    """Load pyarrow and let it do without pandas, which takes longer to import than a capture takes to judge.

    When it makes its first array, pyarrow looks once whether pandas is there, to know its objects by. We hand it none,
    so here it does not find it. Whoever imports pandas afterwards has it, pyarrow's own conversions included.
    """
    if "pandas" in sys.modules:
        return
    hidden = _Hidden()
    sys.meta_path.insert(0, hidden)
    try:
        import pyarrow as pa

        with suppress(ImportError):
            pa.array([0])
    finally:
        sys.meta_path.remove(hidden)
