"""What the plots of all benchmarks have in common."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from halfcycle.pipeline.benchmark.baselines import library

_LINES: Final = ("-", "--", ":", "-.")


def pyplot() -> Any:
    """matplotlib's pyplot, drawing to files.

    Raises
    ------
    ConfigError : matplotlib is not installed.
    """
    library("matplotlib").use("agg")
    return library("matplotlib.pyplot")


def line(i: int) -> str:
    """Style of the line of the i-th contender."""
    return _LINES[i % len(_LINES)]


def finish(axes: Any) -> None:
    """Grid, no box, legend."""
    axes.grid(alpha=0.3)
    axes.spines[["top", "right"]].set_visible(False)
    axes.legend(frameon=False)


def saved(figures: Mapping[str, Any], folder: Path, name: str) -> list[Path]:
    """Write figures as ``NAME-WHAT.png`` and close them."""
    paths = []
    for what, figure in figures.items():
        paths.append(folder / f"{name}-{what}.png")
        figure.savefig(paths[-1], dpi=130)
        pyplot().close(figure)
    return paths
