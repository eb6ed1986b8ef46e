"""PQDIF: the open interchange format for power quality measurements (IEEE 1159.3), as far as it holds waveforms.

Interval values and RMS profiles are read in `intervals`, as what the recorder computed itself; magnitudes with
durations and the like are left out. Each capture's notes count them, and the remarks on a file that holds nothing else.
Times are taken as UTC: the standard's tags name a zone, and nothing says that time stamps are in it.

Source: IEEE 1159.3, editions 1.0 to 1.7, as far as tags are listed in `tags`.
"""

from __future__ import annotations

from pathlib import Path

from halfcycle.pipeline.readers.contract import Reader, no_companions, reading
from halfcycle.pipeline.readers.pqdif.captures import PqdifRecording, read_headers, remarks
from halfcycle.pipeline.readers.pqdif.tags import SIGNATURE


def recognises(path: Path, head: bytes) -> bool:
    """Whether the file starts with the signature of a record, whatever its name ends in."""
    return head.startswith(SIGNATURE)


READER = Reader("PQDIF", recognises, reading(PqdifRecording), no_companions, read_headers, remarks, PqdifRecording)
