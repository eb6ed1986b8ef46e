"""How captures lie in a Parquet file: one flat column a channel, everything else in the file's metadata.

A pack holds several captures with columns of the same names and type, one after the other, each in row groups of its
own. A further column names the capture of a row by its digest.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import pyarrow as pa

from halfcycle.pipeline.capture import Channel, Header

HEADER_KEY = b"halfcycle.capture"
DIGEST_KEY = b"halfcycle.digest"
PACK_KEY = b"halfcycle.captures"
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
    document = {"layout": LAYOUT_VERSION, "header": _content(header)}
    metadata = {HEADER_KEY: json.dumps(document, sort_keys=True).encode()}
    if digest is not None:
        metadata[DIGEST_KEY] = digest.encode()
    return pa.schema(_fields(header), metadata=metadata)


def pack_schema(header: Header) -> pa.Schema:
    """The Arrow schema of a pack. header : of any of its captures."""
    kind = pa.dictionary(pa.int32(), pa.string())
    return pa.schema([*_fields(header), pa.field(capture_column(header), kind, nullable=False)])


def capture_column(header: Header) -> str:
    """The column of a pack that names the capture of a row: ``capture``, or what no channel is called."""
    name = "capture"
    while name in column_names(header.channels):
        name += " digest"
    return name


def pack_metadata(members: Mapping[str, Header]) -> dict[bytes, bytes]:
    """What a pack's metadata say of its captures. members : in order of their rows, by digest."""
    contents = {digest: _content(header) for digest, header in members.items()}
    texts = {digest: {key: json.dumps(value) for key, value in one.items()} for digest, one in contents.items()}
    first = next(iter(texts))
    common = {key for key, text in texts[first].items() if all(one[key] == text for one in texts.values())}
    document = {
        "layout": LAYOUT_VERSION,
        "common": {key: contents[first][key] for key in common},
        "captures": [
            {"digest": digest, "header": {key: value for key, value in one.items() if key not in common}}
            for digest, one in contents.items()
        ],
    }
    return {PACK_KEY: json.dumps(document, sort_keys=True).encode()}


def header_of(metadata: Mapping[bytes, bytes] | None) -> Header | None:
    """The header in a file's metadata, or None where the file is no capture of ours.

    Raises
    ------
    ValueError, KeyError, TypeError : the metadata is there but broken.
    """
    if not metadata or HEADER_KEY not in metadata:
        return None
    return _header(_document(metadata[HEADER_KEY])["header"])


def packed_in(metadata: Mapping[bytes, bytes] | None) -> dict[str, Header] | None:
    """The headers of the captures of a pack by their digests, in order of their rows; None where the file is no pack.

    metadata : of the file, which its schema does not have.

    Raises
    ------
    ValueError, KeyError, TypeError, AttributeError : the metadata is there but broken.
    """
    if not metadata or PACK_KEY not in metadata:
        return None
    document = _document(metadata[PACK_KEY])
    found = {str(one["digest"]): _header({**document["common"], **one["header"]}) for one in document["captures"]}
    if not found or len(found) != len(document["captures"]):
        raise ValueError("it names no capture, or one twice")
    return found


def _fields(header: Header) -> list[pa.Field]:
    kind = pa.type_for_alias(header.sample_type)
    return [pa.field(name, kind, nullable=False) for name in column_names(header.channels)]


def _content(header: Header) -> dict[str, Any]:
    """A header as JSON has it."""
    content = {name: getattr(header, name) for name in Header.__dataclass_fields__ if name != "channels"}
    content["channels"] = [
        {name: getattr(channel, name) for name in Channel.__dataclass_fields__} for channel in header.channels
    ]
    return content


def _header(content: Mapping[str, Any]) -> Header:
    """The header that `_content` was made of."""
    channels = tuple(Channel(**channel) for channel in content["channels"])
    return Header(**{**content, "channels": channels, "notes": tuple(content["notes"])})


def _document(text: bytes) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(text)
    if document["layout"] != LAYOUT_VERSION:
        raise ValueError(f"layout {document['layout']} is not {LAYOUT_VERSION}")
    return document
