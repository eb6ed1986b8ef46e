"""Files by the grammar of their formats, with counts that lie, links in circles, bombs, absurd numbers and names."""

from __future__ import annotations

import io
import json
import re
import struct
import tarfile
import zipfile
import zlib
from collections.abc import Callable
from typing import Final

import numpy as np

Rng = np.random.Generator
Files = list[tuple[str, bytes]]

NUMBERS: Final = ("0", "-0", "-1", "1e-300", "5e-324", "1e300", "1e20", "-1e20", "nan", "inf", "-inf", "9" * 20,
                  "2147483647", "-2147483648", "65535", "0x10", "1,5", "", "1e", "٣", "1_000", "1e9999", "0.0000001",
                  "50000", "1" * 400)  # fmt: skip
NAMES: Final = ("../../../../escaped", "/etc/x", "a\0b", "[/x]", "[bold]x", "\x1b[31mred", "\u202eback", "", " ", ".",
                "..", "CON", "=1+1", "x" * 5000, "\ud7ff", "a\nb", "%s%n", "'; --", "U1", "V", "Größe")  # fmt: skip
_JSON: Final = (
    None,
    True,
    [],
    {},
    [1],
    "",
    "x",
    -1,
    0,
    1e300,
    5e-324,
    2**70,
    -(2**70),
    1e20,
    "NaN",
    10**400,
    ["A"],
    1.5,
)


def _pick(rng: Rng, of: tuple[object, ...]) -> object:
    return of[int(rng.integers(len(of)))]


def absurd_text(content: bytes, rng: Rng) -> bytes:
    """A text with some of its numbers, names or lines replaced, repeated, moved or left out."""
    text = content.decode("utf-8", "surrogateescape")
    for _ in range(int(rng.choice([1, 1, 2, 5]))):
        kind = int(rng.integers(6))
        if kind <= 2:
            found = list(re.finditer(r"[-+]?\d[\d.]*(?:[eE][-+]?\d+)?", text[:20_000]))
            if found:
                match = found[int(rng.integers(len(found)))]
                text = text[: match.start()] + str(_pick(rng, NUMBERS)) + text[match.end() :]
        elif kind == 3:
            found = list(re.finditer(r"[A-Za-z_][\w ]*", text[:20_000]))
            if found:
                match = found[int(rng.integers(len(found)))]
                text = text[: match.start()] + str(_pick(rng, NAMES)) + text[match.end() :]
        else:
            lines = text.split("\n")
            i, k = (int(rng.integers(len(lines))) for _ in range(2))
            if kind == 4:
                lines[i:i] = [lines[k]] * int(rng.choice([1, 2, 300]))
            else:
                lines[i], lines[k] = lines[k], lines[i]
            text = "\n".join(lines)
    return text.encode("utf-8", "surrogateescape")


def absurd_parquet(content: bytes, rng: Rng) -> bytes:
    """A whole Parquet file whose stored header, or plain statements, have absurd values."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    table = pq.read_table(io.BytesIO(content))
    metadata = dict(table.schema.metadata or {})
    key = b"halfcycle.capture"
    if key in metadata and rng.random() < 0.8:
        document = json.loads(metadata[key])
        for _ in range(int(rng.choice([1, 1, 3]))):
            channels = document["header"].get("channels")
            inner = channels[0] if isinstance(channels, list) and channels else None
            where = document["header"] if rng.random() < 0.5 else inner
            if isinstance(where, dict) and where:
                where[str(_pick(rng, tuple(where)))] = _pick(rng, (*_JSON, *NAMES))
        metadata[key] = json.dumps(document).encode("utf-8", "surrogatepass")
    else:
        metadata.pop(key, None)
        metadata |= {b"rate_hz": str(_pick(rng, NUMBERS)).encode(), b"station": str(_pick(rng, NAMES)).encode()}
    if rng.random() < 0.4:
        i = int(rng.integers(table.num_columns))
        values = table.column(i).to_numpy().astype(np.float64)
        values[:: int(rng.integers(1, 90))] = float(rng.choice([1e20, np.nan, np.inf, -1e30, 3e38, 1e-40]))
        kind = table.schema.field(i).type
        if pa.types.is_floating(kind):
            with np.errstate(over="ignore", invalid="ignore"):
                table = table.set_column(i, table.schema.field(i), pa.array(values.astype(kind.to_pandas_dtype())))
    stream = io.BytesIO()
    pq.write_table(table.replace_schema_metadata(metadata), stream)
    return stream.getvalue()


def absurd_npz(content: bytes, rng: Rng) -> bytes:
    """An archive of arrays whose headers lie, or that would fill the memory."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as archive, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as made:
        infos = archive.infolist()
        which = int(rng.integers(len(infos)))
        for i, info in enumerate(infos):
            data = archive.read(info)
            if i == which:
                data = _absurd_npy(data, rng)
            made.writestr(info.filename, data)
        if rng.random() < 0.2:
            made.writestr(
                str(_pick(rng, NAMES)).replace("\0", "") + ".npy", bytes(int(rng.choice([0, 100, 30_000_000])))
            )
    return out.getvalue()


