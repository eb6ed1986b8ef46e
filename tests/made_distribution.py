"""Another distribution, as far as entry points go: a module and its metadata in a folder."""

from __future__ import annotations

from pathlib import Path


def guest_command(folder: Path, *, group: str, module: str, version: str = "1.0") -> str:
    """Install a module with an object ``GUEST`` under an entry point; the code that runs halfcycle beside it.

    Parameters
    ----------
    folder : made part of the path.
    group : of the entry point ``guest``.
    module : source of the module.
    version : of the distribution.
    """
    (folder / "guest.py").write_text(module)
    info = folder / f"guest-{version}.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: guest\nVersion: {version}\n")
    (info / "entry_points.txt").write_text(f"[{group}]\nguest = guest:GUEST\n")
    return f"import sys; sys.path.insert(0, {str(folder)!r}); from halfcycle.pipeline.cli import main; main()"
