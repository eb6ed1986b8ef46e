"""The report: what it says; nothing in it is interpreted, it asks for nothing, it is the same each time."""

from __future__ import annotations

import base64
import hashlib
import re
from html.parser import HTMLParser

import numpy as np
import pytest
from report.made_report import HOSTILE, SETTINGS, START, event, material, no_slice, slice_for

from halfcycle.pipeline.capture import Channel
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.indices.coverage import CoverageSpan
from halfcycle.pipeline.indices.curves import curve, curves
from halfcycle.pipeline.locales import manner_of
from halfcycle.pipeline.report.content import Content, ReportSettings, build_content
from halfcycle.pipeline.report.event_words import event_sentences
from halfcycle.pipeline.report.markdown import summary
from halfcycle.pipeline.report.page import render
from halfcycle.pipeline.report.slice import Slice
from halfcycle.pipeline.report.times import LocalTime


def content(events: list[Event], **more: object) -> Content:
    return build_content(material(events, **more), settings=SETTINGS)


def page(events: list[Event], **more: object) -> str:
    return render(content(events, **more), settings=SETTINGS)


class Elements(HTMLParser):
    """Elements of a page with their attributes, and the text outside scripts and styles."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self._inside = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))
        self._inside = tag

    def handle_endtag(self, tag: str) -> None:
        self._inside = ""

    def handle_data(self, data: str) -> None:
        if self._inside not in ("script", "style"):
            self.text += data


# --- what it asks for, and what is interpreted


def test_the_page_names_nothing_outside_itself() -> None:
    text = page([event()])
    for tag, given in Elements(text).found:
        assert tag not in ("link", "img", "iframe", "object", "embed", "base", "audio", "video", "source")
        assert "src" not in given
        assert "style" not in given
        assert not [name for name in given if name.startswith("on")]
        assert (given.get("href") or "#").startswith("#")
    assert not re.findall(r"https?://(?!www\.w3\.org/2000/svg)", text)
    assert "url(" not in text
    assert "@import" not in text


def test_its_policy_allows_its_own_style_and_script_by_their_digests_and_nothing_else() -> None:
    text = page([event()])
    policy = next(g["content"] for tag, g in Elements(text).found if g.get("http-equiv") == "Content-Security-Policy")
    assert policy is not None
    rules = dict(part.split(" ", 1) for part in policy.split("; "))
    assert rules["default-src"] == "'none'"
    for rule, element in (("style-src", "style"), ("script-src", "script")):
        inside = re.findall(rf"<{element}>(.*?)</{element}>", text, re.DOTALL)
        assert len(inside) == 1
        digest = base64.b64encode(hashlib.sha256(inside[0].encode()).digest()).decode()
        assert rules[rule] == f"'sha256-{digest}'"


def test_hostile_words_in_every_field_stay_words() -> None:
    texts = {
        name: HOSTILE
        for name, field in Event.__dataclass_fields__.items()
        if field.type in ("str", "str | None") and name not in ("kind", "event_id", "magnitude_unit", "phases")
    }
    bad = event(**{**texts, "event_id": "e1"})
    other = event(5, kind="noise", site=HOSTILE, phases=HOSTILE, magnitude_unit=HOSTILE)
    spans = [CoverageSpan(HOSTILE, HOSTILE, START, START + 10**9, 0.5, 0.1, HOSTILE)]
    channels = (Channel(HOSTILE, "voltage", "", HOSTILE), Channel(HOSTILE, "current", "A", HOSTILE))

    def hostile_slice(_: Event) -> Slice:
        return Slice(channels, np.ones((2, 800), np.int16), 1600.0, -400.0, 100.0, HOSTILE, (HOSTILE,))

    for slices in (hostile_slice, no_slice):
        text = page([bad, other], coverage=spans, slices=slices, provenance=[(HOSTILE, HOSTILE)])
        clean = page(
            [event(), event(5, kind="noise")], coverage=[CoverageSpan("Mill", None, START, START + 10**9, 1.0)]
        )
        assert {tag for tag, _ in Elements(text).found} <= {tag for tag, _ in Elements(clean).found} | {"p"}
        assert text.count("<script>") == 1
        links = [given.get("href") for _, given in Elements(text).found if given.get("href")]
        assert all(str(link).startswith("#") for link in links)
        assert "{{7*7}}" in Elements(text).text
        assert "\x00" not in text
        text.encode("utf-8")


def test_the_same_input_gives_the_same_bytes() -> None:
    events = [event(k * 100.0, magnitude=0.1 * k) for k in range(1, 9)]
    assert page(events) == page(list(events))
    now = re.findall(r"20[0-9]{2}-[0-9]{2}-[0-9]{2}", page(events))
    assert set(now) == {"2026-03-01"}  # no day but the data's


def test_every_link_leads_to_a_place_in_the_page_and_no_place_is_named_twice() -> None:
    events = [event(k * 100.0, site=f"Site {k % 3}", magnitude=0.1 * k) for k in range(1, 25)]
    for worst in (0, 1, 12):
        settings = ReportSettings(curve=curve("iti"), worst=worst)
        found = Elements(
            render(build_content(material(events, slices=slice_for), settings=settings), settings=settings)
        ).found
        assert_links_lead_somewhere(found)


def assert_links_lead_somewhere(found: list[tuple[str, dict[str, str | None]]]) -> None:
    names = [given["id"] for _, given in found if "id" in given]
    assert len(names) == len(set(names))
    assert {str(given["href"])[1:] for _, given in found if "href" in given} <= set(names)
    labels = {given["aria-labelledby"] for _, given in found if "aria-labelledby" in given}
    assert labels <= set(names)


# --- what it says


def test_the_answer_comes_first_with_numbers_that_are_right() -> None:
    # By hand: of 0.5 for 0.3 s, 0.85 for 0.3 s, 0.6 for 0.01 s and 1.2 for 1 s the first is below the ITI curve
    # (70 % from 20 ms to 0.5 s; found), the swell above it (110 % from 0.5 s; found).
    events = [
        event(0, direction="upstream", cause="fault", cause_confidence=0.9),
        event(100, magnitude=0.85, direction="downstream", cause="motor start", cause_confidence=0.7),
        event(200, magnitude=0.6, observed_s=0.01, direction="unknown", cause="fault", cause_confidence=0.5),
        event(300, kind="swell", magnitude=1.2, observed_s=1.0, category="momentary swell"),
    ]
    made = content(events)
    said = " ".join(sentence.text for sentence in made.lead)
    assert "4 events were found at one site" in said
    assert "1 of 3 sags and interruptions of at most a minute went below the ITI curve (2000), at one site" in said
    assert "This catalogue does not show whether limits are met" in said
    assert "The judged time is unknown" in said
    (answer,) = made.answers
    site = " ".join(sentence.text for sentence in answer.sentences)
    assert "It had 3 sags and 1 swell, in 1 incident." in site
    assert "The worst was the momentary swell of 1 March 2026, 12:05:00 UTC: 120.0 % for 1 s." in site
    assert "1 of its 3 sags and interruptions of at most a minute went below the ITI curve (2000)." in site
    assert "Side: 1 from upstream and 1 from downstream; 2 unknown." in site
    cause = "The likely cause of 2 of 3 events is a short circuit in the network"
    assert f"{cause} (50 to 90 % probable)." in site
    assert made.scatter is not None
    assert "1 below the ITI curve (2000), 2 within it, 1 above it" in made.scatter.sentence
    text = page(events)
    assert text.index('id="answer"') < text.index('id="coverage"') < text.index('id="events"')


def test_what_is_not_known_is_said() -> None:
    text = Elements(page([event()], slices=no_slice)).text
    assert "No waveform:" in text
    assert "is not known: the catalogue does not say" in text
    assert "whether they are met cannot be told" in text
    assert "the judged time is unknown" in text
    empty = Elements(page([])).text
    assert "No event was found" in empty


def test_coverage_gives_the_time_judged_and_rates() -> None:
    day = 86_400.0
    spans = [CoverageSpan("Mill", None, START, START + round(10 * day * 1e9), 9.5 * day, 0.1 * day, "missing samples")]
    made = content([event()], coverage=spans)
    site = " ".join(sentence.text for sentence in made.answers[0].sentences)
    assert "95 % of the time" in site
    assert "missing samples" in site
    assert made.coverage is not None
    assert made.coverage.table is not None
    assert made.coverage.table.rows[0][1:4] == ("228 h", "2.4 h", "9.6 h")
    polyphase = next(table for table in made.indices if "polyphase" in table.title and "SARFI" in table.title)
    assert polyphase.rows[0][-1].startswith("3.2 (")  # 1 event in 9.5 days is 3.16 in 30


def test_the_worst_events_are_shown_and_other_kinds_have_their_share() -> None:
    sags = [event(k * 100.0, magnitude=0.9 - 0.02 * k) for k in range(30)]
    others = [event(5 + k * 100.0, kind="oscillatory_transient", magnitude=0.1 * k, observed_s=0.01) for k in range(5)]
    made = build_content(
        material([*sags, *others], slices=slice_for), settings=ReportSettings(curve=curve("iti"), worst=9)
    )
    shown = [view.event for view in made.events]
    assert len(shown) == 9
    assert [one.kind for one in shown].count("oscillatory_transient") == 3
    assert shown[0].magnitude == min(one.magnitude for one in sags)
    assert len(made.all_events.rows) == 35
    assert sum(bool(anchor) for anchor in made.anchors) == 9


def test_times_are_the_sites_with_utc_beside_them() -> None:
    # 12:00 UTC on 1 March is 13:00 in Madrid: CET is UTC+1.
    made = content([event()], zones={"Mill": "Europe/Madrid"})
    assert "13:00:00 CET" in made.answers[0].sentences[1].text
    facts = dict(made.events[0].facts.rows)
    assert facts["start"] == "2026-03-01 13:00:00.000 Europe/Madrid"
    assert facts["start in UTC"] == "2026-03-01 12:00:00.000 UTC"
    assert LocalTime("Europe/Madrid").exact(START + 1_234_567_891) == "2026-03-01 13:00:01.234"
    apart = content([event(), event(1, site="T")], zones={"Mill": "Europe/Madrid", "T": "Europe/Lisbon"})
    assert apart.clock.zone == "UTC"


def test_a_locale_changes_marks_and_dates_and_no_word() -> None:
    # German marks and dates: 115,0 V is ours by hand, dates by CLDR (from memory). Names and what was stored stay.
    events = [event(magnitude=0.5125, site="Mill 0.4 kV", why="the voltage falls to 0.51 pu", source="a.1.csv")]
    zones = {"Mill 0.4 kV": "Europe/Berlin"}
    settings = ReportSettings(curve=curve("iti"), manner=manner_of("de-DE"))
    made = build_content(material(events, slices=slice_for, zones=zones), settings=settings)
    text = render(made, settings=settings)
    seen = Elements(text).text.replace("\N{NO-BREAK SPACE}", " ")
    assert '<html lang="en" data-decimal=",">' in text
    assert "51,2 % of the nominal voltage (118 V) for 300 ms" in seen
    assert "1. März 2026, 13:00:00 MEZ (12:00:00 UTC)" in seen
    assert "01.03.2026, 13:00:00,000" in seen
    assert "falls to 0,51 pu" in seen
    assert "Mill 0.4 kV" in seen
    assert "Mill 0,4" not in seen
    assert "a.1.csv" in seen
    assert "51,2 %" in summary(made)
    plain = build_content(material(events, slices=slice_for, zones=zones), settings=SETTINGS)
    assert "51.2 %" in Elements(render(plain, settings=SETTINGS)).text.replace("\N{NO-BREAK SPACE}", " ")
    assert render(made, settings=settings) == text


@pytest.mark.parametrize("name", [one.name for one in curves()])
def test_every_curve_can_be_drawn(name: str) -> None:
    made = build_content(material([event()], slices=no_slice), settings=ReportSettings(curve=curve(name)))
    assert made.scatter is not None
    assert curve(name).title in made.scatter.sentence


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (
            {},
            "the voltage of all three phases fell to 50.0 % of the nominal voltage (115 V) for 300 ms: "
            "instantaneous sag.",
        ),
        ({"phases": "AB", "line_to_line": True}, "the line-to-line voltage AB fell to 50.0 %"),
        ({"kind": "swell", "magnitude": 1.2, "phases": "B"}, "the voltage of phase B rose to 120.0 %"),
        ({"open_end": True}, "The record does not show where it ended, so it may have lasted longer."),
        ({"quality": "clipped"}, "Some of its samples were flagged (clipped)"),
        ({"cause": "unknown"}, "These waveforms do not show the cause."),
        ({"direction": "upstream"}, "It came from upstream of the measuring point"),
        ({"dip_type": "Ca"}, "Its three-phase type is Ca: two phases dropped"),
        (
            {"stages": 2, "stage_magnitudes": "0.5 0.8", "stage_durations_s": "0.1 0.2"},
            "0.5 pu for 0.1 s; 0.8 pu for 0.2 s",
        ),
        (
            {"kind": "inrush", "magnitude": 12.0, "magnitude_unit": "A", "category": "inrush current"},
            "an inrush current",
        ),
        ({"reference_kind": "inferred"}, "of the nominal voltage inferred from the data"),
    ],
)
def test_events_are_told_in_sentences(more: dict[str, object], said: str) -> None:
    assert said in " ".join(event_sentences(event(**more)))


# --- size


@pytest.mark.long
def test_a_page_of_two_hundred_events_stays_small() -> None:
    # The bar: 200 events in at most 5 MB.
    def brief(_: Event) -> Slice:
        whole = slice_for(_)
        channels = whole.channels + tuple(Channel(f"I{p}", "current", p, "A") for p in "ABC")
        return Slice(channels, np.concatenate([whole.samples] * 2), 1600.0, -400.0, 480.0)

    events = [event(k * 100.0, magnitude=0.4 + 0.002 * k) for k in range(200)]
    made = build_content(material(events, slices=brief), settings=ReportSettings(curve=curve("iti"), worst=200))
    assert len(made.events) == 200
    assert len(render(made, settings=SETTINGS).encode()) <= 5_000_000


# --- as Markdown


def test_the_summary_says_the_answer_and_words_from_files_are_no_markup() -> None:
    text = summary(content([event(site="Mill *1* [x](y)|z", magnitude=0.3)]))
    assert text.startswith("# Voltage events at Mill \\*1\\* \\[x\\](y)\\|z\n")
    assert "1 event was found at one site" in text
    assert "| 30.0 % | 300 ms |" in text
    assert "must not be used for switching" in text
    hostile = summary(content([event(site=HOSTILE, category=HOSTILE, cause=HOSTILE)]))
    assert not re.search(r"(?<!\\)<script", hostile)
    assert hostile.count("\n# ") == 0
