"""Text as it may be shown.

What in the text of files would steer a terminal, or hide or turn other text, is spelled out; counts have their nouns.
"""

from __future__ import annotations

import unicodedata
from typing import Final

# Control signs (escape sequences begin with one), format signs (which turn the direction of writing, or are not seen),
# what is no character, and ends of lines and paragraphs.
_SPELLED_OUT: Final = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})
_JOINERS: Final = frozenset("\u200c\u200d")  # format signs that the spelling of some languages needs


def plain(text: str) -> str:
    """The text with each sign that is no plain one spelled out as an escape, such as ``\\x1b``, ``\\n`` or ``\\u202e``.

    Parameters
    ----------
    text : of anybody; one line or cell of what is shown.
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(_shown(sign) for sign in text)


def counted(n: int, noun: str) -> str:
    """A count with its noun, such as "1 file" or "2 files".

    Parameters
    ----------
    n : how many.
    noun : in the singular, its plural made by an s.
    """
    return f"{n} {noun}{'s' * (n != 1)}"


def percent(probability: float) -> str:
    """A probability in whole per cent, such as "96 %"; what is not certain is never shown as 0 or 100 %.

    Parameters
    ----------
    probability : from 0 to 1. [1]
    """
    rounded = round(100 * probability)
    if rounded == 100 and probability < 1:
        return ">99 %"
    return "<1 %" if rounded == 0 and probability > 0 else f"{rounded} %"


def _shown(sign: str) -> str:
    is_character = ord(sign) & 0xFFFE != 0xFFFE  # the last two of each plane are none
    if is_character and (unicodedata.category(sign) not in _SPELLED_OUT or sign in _JOINERS):
        return sign
    return sign.encode("unicode_escape").decode("ascii")