def _absurd_npy(data: bytes, rng: Rng) -> bytes:
    kinds = (b"<i3", b"<f3", b"<f16", b">c16", b"|O", b"<U9", b"|S0", b"<M8[ns]", b"|b1", b"<i8", b"|V4", b"<m8[s]")
    shapes = (b"()", b"(0,)", b"(-1,)", b"(99999999999,)", b"(3, 64)", b"(1, 1, 192)", b"(192, 0)", b"(2, 96)")
    if rng.random() < 0.5:
        return re.sub(rb"'descr': '[^']*'", b"'descr': '" + bytes(_pick(rng, kinds)) + b"'", data, count=1)  # type: ignore[arg-type]
    return re.sub(rb"'shape': \([^)]*\)", b"'shape': " + bytes(_pick(rng, shapes)), data, count=1)  # type: ignore[arg-type]


def absurd_mat(content: bytes, rng: Rng) -> bytes:
    """A level-5 file whose elements, inside their compression, have words that lie, or that is a bomb."""
    if content[124:126] not in (b"\x00\x01", b"\x01\x00") or len(content) < 136:
        return content
    order = "<" if content[126:128] == b"IM" else ">"
    parts, at = [content[:128]], 128
    while at + 8 <= len(content):
        kind, n = struct.unpack_from(f"{order}2I", content, at)
        body = content[at + 8 : at + 8 + n]
        if kind == 15:
            try:
                whole = bytearray(zlib.decompress(body))
            except zlib.error:
                break
            if rng.random() < 0.5:
                _lie(whole, rng, order)
            if rng.random() < 0.05:
                whole += bytes(100_000_000)
            body = zlib.compress(bytes(whole))
            parts.append(struct.pack(f"{order}2I", kind, len(body)) + body)
        else:
            whole = bytearray(content[at : at + 8 + n])
            if rng.random() < 0.5:
                _lie(whole, rng, order)
            parts.append(bytes(whole))
        at += 8 + n
    return b"".join(parts)


def _lie(data: bytearray, rng: Rng, order: str = "<") -> None:
    """Replace an aligned word by a small, huge or near one, or by another word of the file."""
    if len(data) < 8:
        return
    at = int(rng.integers(len(data) // 4)) * 4
    word = int(
        rng.choice([0, 1, 2, 3, 7, 8, 16, 0x7FFFFFFF, 0xFFFFFFFF, 0xFFFFFF, len(data), max(len(data) - 4, 0), at])
    )
    if rng.random() < 0.3:
        data[at : at + 4] = data[(k := int(rng.integers(len(data) // 4)) * 4) : k + 4]
    else:
        struct.pack_into(f"{order}I", data, at, word)


def absurd_words(content: bytes, rng: Rng) -> bytes:
    """A binary file in which some words, such as counts, lengths and links, are others."""
    data = bytearray(content)
    for _ in range(int(rng.choice([1, 1, 2, 4]))):
        _lie(data, rng)
    return bytes(data)


def absurd_bundle(content: bytes, rng: Rng) -> bytes:
    """A bundle with members of absurd names, of none, of a bomb or of a bundle."""
    members: Files = [("r.csv", b"t (s),U1 (V)\n0,1\n0.001,2\n")]
    for _ in range(int(rng.integers(1, 4))):
        name = str(_pick(rng, NAMES)).replace("\0", "") or "x"
        members.append((name[:200], bytes(int(rng.choice([0, 10, 1000, 20_000_000])))))
    if rng.random() < 0.2:
        members.append(("inner.zip", content[:100_000]))
    out = io.BytesIO()
    if content[:2] == b"PK":
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
            for name, data in members:
                archive.writestr(zipfile.ZipInfo(name), data, zipfile.ZIP_DEFLATED)
    else:
        with tarfile.open(fileobj=out, mode="w:gz") as archive:
            for name, data in members:
                info = tarfile.TarInfo(name)
                info.size = len(data)
                if rng.random() < 0.1:
                    info.type, info.linkname, info.size = tarfile.SYMTYPE, "/etc/hostname", 0
                archive.addfile(info, io.BytesIO(data[: info.size]))
    return out.getvalue()


def maker_for(name: str, content: bytes) -> Callable[[bytes, Rng], bytes]:
    """What makes hostile copies of a file with a name and a content."""
    if content[:4] == b"PAR1":
        return absurd_parquet
    if content[:4] == b"PK\x03\x04":
        return absurd_npz if b".npy" in content[:200] else absurd_bundle
    if content[:2] == b"\x1f\x8b":
        return absurd_bundle
    if content[:6] == b"MATLAB":
        return absurd_mat
    return absurd_text if name.endswith((".cfg", ".cff", ".csv", ".tsv", ".toml", ".hdr", ".inf")) else absurd_words
