"""What is shown of names and texts from files, whoever wrote them."""

from __future__ import annotations

import io
import unicodedata
from contextlib import redirect_stderr, redirect_stdout

import pytest
from hypothesis import given
from hypothesis import strategies as st

from halfcycle.pipeline.cli import show
from halfcycle.pipeline.plain_text import percent, plain
from halfcycle.pipeline.report.summary import TextTable

SOURCE = "the project's own design: what steers a terminal or hides text is shown as an escape, the rest as it is"


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("Mill [north]", "Mill [north]"), ("[/x]", "[/x]"), ("Größe 2", "Größe 2"), ("станция 東", "станция 東"),
        ("\x1b[31mred", "\\x1b[31mred"), ("a\nb\tc\r", "a\\nb\\tc\\r"), ("\u202eback", "\\u202eback"),
        ("\u2066x\u2069", "\\u2066x\\u2069"), ("\x9b2J", "\\x9b2J"), ("a\u2028b", "a\\u2028b"), ("\udcff", "\\udcff"),
        ("\ufeffx", "\\ufeffx"), ("", ""), ("می\u200cخواهم", "می\u200cخواهم"), ("\uffff", "\\uffff"),
    ],
)  # fmt: skip
def test_signs_that_are_no_plain_text_are_spelled_out(text: str, shown: str) -> None:
    # SOURCE.
    assert plain(text) == shown


@given(st.text(st.characters()))
def test_nothing_that_steers_is_left_and_plain_text_stays(text: str) -> None:
    # SOURCE.
    shown = plain(text)
    assert not any(unicodedata.category(sign) in ("Cc", "Cs", "Zl", "Zp") for sign in shown)
    assert plain(shown) == shown
    shown.encode("utf-8")


@pytest.mark.parametrize("name", ["Mill [north]", "[/x]", "[bold]", "[link=http://x]y[/link]", ":warning:"])
def test_names_in_tables_are_shown_as_they_are(name: str) -> None:
    # SOURCE: marks of the library that draws tables mean nothing in a name.
    out = io.StringIO()
    with redirect_stdout(out):
        show.table(TextTable(f"events of {name}", ("site", name), ((name, "1"),)))
    assert out.getvalue().count(name) == 3


def test_no_escape_reaches_the_output() -> None:
    # SOURCE.
    name = "x\x1b]0;title\x07\u202ey"
    out = io.StringIO()
    with redirect_stdout(out), redirect_stderr(out):
        show.table(TextTable(name, (name,), ((name,),)))
        show.line(name)
        show.warning(name)
    assert out.getvalue().count("x\\x1b]0;title\\x07\\u202ey") == 5
    assert "\x1b" not in out.getvalue()
    assert "\u202e" not in out.getvalue()


@pytest.mark.parametrize(
    ("probability", "words"),
    [
        (0.0, "0 %"),
        (0.004, "<1 %"),
        (0.006, "1 %"),
        (0.95, "95 %"),
        (0.9949, "99 %"),
        (0.9992, ">99 %"),
        (1.0, "100 %"),
    ],
)
def test_what_is_not_certain_is_never_100_per_cent(probability: float, words: str) -> None:
    assert percent(probability) == words
