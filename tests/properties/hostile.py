"""Files by the grammar of their formats, with counts that lie, links in circles, bombs, absurd numbers and names."""

from __future__ import annotations

import io
import json
import re
import struct
import tarfile
import uuid
import zipfile
import zlib
from collections.abc import Callable
from typing import Any, Final

import numpy as np

Rng = np.random.Generator
Files = list[tuple[str, bytes]]

NUMBERS: Final = ("0", "-0", "-1", "1e-300", "5e-324", "1e300", "1e20", "-1e20", "nan", "inf", "-inf", "9" * 20,
                  "2147483647", "-2147483648", "65535", "0.0000001", "50000", "0x10", "1,5", "", "1e", "٣", "1_000",
                  "1e9999", "1" * 400)  # fmt: skip
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


def _size(rng: Rng) -> int:
    """How many zero bytes to put into a member: mostly few, seldom a bomb."""
    return int(rng.choice([0, 10, 1000, 5000, 2_000_000, 90_000_000], p=[0.2, 0.3, 0.3, 0.13, 0.06, 0.01]))


def absurd_text(content: bytes, rng: Rng) -> bytes:
    """A text with some of its numbers, names or lines replaced, repeated, moved or left out."""
    text = content.decode("utf-8", "surrogateescape")
    for _ in range(int(rng.choice([1, 1, 2, 5]))):
        kind = int(rng.integers(6))
        if kind <= 2:
            found = list(re.finditer(r"[-+]?\d[\d.]*(?:[eE][-+]?\d+)?", text[:20_000]))
            if found:
                match = found[int(rng.integers(len(found)))]
                number = _pick(rng, NUMBERS[:16] if rng.random() < 0.7 else NUMBERS)
                text = text[: match.start()] + str(number) + text[match.end() :]
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


def _absurd_values(arrays: dict[str, np.ndarray], rng: Rng) -> dict[str, np.ndarray]:  # type: ignore[type-arg]
    """Arrays with some replaced: absurd samples, lengths, types, statements and names."""
    made = dict(arrays)
    for _ in range(int(rng.choice([1, 1, 2, 4]))):
        name = str(_pick(rng, tuple(made)))
        values = np.array(made[name])
        with np.errstate(over="ignore", invalid="ignore"):
            match int(rng.integers(7)):
                case 0 if values.size > 1 and values.dtype.kind in "iuf":
                    values = values.astype(np.float64 if rng.random() < 0.5 else np.float32)
                    absurd = float(rng.choice([1e20, np.nan, np.inf, -1e30, 3e38, 1e-40, 0.0]))
                    values.flat[int(rng.integers(values.size)) :: int(rng.integers(1, 90))] = absurd
                case 1 if values.dtype.kind in "iuf":
                    values = values.astype(str(rng.choice(["i1", "u1", "f2", "f4", "f8", ">i2", "u8", "c8", "U8"])))
                case 2:
                    values = np.array(float(rng.choice([0, -1, 1e-300, 5e-324, 1e300, 1e20, np.nan, np.inf, 7, 5e4])))
                case 3:
                    values = np.array(str(_pick(rng, NAMES)).replace("\0", ""))
                case 4:
                    values = values.reshape(-1)[: int(rng.integers(values.size + 1))]
                case 5:
                    values = np.resize(values, (int(rng.integers(1, 5)), int(rng.integers(1, 300))))
                case _:
                    other = str(_pick(rng, (*NAMES, *made, "fs", "rate_hz", "t_s", "start", "f0", "u9_V", "i1_kA")))
                    made[other.replace("\0", "").replace("/", "") or "x"] = values
        made[name] = values
    return made


def absurd_npz(content: bytes, rng: Rng) -> bytes:
    """An archive of arrays of absurd values, or whose headers lie, or that would fill the memory."""
    out = io.BytesIO()
    if rng.random() < 0.6:
        with np.load(io.BytesIO(content)) as archive:
            np.savez(out, **_absurd_values(dict(archive), rng))  # type: ignore[arg-type]
        return out.getvalue()
    with zipfile.ZipFile(io.BytesIO(content)) as archive, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as made:
        infos = archive.infolist()
        which = int(rng.integers(len(infos)))
        for i, info in enumerate(infos):
            data = archive.read(info)
            if i == which:
                data = _absurd_npy(data, rng)
            made.writestr(info.filename, data)
        if rng.random() < 0.2:
            made.writestr(str(_pick(rng, NAMES)).replace("\0", "") + ".npy", bytes(_size(rng)))
    return out.getvalue()


