"""How a capture lies in a Parquet file: one flat column a channel, everything else in the schema's metadata."""

from __future__ import annotations

import json
from typing import Any

import pyarrow as pa

from halfcycle.pipeline.capture import Channel, Header

HEADER_KEY = b"halfcycle.capture"
DIGEST_KEY = b"halfcycle.digest"
LAYOUT_VERSION = 1
ROW_GROUP_SAMPLES = 1 << 17  # decodes fastest here: two such columns fit a core's cache


def column_names(channels: tuple[Channel, ...]) -> list[str]:
    """A distinct column name for each channel: its own name, numbered where several channels share it."""
    names: list[str] = []
    taken: set[str] = set()
    for i, channel in enumerate(channels):
        name = channel.name or f"channel {i + 1}"
        names.append(name if name not in taken else f"{name} ({i + 1})")
        taken.add(names[-1])
    return names


def schema_of(header: Header, *, digest: str | None = None) -> pa.Schema:
    """The Arrow schema of a capture: its header as JSON in the metadata, and the digest of its content where given."""
    kind = pa.type_for_alias(header.sample_type)
    fields = [pa.field(name, kind, nullable=False) for name in column_names(header.channels)]
    content = {name: getattr(header, name) for name in Header.__dataclass_fields__ if name != "channels"}
    content["channels"] = [
        {name: getattr(channel, name) for name in Channel.__dataclass_fields__} for channel in header.channels
    ]
    document = {"layout": LAYOUT_VERSION, "header": content}
    metadata = {HEADER_KEY: json.dumps(document, sort_keys=True).encode()}
    if digest is not None:
        metadata[DIGEST_KEY] = digest.encode()
    return pa.schema(fields, metadata=metadata)


def header_of(metadata: dict[bytes, bytes] | None) -> Header | None:
    """The header in a schema's metadata, or None where the file is no capture of ours.

    Raises
    ------
    ValueError, KeyError, TypeError : the metadata is there but broken.
    """
    if not metadata or HEADER_KEY not in metadata:
        return None
    document: dict[str, Any] = json.loads(metadata[HEADER_KEY])
    if document["layout"] != LAYOUT_VERSION:
        raise ValueError(f"layout {document['layout']} is not {LAYOUT_VERSION}")
    content = document["header"]
    channels = tuple(Channel(**channel) for channel in content.pop("channels"))
    content["notes"] = tuple(content["notes"])
    return Header(channels=channels, **content)
