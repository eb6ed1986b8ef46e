"""The text of a configuration file, whatever code page it was written in.

Commas, digits and line ends are the same bytes in every code page below, so a wrong guess can spoil names only.
"""

from __future__ import annotations

import re

_HIGH_RUNS = re.compile(rb"[\x80-\xff]+")
_COMMON_HANZI_LEADS = range(0xB0, 0xD8)  # GB 2312 rows 16-55: the everyday characters
_CYRILLIC_LETTERS = frozenset(range(0xC0, 0x100)) | {0xA8, 0xB8}
_CONFIDENT_SHARE = 0.8
_MIN_RUN = 2.5  # bytes; accented letters of western languages come one or two at a time


def decode(content: bytes) -> tuple[str, tuple[str, ...]]:
    """Decode the bytes of a configuration file.

    UTF-8 is the rule. Where the bytes are not UTF-8 the code page is guessed: gb18030 where they come in pairs that
    are mostly everyday Chinese characters, windows-1251 where they are mostly Cyrillic letters in words, else
    latin-1, which takes any byte.

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
    return content.decode(encoding, errors="replace"), (
        f"the text is not UTF-8; read as {encoding}, names may be wrong",
    )


def _guess(content: bytes) -> str:
    runs = _HIGH_RUNS.findall(content)
    high = b"".join(runs)
    if len(high) < _MIN_RUN * len(runs):
        return "latin-1"
    paired = sum(len(run) % 2 == 0 for run in runs)
    if paired >= _CONFIDENT_SHARE * len(runs) and _is_chinese(content, runs):
        return "gb18030"
    cyrillic = sum(byte in _CYRILLIC_LETTERS for byte in high)
    return "windows-1251" if cyrillic >= _CONFIDENT_SHARE * len(high) else "latin-1"


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
