"""The account of a site: the nominal voltage is right or not told, one for a recorder, and a sag is never a swell."""

from __future__ import annotations

import math
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from sites.drawn_captures import archive, capture_of, to_the_end, waves

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.catalogue.judge import Terms, judge
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.record import Record, records_of
from halfcycle.pipeline.settings import Thresholds
from halfcycle.pipeline.sites.account import Declared, draft
from halfcycle.pipeline.sites.evidence import evidence_of, steady_beginning, windowed_rms
from halfcycle.pipeline.sites.recorders import Seen, accounts_of
from halfcycle.pipeline.sites.system_voltages import SURE, candidates

RMS_KINDS = {"sag", "swell", "interruption"}
TERMS = Terms(Thresholds())
SOURCE = "derived: levels, kinds and residual voltages are those that the captures were drawn with"


def outcome_of(drawn_seed: np.random.Generator, *, off_nominal: float) -> tuple[bool, str]:
    """(four cycles or more before the event, right, wrong or not judged)."""
    drawn = to_the_end(drawn_seed, off_nominal=off_nominal)
    found = judge(drawn.record, site="S", terms=TERMS)
    events = [event for event in found.events if event.kind in RMS_KINDS]
    long_enough = drawn.before_cycles >= 4
    if not events and any(item.reason for item in found.coverage):
        return long_enough, "not judged"
    allowed = {drawn.kind, "sag"} if drawn.kind == "interruption" else {drawn.kind}
    told = [event for event in events if event.kind == drawn.kind]
    if not told or {event.kind for event in events} - allowed:
        return long_enough, f"wrong: {drawn.kind} {drawn.residual_pu:.2f} as {[e.kind for e in events]}"
    residual_v = told[0].magnitude * told[0].reference_v
    right = abs(residual_v / drawn.level_v - drawn.residual_pu) <= 0.02
    return long_enough, "right" if right else f"wrong residual: {told[0].magnitude:.3f} for {drawn.residual_pu:.3f}"


@pytest.mark.parametrize("off_nominal", [0.03, 0.06])
@pytest.mark.parametrize("n", [120, pytest.param(1000, marks=[pytest.mark.slow, pytest.mark.exam])])
def test_an_event_that_lasts_to_the_end_is_judged_against_what_was_before_it(n: int, off_nominal: float) -> None:
    # SOURCE. The residual voltage in volts, since 1 pu is the nominal or the pre-event voltage, as the row says.
    rng = np.random.default_rng(n)
    counts = Counter(outcome_of(rng, off_nominal=off_nominal) for _ in range(n))
    wrong = {key: count for key, count in counts.items() if key[1].startswith("wrong")}
    assert wrong == {}
    n_long = sum(count for (long_enough, _), count in counts.items() if long_enough)
    # What is left are swells on all phases up to what another system's level would be: a sag that is over looks alike.
    assert counts[True, "right"] >= (0.99 if n >= 1000 else 0.98) * n_long


@pytest.mark.parametrize("n", [30, pytest.param(1000, marks=[pytest.mark.slow, pytest.mark.exam])])
@pytest.mark.parametrize("steady_off", [False, True])
def test_an_archive_has_one_nominal_voltage_right_or_not_told(n: int, steady_off: bool) -> None:
    # SOURCE. A site that stays 5 % off its nominal voltage may belong to a neighbouring system: then it is not told.
    rng = np.random.default_rng(n)
    outcomes: Counter[str] = Counter()
    for _ in range(n):
        drawn, nominal_v = archive(rng, steady_off=steady_off)
        seen = [Seen("S", Path("x"), evidence_of(one.record)) for one in drawn]
        found = {(account.site, account.points[0].nominal_v) for account in accounts_of(seen, lambda site: Declared())}
        assert len(found) == 1
        ((_, told_v),) = found
        right = told_v is not None and abs(told_v / nominal_v - 1) < 0.006
        outcomes["not told" if told_v is None else "right" if right else "wrong"] += 1
    assert outcomes["wrong"] <= 0.01 * (outcomes["right"] + outcomes["wrong"])
    assert outcomes["right"] >= (0.4 if steady_off else 0.9) * n


# --- what each kind of knowledge is worth


def record_of(u: np.ndarray, **more: object) -> Record:
    capture = capture_of(u, rate_hz=3200.0, line_to_line=False, scale=0.05, **more)  # type: ignore[arg-type]
    (record,) = records_of([Piece(capture.header, lambda: capture, lambda: "d")])
    return record