def _absurd_npy(data: bytes, rng: Rng) -> bytes:
    kinds = (b"<i3", b"<f3", b"<f16", b">c16", b"|O", b"<U9", b"|S0", b"<M8[ns]", b"|b1", b"<i8", b"|V4", b"<m8[s]")
    shapes = (b"()", b"(0,)", b"(-1,)", b"(99999999999,)", b"(3, 64)", b"(1, 1, 192)", b"(192, 0)", b"(2, 96)")
    if rng.random() < 0.5:
        return re.sub(rb"'descr': '[^']*'", b"'descr': '" + bytes(_pick(rng, kinds)) + b"'", data, count=1)  # type: ignore[arg-type]
    return re.sub(rb"'shape': \([^)]*\)", b"'shape': " + bytes(_pick(rng, shapes)), data, count=1)  # type: ignore[arg-type]


def absurd_mat(content: bytes, rng: Rng) -> bytes:
    """A file of absurd values; or a level-5 one whose elements, inside their compression, lie, or that is a bomb."""
    if rng.random() < 0.5:
        import scipy.io

        arrays = {name: one for name, one in scipy.io.loadmat(io.BytesIO(content)).items() if name[:2] != "__"}
        spoilt = _absurd_values(arrays, rng).items()
        made = {name[:31]: one for name, one in spoilt if name.isascii() and one.dtype != np.float16}
        out = io.BytesIO()
        scipy.io.savemat(out, made, do_compression=bool(rng.random() < 0.5))
        return out.getvalue()
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
            if rng.random() < 0.02:
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


_PQDIF_MAGIC = uuid.UUID("4a111440-e49f-11cf-9900-505144494600").bytes_le[:4]  # IEEE 1159.3, a record's signature
_RECORD = struct.Struct("<16s16sIIII16s")
_ENTRY = struct.Struct("<16s3BxII")
_COLLECTION, _VECTOR, _REAL8 = 1, 3, 41
_REALS: Final = (0.0, -1.0, 1e-300, 1e300, 1e20, float("nan"), float("inf"), 0.5, 1e9)


def absurd_pqdif(content: bytes, rng: Rng) -> bytes:
    """Records whose collections, inside their compression, have links in circles, lying counts and absurd values.

    Layout: IEEE 1159.3, physical layout: a record's header names the length of its body and where the next one starts,
    a collection is a count and that many entries. Lengths, links and checksums of the records are right, but for some.
    """
    records: list[list[Any]] = []
    at = 0
    while at + _RECORD.size <= len(content) and len(records) < 1000:
        signature, tag, size, n, following, checksum, rest = _RECORD.unpack_from(content, at)
        records.append([signature, tag, content[at + size : at + size + n], checksum, rest])
        if following <= at:
            break
        at = following
    if not records:
        return absurd_words(content, rng)
    k = int(rng.integers(len(records)))
    body = bytearray(records[k][2])
    try:
        whole, is_packed = bytearray(zlib.decompress(bytes(body))), True
    except zlib.error:
        whole, is_packed = body, False
    for _ in range(int(rng.choice([1, 1, 2, 4]))):
        _absurd_entry(whole, rng)
    if is_packed and rng.random() < 0.03:
        whole += bytes(int(rng.choice([1_000_000, 200_000_000])))
    records[k][2] = zlib.compress(bytes(whole), 1) if is_packed else bytes(whole)
    starts, at = [], 0
    for record in records:
        starts.append(at)
        at += _RECORD.size + len(record[2])
    circle = int(rng.integers(len(records))) if rng.random() < 0.05 else None
    parts = []
    for i, (signature, tag, body_bytes, checksum, rest) in enumerate(records):
        following = starts[i + 1] if i + 1 < len(records) else 0
        following = starts[int(rng.integers(i + 1))] if i == circle else following
        told = zlib.adler32(body_bytes) if checksum else 0
        parts.append(_RECORD.pack(signature, tag, _RECORD.size, len(body_bytes), following, told, rest) + body_bytes)
    return b"".join(parts)


