"""Results of a benchmark as files: one Parquet table, Markdown to read, and where they came from."""

from __future__ import annotations

import csv
import json
import math
import os
import platform
from collections.abc import Iterable, Mapping, Sequence
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, Final

from halfcycle.pipeline.store.atomic import write_atomically, write_text_atomically

_LIBRARIES: Final = ("halfcycle", "numpy", "scipy", "pandas", "scikit-learn", "pyarrow", "ruptures", "aeon", "numba")
PROVENANCE_KEY: Final = b"halfcycle.benchmark"


def provenance(*, suite: str, seed: int | Sequence[int]) -> dict[str, Any]:
    """What a result depends on: suite, seed, versions, and the machine that timings were taken on."""
    return {
        "suite": suite,
        "seed": seed,
        "versions": {"python": platform.python_version(), **{name: _version(name) for name in _LIBRARIES}},
        "machine": {"system": platform.system(), "processor": platform.machine(), "cores": os.cpu_count()},
    }


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed"


def write_results(
    columns: Mapping[str, Sequence[object]], origin: Mapping[str, Any], sections: Sequence[str], folder: Path, name: str
) -> tuple[Path, Path]:
    """Write a result as ``NAME.parquet`` and ``NAME.md``, each whole or not at all.

    Parameters
    ----------
    columns : of the table, by name.
    origin : see `provenance`; goes into the table's metadata and the Markdown's head.
    sections : Markdown, in order.
    folder : made where it is not there.
    name : of the files.
    """
    folder.mkdir(parents=True, exist_ok=True)
    paths = folder / f"{name}.parquet", folder / f"{name}.md"
    versions = ", ".join(f"{library} {number}" for library, number in origin["versions"].items())
    machine = origin["machine"]
    head = (
        f"# Benchmark: {origin['suite']}\n\nSeed {_listed(origin['seed'])}; {versions}; "
        f"timed on {machine['system']} {machine['processor']}, {machine['cores']} cores.\n"
    )
    text = "\n".join([head, *sections])
    write_table(columns, origin, paths[0])
    write_text_atomically(paths[1], text)
    return paths


def _listed(seed: int | Sequence[int]) -> str:
    return str(seed) if isinstance(seed, int) else ", ".join(map(str, seed))


def write_table(columns: Mapping[str, Sequence[object]], origin: Mapping[str, Any], path: Path) -> None:
    """Write columns as a Parquet table that says where it comes from, whole or not at all."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    table = pa.table(dict(columns)).replace_schema_metadata({PROVENANCE_KEY: json.dumps(dict(origin)).encode()})
    write_atomically(path, lambda aside: pq.write_table(table, aside))


def write_csv(path: Path, header: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """Write rows as CSV, whole or not at all."""

    def write(aside: Path) -> None:
        with aside.open("w", newline="", encoding="utf-8") as file:
            table = csv.writer(file, lineterminator="\n")
            table.writerow(header)
            table.writerows(rows)

    write_atomically(path, write)


def markdown_table(header: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A Markdown table."""
    lines = [header, ["---"] * len(header), *rows]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines) + "\n"


def number(value: float, form: str = ".3g") -> str:
    """A number, or a dash where there is none."""
    return "–" if math.isnan(value) else format(value, form)
