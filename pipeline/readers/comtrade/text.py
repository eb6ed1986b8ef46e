"""The text of a configuration file, whatever code page it was written in.

Commas, digits and line ends are the same bytes in every code page below, so a wrong guess can spoil names only.
"""

from __future__ import annotations

import re

from halfcycle.pipeline.readers.contract import Repair

_NOT_ASCII = re.compile(r"[^\x00-\x7f]")
_HIGH_RUNS = re.compile(rb"[\x80-\xff]+")
_COMMON_HANZI_LEADS = range(0xB0, 0xD8)  # GB 2312 rows 16-55: the everyday characters
_CYRILLIC_LETTERS = frozenset(range(0xC0, 0x100)) | {0xA8, 0xB8}
_WESTERN = ("latin-1", "windows-1252", "cp437", "cp850")  # the likelier first, where several make sense
_C1 = range(0x80, 0xA0)  # latin-1 has control characters there, and no text has
_APOSTROPHE = "\u2019"
_MICRO = "\u00b5"  # of a unit
_NO_TEXT = frozenset(map(chr, range(0x2500, 0x25A1))) | {"\ufffd"}  # lines and blocks of DOS code pages
_LETTER_BESIDE = 2.0
_OTHER_INSIDE = -3.0  # a sign between two letters
_CONFIDENT_SHARE = 0.8
_MIN_RUN = 2.5  # bytes; accented letters of western languages come one or two at a time


def decode(content: bytes) -> tuple[str, tuple[str, ...]]:
    """Decode the bytes of a configuration file.

    UTF-8 is the rule. Where the bytes are not UTF-8 the code page is guessed: gb18030 where they come in pairs that
    are mostly everyday Chinese characters, windows-1251 where they are mostly Cyrillic letters in words, else the
    one of latin-1, windows-1252, cp437 and cp850 that makes most of them letters within words.

    Parameters
    ----------
    content : bytes. What follows a DOS end-of-file mark (0x1A) is left out, NUL bytes are read as blanks.

    Returns
    -------
    (text, notes). A note says which code page was guessed; bytes that it has no character for become U+FFFD.
    """
    content = content.split(b"\x1a", 1)[0].replace(b"\x00", b" ")
    try:
        return content.decode("utf-8-sig"), ()
    except UnicodeDecodeError:
        encoding = _guess(content)
    note = Repair(f"the text is not UTF-8; read as {encoding}, names may be wrong")
    return content.decode(encoding, errors="replace"), (note,)


def _guess(content: bytes) -> str:
    runs = _HIGH_RUNS.findall(content)
    high = b"".join(runs)
    if len(high) < _MIN_RUN * len(runs):
        return _western(content)
    paired = sum(len(run) % 2 == 0 for run in runs)
    if paired >= _CONFIDENT_SHARE * len(runs) and _is_chinese(content, runs):
        return "gb18030"
    cyrillic = sum(byte in _CYRILLIC_LETTERS for byte in high)
    return "windows-1251" if cyrillic >= _CONFIDENT_SHARE * len(high) else _western(content)


def _western(content: bytes) -> str:
    """The western code page in which the bytes make the most sense as text."""
    return max(_WESTERN, key=lambda encoding: _sense(content.decode(encoding, errors="replace")))


def _sense(text: str) -> float:
    """How well characters beyond ASCII fit their neighbours: letters belong beside letters, and signs between words."""
    total = 0.0
    for match in _NOT_ASCII.finditer(text):
        before, here, after = text[match.start() - 1 : match.start()], match[0], text[match.end() : match.end() + 1]
        beside = [other for other in (before, after) if other.isalpha()]
        if here == _MICRO:
            total += _LETTER_BESIDE
        elif here.isalpha():
            # No capital follows a small letter within a word, and at its start a capital is the likelier.
            pairs = (before + here, here + after)
            odd = any(pair[0].islower() and pair[1].isupper() for pair in pairs if len(pair) == 2 and pair.isalpha())
            starts_small = here.islower() and not before.isalpha()
            total += (-1.0 if odd else _LETTER_BESIDE - starts_small) if beside else 0.0
        elif (len(beside) == 2 and here != _APOSTROPHE) or ord(here) in _C1 or here in _NO_TEXT:
            total += _OTHER_INSIDE
    return total


def _is_chinese(content: bytes, runs: list[bytes]) -> bool:
    leads = [byte for run in runs for byte in run[::2]]
    common = sum(lead in _COMMON_HANZI_LEADS for lead in leads)
    if 2 * common < len(leads):
        return False
    try:
        content.decode("gb18030")
    except UnicodeDecodeError:
        return False
    return True
