"""An open PQDIF file: its records, and their bodies however they are compressed.

Source: IEEE 1159.3, container record (tagCompressionStyleID, tagCompressionAlgorithmID).
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import Final

from halfcycle.pipeline.errors import ReadError, Unsupported
from halfcycle.pipeline.readers.pqdif import tags
from halfcycle.pipeline.readers.pqdif.bodies import (
    Body,
    BodyBudget,
    InflatedBody,
    PlainBody,
    PqdifRecord,
    adler,
    inflated_file,
)
from halfcycle.pipeline.readers.pqdif.physical import Collection, chain, first_record
from halfcycle.pipeline.readers.pqdif.sources import FileSource, Source

_KEPT_BYTES: Final = 16 << 20  # of inflated bodies between the first look at the records and their reading

_CUT_NOTE: Final = (
    "the last record links to a next one at the end of the file, as some writers do; a file truncated between two "
    "records looks the same"
)


class RecordFile:
    """The records of an open file.

    Attributes
    ----------
    path : of the file.
    records : in the order of their links, the container first.
    compressed : whether their bodies are, each by itself.
    notes : what is odd in the chain of the records.
    """

    def __init__(self, source: Source) -> None:
        self.path = source.path
        container, following = first_record(source)
        style = _compression_style(source, container)
        n_bytes = source.size
        if style == tags.STYLE_TOTAL_FILE:
            source = inflated_file(source, following if container.end <= following <= source.size else container.end)
        self.records, links_on = chain(source)
        self.notes = (_CUT_NOTE,) if links_on else ()
        self._source = source
        self.compressed = style == tags.STYLE_RECORD
        self._budget = BodyBudget(max(n_bytes, source.size), compressed=self.compressed)
        self._is_adler = container.checksum != 0 and adler(source, container) == container.checksum
        self._kept: dict[int, Body] = {}

    def body(self, record: PqdifRecord) -> Body:
        """The body of a record: that which was kept, or a new one."""
        kept = self._kept.pop(record.offset, None)
        if kept is not None:
            return kept
        return (InflatedBody if self.compressed else PlainBody)(self._source, record, self._budget)

    def keep(self, body: Body) -> None:
        """Keep what a body has been inflated to for when it is asked for again, as far as memory for it goes."""
        if body.held_bytes and sum(other.held_bytes for other in self._kept.values()) + body.held_bytes <= _KEPT_BYTES:
            self._kept[body.record.offset] = body

    def again(self) -> AbstractContextManager[None]:
        """While this lasts, bodies are looked at that were looked at before."""
        return self._budget.again()

    def check(self, body: Body) -> str | None:
        """Compare a body with its checksums; see `bodies.checksum_note`."""
        return body.check(is_adler=self._is_adler)


@contextmanager
def record_file(path: Path) -> Iterator[RecordFile]:
    """Open a file and follow the chain of its records.

    Raises
    ------
    MalformedRecord : the chain or the container is broken.
    Unsupported : the file is compressed in a way that is not read.
    ReadError : the file cannot be opened.
    """
    try:
        size = path.stat().st_size
        stream = path.open("rb")
    except OSError as error:
        raise ReadError(path, "", f"cannot be opened ({error.strerror or error})") from error
    with stream:
        yield RecordFile(FileSource(path, stream, size))


def _compression_style(source: Source, container: PqdifRecord) -> int:
    """Style of compression; `STYLE_NONE` where no algorithm is used."""
    body = PlainBody(source, container, BodyBudget(source.size, compressed=False))
    collection = Collection(body, 0, container.place)
    style = collection.whole(tags.COMPRESSION_STYLE) or tags.STYLE_NONE
    algorithm = collection.whole(tags.COMPRESSION_ALGORITHM) or tags.ALGORITHM_NONE
    if style == tags.STYLE_NONE or algorithm == tags.ALGORITHM_NONE:
        return tags.STYLE_NONE
    if style not in (tags.STYLE_TOTAL_FILE, tags.STYLE_RECORD):
        raise Unsupported(
            source.path, f"{container.place}, {tags.COMPRESSION_STYLE.name}", f"style {style} is not read"
        )
    if algorithm != tags.ALGORITHM_ZLIB:
        raise Unsupported(source.path, f"{container.place}, {tags.COMPRESSION_ALGORITHM.name}",
                          f"algorithm {algorithm} is not read; only zlib ({tags.ALGORITHM_ZLIB}) is")  # fmt: skip
    return style
