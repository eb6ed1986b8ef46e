"""Processes that a process has started, from the system's own lists (Linux, proc(5))."""

from __future__ import annotations

from pathlib import Path


def children_of(pid: int) -> set[int]:
    """Those that it has started itself; none where it has gone."""
    try:
        lists = [task / "children" for task in Path(f"/proc/{pid}/task").iterdir()]
        return {int(child) for path in lists for child in path.read_text().split()}
    except (FileNotFoundError, ProcessLookupError):
        return set()


def descendants_of(pid: int) -> set[int]:
    """Those, and what they in turn have started."""
    children = children_of(pid)
    return children.union(*(descendants_of(child) for child in children))


def command_of(pid: int) -> bytes:
    """The words of its command, each ended by a zero byte; empty where it has gone."""
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes()
    except OSError:
        return b""


def workers_of(pid: int) -> set[int]:
    """Those of its children that Python has spawned to work for it."""
    return {child for child in children_of(pid) if b"spawn_main" in command_of(child)}
