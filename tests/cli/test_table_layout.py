"""Tables on narrow terminals: whatever fits or does not, every word stays whole."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from forked import run_code
from made_fleet import COMMAND, made_capture, write_capture

from halfcycle.pipeline.cli.table_layout import EDGE, GAP, column_widths, stacked_lines

SOURCE = "the project's own design: a table is read at 60 columns as at 200, words are never split"


def test_what_is_over_goes_to_the_narrowest_and_no_column_is_under_its_longest_word() -> None:
    # SOURCE.
    rows = [("site", "what was found"), ("Harrow Mill", "a sag of three phases and a half cycle")]
    assert column_widths(rows, 200) == [11, 38]
    assert column_widths(rows, 40) == [11, 40 - EDGE - 2 * GAP - 11]
    assert column_widths(rows, 6 + 6 + EDGE + 2 * GAP) == [6, 6]  # "Harrow" and "phases"
    assert column_widths(rows, 6 + 6 + 2 * GAP) is None


def test_signs_of_double_width_count_twice() -> None:
    # Unicode Standard Annex 11: wide characters take two columns.
    assert column_widths([("a", "b"), ("計測", "x")], 80) == [4, 1]


def test_a_row_that_is_too_wide_is_a_line_a_cell_and_a_long_word_runs_over() -> None:
    # SOURCE.
    word = "store/waveforms/site=Harrow-Mill/0123456789abcdef0123456789abcdef.parquet"
    lines = stacked_lines(("site", "captures", "note"), ("Harrow Mill", f"see {word} there", ""), 40)
    assert lines == ["site      Harrow Mill", "captures  see", f"          {word}", "          there"]


def words(*command: str | Path, cwd: Path, columns: int) -> set[str]:
    done = run_code(COMMAND, *command, cwd=cwd, terminal=True, columns=columns)
    assert done.returncode == 0, done.stdout
    shown = re.sub(r"[^\n]*\x1b\[2K", "", done.stdout)  # a bar of progress is no result, and is wiped away
    return set(re.sub(r"\x1b\[[0-9;?]*[A-Za-z]|[─\r]", " ", shown).split())


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder in which something was screened."""
    folder = tmp_path_factory.mktemp("narrow")
    for i, day in enumerate(("2026-03-01", "2026-03-02")):
        capture = made_capture(f"{day}T12:00:00", sags=[(0.5, 0.2, 0.5)], seed=i)
        write_capture(capture, folder / "captures" / f"{day}.cfg")
    done = run_code(COMMAND, "screen", "captures", "--explain", "--out", "events.parquet", cwd=folder)
    assert done.returncode == 0, done.stderr
    return folder


@pytest.mark.slow
@pytest.mark.parametrize("columns", [60, 80])
@pytest.mark.parametrize(
    "command",
    [
        "screen captures --explain --out again.parquet", "inspect captures", "inspect captures/2026-03-01.cfg",
        "measure captures/2026-03-01.cfg --interval 1 --limits en-50160-lv", "measure --list", "hookup",
        "hookup four-wire", "indices events.parquet",
    ],
)  # fmt: skip
def test_no_word_of_a_command_is_split_on_a_narrow_terminal(folder: Path, command: str, columns: int) -> None:
    # SOURCE.
    wide, narrow = (words(*command.split(), cwd=folder, columns=n) for n in (400, columns))
    assert {word for word in wide if re.search(r"\w", word)} - narrow == set()