def _absurd_entry(body: bytearray, rng: Rng) -> None:
    """Change one entry of one of the collections of a body."""
    places = _collections(body)
    at = places[int(rng.integers(len(places)))]
    count = min(int.from_bytes(body[at : at + 4], "little"), 300)
    entry = at + 4 + int(rng.integers(max(count, 1))) * _ENTRY.size
    if not count or entry + _ENTRY.size > len(body) or rng.random() < 0.1:
        _lie(body, rng)
        return
    tag, kind, physical, embedded, link, size = _ENTRY.unpack_from(body, entry)
    inside = link + 12 <= len(body) and not embedded
    what = int(rng.integers(8))
    if what == 0:
        link = int(rng.choice(places))  # in a circle, or twice the same
    elif what == 1:
        kind = int(rng.integers(5))
    elif what == 2:
        physical = int(rng.choice([1, 2, 3, 10, 11, 20, 21, 22, 30, 31, 32, 40, 41, 42, 43, 50, 60, 99]))
    elif what == 3:
        embedded ^= 1
    elif what == 4 and inside and kind in (_COLLECTION, _VECTOR):
        struct.pack_into("<I", body, link, int(rng.choice([0, 1, 2, 1000, 2**31, 2**32 - 1])))
    elif what == 5 and inside and physical == _REAL8:
        struct.pack_into("<d", body, link + (4 if kind == _VECTOR else 0), float(rng.choice(_REALS)))
    elif what == 6:
        link = int(rng.choice([0, 1, 2, 3, 7, 19, 2**31, 2**32 - 1]))
    else:
        size = int(rng.choice([0, 1, 4, 8, 2**31, 2**32 - 1]))
    _ENTRY.pack_into(body, entry, tag, kind, physical, embedded, link, size)


def _collections(body: bytearray) -> list[int]:
    """Where the collections of a body lie."""
    places, waiting = [0], [0]
    while waiting and len(places) < 300:
        at = waiting.pop()
        count = min(int.from_bytes(body[at : at + 4], "little"), 300)
        for entry in range(at + 4, min(at + 4 + count * _ENTRY.size, len(body) - _ENTRY.size + 1), _ENTRY.size):
            _, kind, _, embedded, link, _ = _ENTRY.unpack_from(body, entry)
            if kind == _COLLECTION and not embedded and link not in places:
                places.append(link)
                waiting.append(link)
    return places


def absurd_footer(content: bytes, rng: Rng) -> bytes:
    """A Parquet file some bytes of whose footer, which says where and how all columns lie, are others."""
    data = bytearray(content)
    n = int.from_bytes(data[-8:-4], "little")
    for _ in range(int(rng.choice([1, 1, 2, 8]))):
        at = len(data) - 8 - 1 - int(rng.integers(max(min(n, len(data) - 12), 1)))
        data[at] = int(rng.choice([0, 1, 0x7F, 0x80, 0xFF, int(rng.integers(256))]))
    return bytes(data)


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
        members.append((name[:200], bytes(_size(rng))))
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


def absurd_either(content: bytes, rng: Rng) -> bytes:
    """A Parquet file with absurd statements, or with a damaged footer."""
    return (absurd_footer if rng.random() < 0.25 else absurd_parquet)(content, rng)


def maker_for(content: bytes) -> Callable[[bytes, Rng], bytes]:
    """What makes hostile copies of a file with a content, whatever its name."""
    if content[:4] == b"PAR1":
        return absurd_either
    if content[:4] == _PQDIF_MAGIC:
        return absurd_pqdif
    if content[:4] == b"PK\x03\x04":
        return absurd_npz if b".npy" in content[:200] else absurd_bundle
    if content[:2] == b"\x1f\x8b":
        return absurd_bundle
    if content[:6] == b"MATLAB":
        return absurd_mat
    return absurd_words if b"\0" in content else absurd_text
