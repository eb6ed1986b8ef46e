"""Evidence of records that was kept, as their looks are; see `records.kept`."""

from __future__ import annotations

import json
from dataclasses import asdict, fields
from functools import cache
from typing import Any

from halfcycle.pipeline.records.kept import DAMAGED, key_of
from halfcycle.pipeline.records.record import Record
from halfcycle.pipeline.sites.evidence import PointEvidence, RecordEvidence, evidence_of


def evidence_kept(
    record: Record, *, hookup: str | None, frequency_hz: float | None, clamps_checked: bool, judged_next: bool
) -> RecordEvidence:
    """As `evidence.evidence_of`, from the record's memory where that has it; else it is kept there.

    Raises
    ------
    ReadError : as `evidence_of`.
    """
    memory = record.memory
    key = "" if memory is None else key_of("evidence", record, hookup, frequency_hz, clamps_checked)
    kept = None if memory is None else memory.get(key)
    if kept is not None:
        try:
            said = json.loads(kept)
            return RecordEvidence(
                **said | {"header": record.header, "points": _points().validate_python(said["points"])}
            )
        except DAMAGED:
            pass
    found = evidence_of(
        record, hookup=hookup, frequency_hz=frequency_hz, clamps_checked=clamps_checked, judged_next=judged_next
    )
    if memory is not None:
        said = {one.name: getattr(found, one.name) for one in fields(found) if one.name not in ("header", "points")}
        said["points"] = [asdict(point) for point in found.points]
        memory[key] = json.dumps(said, default=sorted).encode()
    return found


@cache
def _points() -> Any:
    from pydantic import TypeAdapter

    return TypeAdapter(tuple[PointEvidence, ...])
