"""A survey in a report: trends against the bounds, rows of verdicts, and the sentences of the answer."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pyarrow as pa
from report.made_report import HOSTILE, SETTINGS, START, material
from report.test_report_page import Elements

from halfcycle.pipeline.report.content import build_content
from halfcycle.pipeline.report.folder import fleet_pages
from halfcycle.pipeline.report.markdown import summary
from halfcycle.pipeline.report.page import render
from halfcycle.pipeline.report.survey_view import (
    SurveyedPoint,
    compliance_tables,
    disagreement_sentences,
    trend_figures,
    verdict_sentences,
)
from halfcycle.pipeline.report.times import LocalTime
from halfcycle.pipeline.survey.compliance import assess, drawn_bounds, load_limit_profile

N = 1008  # intervals of 600 s in a week
PROFILE = load_limit_profile("en-50160-lv")


def surveyed(n_low: int, *, site: str = "Mill", declared: bool = True) -> SurveyedPoint:
    """A week of 230 V on one phase, with so many intervals at 200 V."""
    volts = np.full(N, 230.0)
    volts[:n_low] = 200.0
    start = pa.array(START + np.arange(N) * 600_000_000_000, pa.int64()).cast(pa.timestamp("ns", tz="UTC"))
    table = pa.table(
        {"start": start, "u_rms_a": volts, "coverage_pct": np.full(N, 100.0), "flagged": np.zeros(N, np.bool_)}
    )
    found = assess({600.0: table}, PROFILE, nominal_voltage_v=230.0, declared=declared)
    bounds = drawn_bounds(PROFILE, nominal_voltage_v=230.0, declared=declared)
    return SurveyedPoint(
        site=site,
        point="",
        columns={600.0: table.column_names},
        read=lambda _, names: (table.select(["start", *names]), ()),
        profile=PROFILE.title,
        assessments=found,
        bounds=bounds,
    )


def test_a_trend_is_drawn_against_its_bounds_and_counts_what_is_beyond() -> None:
    # 230 V with 90 to 110 % (found) and 85 % (memory): 207, 253 and 195.5 V; 200 V is below the first alone.
    figures = {figure.anchor: figure for figure in trend_figures([surveyed(30)], LocalTime())[0]}
    voltage = figures["trend-0-u-rms"]
    assert "from 200 V to 230 V; 30 of 1008 values beyond a bound" in voltage.sentence
    assert "at most 253 V, at least 207 V" in voltage.sentence
    assert voltage.table is not None
    assert voltage.table.rows == (("u_rms_a", "200", "229.11", "230", "1008"),)


def test_a_recorder_that_disagrees_with_its_waveforms_is_said_first_and_each_finding_is_a_row() -> None:
    found = ["u_rms_a is 0.1 times the value from the waveforms: a transformer ratio or a unit", "its clock", "wiring"]
    apart = replace(surveyed(0), disagreements=found)
    (said,) = disagreement_sentences([apart, surveyed(0, site="Lock")])
    assert said == (
        "The recorder's own values disagree with its waveforms: u_rms_a is 0.1 times the value from the waveforms: "
        "a transformer ratio or a unit; its clock; and 1 more."
    )
    page = Elements(render(build_content(material([], surveyed=[apart]), settings=SETTINGS), settings=SETTINGS))
    assert "Recorder and waveforms" in page.text
    assert all(text in page.text for text in found)
    assert "a transformer ratio or a unit" in summary(build_content(material([], surveyed=[apart]), settings=SETTINGS))
    agreeing = render(build_content(material([], surveyed=[surveyed(0)]), settings=SETTINGS), settings=SETTINGS)
    assert "Recorder and waveforms" not in agreeing
    pages = dict(fleet_pages(material([], surveyed=[apart, surveyed(0, site="Lock")]), settings=SETTINGS))
    said_on = [name for name, text in pages.items() if "Recorder and waveforms" in text]
    assert len(said_on) == 2  # the page of all sites, and that of the one
    assert any("At 1 measuring point the recorder" in text for text in pages.values())


def test_rows_of_limits_have_clause_bounds_value_coverage_and_verdict() -> None:
    # EN 50160: 95 % of the ten-minute values of a week within 10 %. 50 of 1008 are 4.96 %, 51 are 5.06 %: by hand.
    for n_low, verdict in ((50, "met"), (51, "exceeded")):
        (table,) = compliance_tables([surveyed(n_low)])
        assert "declared voltage 230 V" in table.title
        row = next(row for row in table.rows if row[0] == "voltage, 95 % of a week")
        assert row[1].startswith("EN 50160:2010, 4.2.2.2")
        assert row[3] == "u_rms_a"
        assert row[7] == "1008 of 1008 intervals, 0 flagged"
        assert row[8] == verdict
    assert any("not measured" in row[8] for row in table.rows)  # limits without a series are one row for each reason


def test_the_answer_says_whether_limits_are_met_and_what_could_not_be_judged() -> None:
    (said,) = verdict_sentences([surveyed(51)])
    assert said.startswith("The limits of EN 50160, low voltage are exceeded: voltage, 95 % of a week")
    assert "could not be judged" in said
    (said,) = verdict_sentences([surveyed(0)])
    assert "that could be judged are met" in said
    made = build_content(material([], surveyed=[surveyed(51), surveyed(0, site="Lock")]), settings=SETTINGS)
    assert any("exceeded at 1, met at 1" in sentence.text for sentence in made.lead)
    assert [answer.site for answer in made.answers] == ["Lock", "Mill"]
    assert not any("does not show whether limits are met" in sentence.text for sentence in made.lead)
    text = render(made, settings=SETTINGS)
    assert "Trends of the survey" in text
    assert 'id="trend-0-u-rms"' in text


def test_without_a_declared_voltage_no_bound_of_it_is_drawn() -> None:
    (figure,) = (one for one in trend_figures([surveyed(30, declared=False)], LocalTime())[0] if "u-rms" in one.anchor)
    assert "beyond" not in figure.sentence


def test_hostile_words_in_every_field_of_a_survey_stay_words() -> None:
    one = surveyed(51, site=HOSTILE)
    texts = ("name", "quantity", "series", "period", "reason", "bounds", "source")
    judged = [replace(found, **dict.fromkeys(texts, HOSTILE)) for found in one.assessments]  # type: ignore[arg-type]
    without = [replace(found, series="", reason=HOSTILE + str(k)) for k, found in enumerate(judged)]
    bounds = [replace(bound, name=HOSTILE, words=HOSTILE) for bound in one.bounds]
    table = one.read(600.0, ["u_rms_a"])[0]
    bad = [
        replace(one, point=HOSTILE, profile=HOSTILE, assessments=[*judged, *without], bounds=bounds,
                read=lambda _, names: (table, [HOSTILE])),
        replace(one, site="Lock", assessments=(), note=HOSTILE),
    ]  # fmt: skip
    settings = replace(SETTINGS, title=HOSTILE)
    pages = {"report.html": render(build_content(material([], surveyed=bad), settings=settings), settings=settings)}
    pages |= dict(fleet_pages(material([], surveyed=bad), settings=settings))
    for text in pages.values():
        assert text.count("<script>") == 1
        found = Elements(text)
        assert not {"img", "iframe", "object"} & {tag for tag, _ in found.found}
        for _, given in found.found:
            assert not [name for name in given if name.startswith("on") or name in ("style", "src")]
    assert pages["report.html"].count("alert(1)") > 10
    assert "<script>alert" not in summary(build_content(material([], surveyed=bad), settings=settings))
