"""The matrix of sites against incidents."""

from __future__ import annotations

import re

from incidents.made_incidents import sag

from halfcycle.pipeline.report.incident_matrix import incident_figures
from halfcycle.pipeline.report.times import LocalTime

DEPTHS = {"Abbey": 0.85, "Brook": 0.7, "Croft": 0.4}


def test_the_matrix_has_a_row_a_site_a_column_an_incident_and_a_table_that_says_the_same() -> None:
    events = [sag(site, t, low=low) for site, low in DEPTHS.items() for t in (100.0, 5000.0)]
    events.append(sag("Dene", 7000.0))  # alone: in no column
    (figure,) = incident_figures(events, LocalTime())
    words = re.findall(r"<text[^>]*>([^<]*)</text>", figure.wide)
    assert {"Abbey", "Brook", "Croft", "1", "2"} <= set(words)
    assert "Dene" not in words
    assert figure.table is not None
    assert [row[2:6] for row in figure.table.rows] == [("3", "1", "Croft", "40 %")] * 2
    assert [row[6] for row in figure.table.rows] == ["Croft (95 %)"] * 2
    assert figure.sentence.startswith("2 of 2 incidents")


def test_a_narrow_drawing_shows_the_last_incidents_under_their_numbers() -> None:
    events = [sag(site, 1000.0 * k, low=low) for site, low in DEPTHS.items() for k in range(1, 16)]
    (figure,) = incident_figures(events, LocalTime())
    words = re.findall(r"<text[^>]*>([^<]*)</text>", figure.narrow)
    assert "15" in words
    assert "3" not in words


def test_there_is_no_matrix_without_an_incident_of_several_sites() -> None:
    assert incident_figures([], LocalTime()) == []
    assert incident_figures([sag("Abbey", 1.0), sag("Abbey", 5000.0)], LocalTime()) == []
    assert incident_figures([sag("Abbey", 1.0), sag("Brook", 9000.0, length_s=2.0)], LocalTime()) == []