def steady(volts: float, *, n_s: float = 1.0, hertz: float = 50.0) -> np.ndarray:
    t = np.arange(int(3200 * n_s)) / 3200
    return waves(t, level_v=volts, hertz=hertz, phase=0.3, factor=1.0, phases=())


def with_rated(record: Record, rated: float) -> Record:
    capture = record.pieces[0].load()
    channels = tuple(
        Channel(c.name, c.quantity, c.phase, c.unit, c.scale, rated=rated) for c in capture.header.channels
    )
    header = Header("S", 0, 3200.0, capture.header.n_samples, channels, "int16")
    (again,) = records_of([Piece(header, lambda: Capture(header, capture.samples), lambda: "d")])
    return again


def test_what_is_declared_goes_before_what_is_stated_and_that_before_what_is_inferred() -> None:
    record = with_rated(record_of(steady(232.0)), 240.0)
    evidence = evidence_of(record)
    (declared,) = draft("S", [evidence], Declared(nominal_voltage_v=220.0)).points
    (stated,) = draft("S", [evidence], Declared()).points
    (inferred,) = draft("S", [evidence_of(record_of(steady(232.0)))], Declared()).points
    assert (declared.nominal_v, declared.nominal_kind) == (220.0, "declared")
    assert (stated.nominal_v, stated.nominal_kind) == (240.0, "stated by the file")
    assert (inferred.nominal_v, inferred.nominal_kind) == (230.0, "inferred")
    assert inferred.probability is not None
    assert inferred.probability >= SURE


@pytest.mark.parametrize(
    ("rated", "nominal_v"),
    [(230.0, 230.0), (400.0, 400 / 3**0.5), (325.27, 230.0), (565.7, 400 / 3**0.5)],
    ids=["to neutral", "between lines", "a peak", "a peak between lines"],
)
def test_a_rated_value_is_taken_in_the_form_that_lies_near_the_level(rated: float, nominal_v: float) -> None:
    # Derived: between lines sqrt(3) times to neutral; a peak is sqrt(2) times an RMS.
    (point,) = draft("S", [evidence_of(with_rated(record_of(steady(229.0)), rated))], Declared()).points
    assert point.nominal_v == pytest.approx(nominal_v, rel=1e-3)
    (far,) = draft("S", [evidence_of(with_rated(record_of(steady(229.0)), 11_000.0))], Declared()).points
    assert far.nominal_kind == "inferred"


@pytest.mark.parametrize(
    ("level_v", "hertz", "line_to_line", "told_v"),
    [
        (230.94, 50.0, False, 230.0),
        (219.39, 50.0, False, None),  # 230 V 5 % low, or the former 220 V
        (225.0, 50.0, False, 230.0),
        (120.0, 60.0, False, 120.0),
        (10_500.0, 50.0, True, None),  # 10 kV 5 % high, or 11 kV 5 % low
        (103_700.0, 50.0, True, None),  # 90 kV 15 % high, or 110 kV 6 % low
        (161.0, 50.0, False, None),
    ],
)
def test_a_level_tells_a_system_voltage_only_where_no_other_is_likely(
    level_v: float, hertz: float, line_to_line: bool, told_v: float | None
) -> None:
    # Voltages of IEC 60038 (from memory); which are likely is common practice, no source.
    best = candidates([level_v], line_to_line=line_to_line, frequency_hz=hertz)[0]
    told = best.volts if best.probability >= SURE else None
    assert told == (None if told_v is None else pytest.approx(told_v))


def test_probabilities_of_candidates_add_up_to_less_than_one() -> None:
    for level_v in np.geomspace(50, 500_000, 200):
        found = candidates([level_v], line_to_line=True, frequency_hz=50.0)
        assert 0 <= sum(one.probability for one in found) < 1
        assert [one.probability for one in found] == sorted((one.probability for one in found), reverse=True)


def test_a_declared_voltage_that_cannot_be_a_points_is_refused_for_that_point_alone() -> None:
    battery = np.full((1, 3200), 110.0)
    idle = np.random.default_rng(1).normal(0, 0.05, (3, 3200))
    u = np.concatenate([steady(6350.0) / 10, idle, battery])
    names = [("bus", "A"), ("bus", "B"), ("bus", "C"), ("spare", "A"), ("spare", "B"), ("spare", "C"), ("dc", "A")]
    channels = tuple(
        Channel(f"U{i}", "voltage", phase, "V", scale=0.05, point=point) for i, (point, phase) in enumerate(names)
    )
    header = Header("S", 0, 3200.0, 3200, channels, "int16")
    capture = Capture(header, np.rint(u / 0.05).astype(np.int16))
    (record,) = records_of([Piece(header, lambda: capture, lambda: "d")])
    found = judge(record, site="S", terms=Terms(Thresholds(), 635.0, 50.0))
    assert found.events == ()
    assert {item.point: item.judged_s > 0 for item in found.coverage} == {"bus": True, "spare": False, "dc": False}


