"""Small files of ours in JSON: written whole or not at all, and taken for nothing where they are lost or broken."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from halfcycle.pipeline.store.atomic import write_text_atomically


def document_at(path: Path) -> dict[str, Any]:
    """What a file of ours says; nothing where it is not there or broken: then what it speaks of is made anew."""
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return document if isinstance(document, dict) else {}


def write_document(document: Mapping[str, Any], path: Path, staging: Path) -> None:
    """Write a file that `document_at` reads, whole or not at all.

    Raises
    ------
    StoreError : it cannot be written.
    """
    write_text_atomically(path, json.dumps(document, sort_keys=True), staging=staging)
