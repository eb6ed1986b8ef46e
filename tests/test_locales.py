"""Numbers, dates and times as a locale writes them; without one they are plain English."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.locales import (
    clock_words,
    day_words,
    exact_words,
    manner_of,
    number,
    own_words,
    short_day,
    short_time,
    written_in,
)

MOMENT = datetime(2026, 3, 1, 13, 5, 9, 234_500, tzinfo=ZoneInfo("Europe/Madrid"))


def all_of() -> tuple[str, ...]:
    return (
        number(1234.5, ".6g"),
        day_words(MOMENT),
        clock_words(MOMENT, zone="Europe/Madrid"),
        exact_words(MOMENT),
        short_day(MOMENT),
        short_time(MOMENT),
    )


@pytest.mark.parametrize(
    ("locale", "expected"),
    [  # plain English: ours; the others: CLDR's charts of these locales (from memory), grouping of digits left out
        ("", ("1234.5", "1 March 2026", "13:05:09 CET", "2026-03-01 13:05:09.234", "03-01", "13:05")),
        ("de_DE", ("1234,5", "1. März 2026", "13:05:09 MEZ", "01.03.2026, 13:05:09,234", "1.3.", "13:05")),
        ("sv-SE", ("1234,5", "1 mars 2026", "13:05:09 CET", "1 mars 2026, 13:05:09,234", "1/3", "13:05")),
        (
            "en_US",
            ("1234.5", "March 1, 2026", "1:05:09\u202fPM CET", "Mar 1, 2026, 1:05:09.234\u202fPM", "3/1",
             "1:05\u202fPM"),
        ),
    ],
)  # fmt: skip
def test_a_locale_has_its_marks_and_its_order(locale: str, expected: tuple[str, ...]) -> None:
    with written_in(manner_of(locale)):
        assert all_of() == expected
    assert all_of()[0] == "1234.5"  # as before


def test_words_of_ours_are_written_anew_and_what_is_no_number_stays() -> None:
    text = "20/0.4 kV, 2026-03-01 12:00:00.5, 4.2.2, C37.111, e-4.5: at least 207.5 V (90.5 %), by -0.25 pu"
    assert own_words(text) == text
    with written_in(manner_of("fr")):
        assert own_words(text) == text.replace("207.5", "207,5").replace("90.5 %", "90,5 %").replace("0.25", "0,25")


@pytest.mark.parametrize("name", ["xx", "de_XX", "../../etc", "english", "\x00", "a" * 300])
def test_a_locale_that_is_not_known_is_refused_in_a_sentence(name: str) -> None:
    with pytest.raises(ConfigError, match="is not known; name a language and a territory, such as de_DE"):
        manner_of(name)