def test_a_phase_that_other_records_show_is_lost_and_no_unused_input() -> None:
    whole, lost = steady(230.0), steady(230.0)
    lost[2] = 0.0
    evidence = [evidence_of(record_of(u)) for u in (whole, lost)]
    account = draft("S", evidence, Declared())
    assert account.points[0].in_use == (True, True, True)
    alone = draft("S", evidence[1:], Declared())
    assert alone.points[0].in_use == (True, True, False)


def test_a_record_that_begins_in_a_sag_is_judged_by_what_the_others_show() -> None:
    t = np.arange(3200) / 3200
    dipped = waves(t, level_v=163.0, hertz=50, phase=0, factor=np.where(t < 0.4, 0.6, 1.0), phases=(0, 1, 2))
    alone = judge(record_of(dipped), site="S", terms=TERMS)
    assert alone.events == ()
    assert "nominal voltage" in alone.coverage[0].reason
    account = draft("S", [evidence_of(record_of(u)) for u in (steady(163.0), steady(164.0), dipped)], Declared())
    (event,) = judge(record_of(dipped), site="S", terms=TERMS, account=account).events
    assert (event.kind, event.reference_kind, event.open_start) == ("sag", "pre-event", True)
    assert event.magnitude == pytest.approx(0.6, abs=0.01)
    assert event.nominal_kind is None


def test_recorders_that_only_their_frequency_or_level_tells_apart_have_accounts_of_their_own() -> None:
    records = [record_of(steady(230.0)), record_of(steady(231.0)), record_of(steady(7200.0) / 5, station="S")]
    sixty = record_of(steady(120.0, hertz=60.0))
    seen = [Seen("S", Path("x"), evidence_of(record)) for record in [*records, sixty]]
    names = [account.site for account in accounts_of(seen, lambda site: Declared())]
    assert names[0] == names[1]
    assert len(set(names)) == 2  # one other level is an event until a second record shows it
    more = [*seen, Seen("S", Path("x"), evidence_of(record_of(steady(7210.0) / 5)))]
    assert len({account.site for account in accounts_of(more, lambda site: Declared())}) == 3


def test_records_that_begin_in_an_event_are_no_other_recorder() -> None:
    # Derived: two thirds of each lie at 0.55 of the level that the others begin with, as an event has it.
    t = np.arange(3200) / 3200
    factor = np.where(t < 0.03, 1.0, np.where(t < 0.8, 0.55, 1.0))
    sags = [waves(t, level_v=v, hertz=50, phase=0.2, factor=factor, phases=(0, 1, 2)) for v in (231.0, 232.0)]
    seen = [Seen("S", Path("x"), evidence_of(record_of(u))) for u in (steady(230.0), steady(231.0), *sags)]
    assert [one.evidence.points[0].level_v is None for one in seen] == [False, False, True, True]
    assert len({account.site for account in accounts_of(seen, lambda site: Declared())}) == 1


@pytest.mark.parametrize("hertz", [43.0, 47.5, 50.0, 52.0, 57.0])
def test_windows_follow_the_fundamental(hertz: float) -> None:
    # Derived: the RMS of a sine over whole cycles is constant.
    u = steady(230.0, hertz=hertz)
    rms = windowed_rms(u, rate_hz=3200.0, frequency_hz=50.0)
    level, n = steady_beginning(rms)
    assert level == pytest.approx(230.0, rel=0.01)
    assert n == rms.shape[1]


def test_a_beginning_is_steady_only_where_two_cycles_and_the_phases_agree() -> None:
    assert steady_beginning(np.full((3, 2), 230.0)) == (None, 0)
    assert steady_beginning(np.full((3, 3), 230.0)) == (pytest.approx(230.0), 3)
    apart = np.repeat([[230.0], [230.0], [180.0]], 10, axis=1)
    assert steady_beginning(apart) == (None, 0)
    ramp = np.repeat([np.linspace(100, 230, 10)], 3, axis=0)
    assert steady_beginning(ramp) == (None, 0)
    assert steady_beginning(np.zeros((0, 10))) == (None, 0)
    assert math.isclose(steady_beginning(np.array([[230.0] * 5 + [100.0] * 5]))[0] or 0, 230.0)
