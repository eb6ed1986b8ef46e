"""Sides of solved faults behind every single wiring mistake: right where the account is sure, withheld where it is not.

SOURCE of every expectation: the circuit, which is built with its fault on a known side, and the leads and clamps, which
are put on its conductors here, rightly or with one mistake. How often is the project's own bar.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from itertools import combinations

import numpy as np
import pytest
from made_circuits import FLOWS, FREQUENCY_HZ, NOMINAL_V, RATE_HZ, Case, fault_case, generation_case

from halfcycle.pipeline.catalogue.explain import Explanation, explain
from halfcycle.pipeline.measures.event_window import EventWindow
from halfcycle.pipeline.sites.wiring import Diagnosis, check_wiring
from halfcycle.pipeline.sites.wiring_correction import Wiring, told_wiring, wiring_of
from halfcycle.pipeline.sites.wiring_model import Mistake
from halfcycle.pipeline.terms import HOOKUPS

F64 = np.ndarray
ROWS = {"A": 0, "B": 1, "C": 2}
LINES = ("AB", "BC", "CA")
ROTATIONS = (("B", "C", "A"), ("C", "A", "B"))
CONFIDENT = 0.5


class Installation:
    """Conductors of a circuit, and what the leads, clamps and inputs make of them."""

    def __init__(self, case: Case, hookup: str) -> None:
        self.case, self.hookup = case, hookup
        self.potentials = {**{p: case.noisy_u[k] for p, k in ROWS.items()}, "N": np.zeros(case.noisy_u.shape[1])}
        self.currents = {p: case.noisy_i[k] for p, k in ROWS.items()}
        self.leads = {lead: lead for lead in "ABCN"}
        self.clamps = {clamp: clamp for clamp in "ABC"}
        self.factors: dict[str, float] = {}

    @property
    def channels(self) -> tuple[str, ...]:
        return LINES if self.hookup == "three-wire" else ("A", "B", "C")

    def recorded(self) -> tuple[F64, F64]:
        def voltage(channel: str) -> F64:
            second = channel[1] if len(channel) == 2 else "N"
            across = self.potentials[self.leads[channel[0]]] - self.potentials[self.leads[second]]
            return across * self.factors.get("U" + channel, 1.0)

        u = np.stack([voltage(channel) for channel in self.channels])
        i = np.stack([self.currents[self.clamps[c]] * self.factors.get("I" + c, 1.0) for c in "ABC"])
        return u, i

    def wiring(self, **more: bool) -> Wiring:
        u, i = self.recorded()
        calm = int(self.case.start - 1.5 * RATE_HZ / FREQUENCY_HZ)
        nominal = NOMINAL_V if self.hookup == "three-wire" else NOMINAL_V / 3**0.5
        return told_wiring(
            u[:, :calm], i[:, :calm], phases=(self.channels, "ABC"), rate_hz=RATE_HZ, frequency_hz=FREQUENCY_HZ,
            hookup=HOOKUPS[self.hookup], nominal_v=nominal, **more,
        )  # fmt: skip

    def explained(self, wiring: Wiring | None) -> Explanation:
        u, i = self.recorded()
        line_to_line = self.hookup == "three-wire"
        window = EventWindow(u, i, RATE_HZ, FREQUENCY_HZ, self.case.start, self.case.stop, line_to_line)
        return explain(window, sag=True, wiring=wiring)

    def side(self, wiring: Wiring | None) -> tuple[str | None, float]:
        direction = self.explained(wiring).direction
        return (None, 0.0) if direction is None else (direction.direction, direction.confidence)


Make = Callable[[Installation], None]


def placed(which: str, **places: str) -> Make:
    return lambda site: getattr(site, which).update(places)


def scaled(**factors: float) -> Make:
    return lambda site: site.factors.update(factors)


def network_mirrored(site: Installation) -> None:
    for places in (site.potentials, site.currents):
        places["B"], places["C"] = places["C"], places["B"]


def star_point_off(site: Installation) -> None:
    """The neutral's lead is off: the recorder's star point lies where its inputs put it."""
    pot = site.potentials
    site.potentials = {**pot, "N": 0.5 * pot["A"] + 0.3 * pot["B"] + 0.2 * pot["C"]}


def mistakes_of(hookup: str) -> Iterator[tuple[str, Make]]:
    """Every kind of single mistake, each channel in turn."""
    channels = LINES if hookup == "three-wire" else tuple("ABC")
    yield "rotation of the network", network_mirrored
    yield "nominal", scaled(**{f"U{channel}": 0.1 for channel in channels})
    for a, b in combinations("ABC", 2):
        yield f"leads {a}{b} exchanged", placed("leads", **{a: b, b: a})
        yield f"clamps {a}{b} exchanged", placed("clamps", **{a: b, b: a})
    for order in ROTATIONS:
        yield f"leads on {order}", placed("leads", **dict(zip("ABC", order, strict=True)))
        yield f"clamps on {order}", placed("clamps", **dict(zip("ABC", order, strict=True)))
    for channel in channels:
        for factor in (-1.0, 0.0005, 3**-0.5, 10.0):
            yield f"U{channel} times {factor:.3g}", scaled(**{f"U{channel}": factor})
    for clamp in "ABC":
        for factor in (-1.0, 0.0005, 0.1, 10.0):
            yield f"I{clamp} times {factor:.3g}", scaled(**{f"I{clamp}": factor})
        for other in "ABC".replace(clamp, ""):
            yield f"clamp {clamp} on {other}", placed("clamps", **{clamp: other})
            if hookup != "three-wire":
                yield f"lead {clamp} on {other}", placed("leads", **{clamp: other})
    if hookup != "three-wire":
        yield "neutral lead off", star_point_off
        for lead in "ABC":
            yield f"leads {lead}N exchanged", placed("leads", **{lead: "N", "N": lead})
    yield "all clamps backwards", scaled(IA=-1.0, IB=-1.0, IC=-1.0)


def outcomes(cases: Iterator[tuple[Installation, str, Make]]) -> dict[str, Counter[str]]:
    """By verdict on the wiring: how often the side was right, wrong and sure of it, or not told."""
    counts = {verdict: Counter[str]() for verdict in ("right", "put right", "withheld")}
    for site, mistake, make in cases:
        truth = site.case.recording.truth[0].direction
        make(site)
        wiring = site.wiring()
        side, confidence = site.side(wiring)
        word = "right" if side == truth else "unknown" if side in (None, "unknown") else "wrong"
        if word == "wrong" and confidence >= CONFIDENT:
            counts[wiring.verdict][f"wrong: {mistake}"] += 1
        counts[wiring.verdict][word] += 1
    print({verdict: dict(count) for verdict, count in counts.items()})
    return counts


def drawn(seed: int, *, n: int, every: bool) -> Iterator[tuple[Installation, str, Make]]:
    """Faults on either side; each with every mistake in turn, or with the next one."""
    for k in range(n):
        hookup = ("four-wire", "three-wire", "four-wire")[k % 3]
        case = fault_case(np.random.default_rng([k, seed]), place=("downstream", "upstream", "source")[k // 3 % 3])
        mistakes = list(mistakes_of(hookup))
        for mistake, make in mistakes if every else [mistakes[k // 3 % len(mistakes)]]:
            yield Installation(case, hookup), mistake, make


def check(counts: dict[str, Counter[str]]) -> None:
    wrong = {verdict: count for verdict, count in counts.items() if count["wrong"]}
    assert not wrong
    sure = counts["right"] + counts["put right"]
    assert sure["right"] >= 0.95 * sum(sure[word] for word in ("right", "unknown"))
    assert counts["withheld"]["right"] == 0
    assert counts["put right"]["right"] > 0


@pytest.mark.long
def test_faults_behind_every_single_mistake_get_their_side_or_none() -> None:
    check(outcomes(drawn(3, n=4, every=True)))


@pytest.mark.exam
@pytest.mark.slow
def test_a_thousand_faults_each_behind_a_mistake_are_never_put_on_the_wrong_side() -> None:
    check(outcomes(drawn(41, n=1000, every=False)))


@pytest.mark.exam
@pytest.mark.slow
@pytest.mark.parametrize("flow", FLOWS)
def test_faults_at_sites_with_generation_each_behind_a_mistake_are_never_put_on_the_wrong_side(flow: str) -> None:
    """But where next to nothing flows before: then no impedance of changes tells a site from its source by its size."""

    def cases() -> Iterator[tuple[Installation, str, Make]]:
        for k in range(240):
            hookup, place = ("four-wire", "three-wire")[k % 2], ("downstream", "upstream")[k // 2 % 2]
            case = generation_case(np.random.default_rng([k, 57]), place=place, flow=flow)  # type: ignore[arg-type]
            mistakes = list(mistakes_of(hookup))
            yield Installation(case, hookup), *mistakes[k // 4 % len(mistakes)]

    counts = outcomes(cases())
    wrong = sum((Counter({word: n for word, n in count.items() if "wrong: " in word}) for count in counts.values()),
                Counter[str]())  # fmt: skip
    assert wrong.total() <= (0.01 * 240 if flow == "balanced" else 0)


@pytest.mark.long
def test_at_sites_with_generation_no_mistake_makes_a_side_wrong() -> None:
    wrong = []
    for k, flow in enumerate(("exporting", "balanced")):
        case = generation_case(np.random.default_rng([2 * k, 55]), place="downstream", flow=flow)
        for mistake, make in [("none", lambda site: None), *mistakes_of("four-wire")]:
            site = Installation(case, "four-wire")
            make(site)
            side, _ = site.side(site.wiring())
            wrong += [mistake] if side not in (None, "unknown", case.recording.truth[0].direction) else []
    assert not wrong


@pytest.mark.slow
@pytest.mark.parametrize("hookup", ["four-wire", "three-wire"])
def test_without_a_verdict_a_reversed_clamp_may_turn_the_side_and_with_one_it_does_not(hookup: str) -> None:
    told = Counter[bool]()
    for k in range(3):
        site = Installation(fault_case(np.random.default_rng([k, 8]), place="downstream"), hookup)
        plain = site.side(None)
        scaled(IB=-1.0)(site)
        wiring = site.wiring()
        assert wiring.verdict == "put right"
        assert "clamp IB is backwards" in wiring.words
        side, confidence = site.side(wiring)
        assert (side, plain[0]) == ("downstream", "downstream")
        assert confidence <= wiring.sure
        assert wiring.words in site.explained(wiring).why
        told[site.side(None)[0] == "downstream"] += 1
    assert told[False] > 0


def test_power_that_flows_back_withholds_the_side_unless_the_clamps_are_declared() -> None:
    for k, place in enumerate(("downstream", "upstream")):
        site = Installation(generation_case(np.random.default_rng([k, 9]), place=place, flow="exporting"), "four-wire")
        doubted, declared = site.wiring(), site.wiring(clamps_declared=True)
        assert (doubted.verdict, doubted.lost) == ("withheld", {"currents"})
        assert site.side(doubted) == (None, 0.0)
        explained = site.explained(doubted)
        assert "power flows towards the source" in explained.why
        assert "side withheld" in explained.why
        assert declared == Wiring()
        assert site.side(declared)[0] == place


def test_generation_behind_clamps_all_backwards_is_no_load_and_has_no_side() -> None:
    for k in (0, 1, 3, 4):
        place = ("downstream", "upstream")[k // 2 % 2]
        site = Installation(generation_case(np.random.default_rng([k, 57]), place=place, flow="exporting"), "four-wire")
        scaled(IA=-1.0, IB=-1.0, IC=-1.0)(site)
        wiring = site.wiring()
        assert (wiring.verdict, wiring.by_load) == ("right", True)  # power seems to flow to a load
        assert site.side(wiring) == ("unknown", 0.0)
        assert site.side(Wiring())[0] == ("upstream" if place == "downstream" else "downstream")


def test_voltages_in_doubt_withhold_type_side_and_cause() -> None:
    site = Installation(fault_case(np.random.default_rng([1, 8]), place="downstream"), "four-wire")
    placed("leads", A="B")(site)
    wiring = site.wiring()
    assert wiring.verdict == "withheld"
    found = site.explained(wiring)
    assert (found.dip, found.direction, found.cause.cause, found.cause.confidence) == (None, None, "unknown", 0.0)
    assert "voltage UA is taken from the conductor of B" in found.why


def test_currents_of_no_usual_load_withhold_the_side_unless_the_clamps_are_declared() -> None:
    leading = {phase: value * np.exp(1j * np.radians(50)) for phase, value in CURRENTS.items()}
    doubted = wiring_of((), VOLTAGES, leading, hookup=HOOKUPS["four-wire"])
    assert (doubted.verdict, doubted.lost) == ("withheld", {"currents"})
    assert "currents lag by -50°" in doubted.words
    assert wiring_of((), VOLTAGES, leading, hookup=HOOKUPS["four-wire"], clamps_declared=True) == Wiring()


# --- matrices

VOLTAGES = {"A": 230 + 0j, "B": 230 * np.exp(-2j * np.pi / 3), "C": 230 * np.exp(2j * np.pi / 3)}
CURRENTS = {"A": 10 + 0j, "B": 10 * np.exp(-2j * np.pi / 3), "C": 10 * np.exp(2j * np.pi / 3)}


ROTATED = {"A": CURRENTS["B"], "B": CURRENTS["C"], "C": CURRENTS["A"]}


def verdict(
    *found: Diagnosis, hookup: str = "four-wire", currents: dict[str, complex] = CURRENTS, **more: bool
) -> Wiring:
    voltages = VOLTAGES
    if hookup == "three-wire":
        voltages = {pair: VOLTAGES[pair[0]] - VOLTAGES[pair[1]] for pair in LINES}
    return wiring_of(found, voltages, currents, hookup=HOOKUPS[hookup], **more)


def finding(fault: str, *phases: str, sure: float = 0.9, also: tuple[Mistake, ...] = ()) -> Diagnosis:
    return Diagnosis(fault, phases, sure, (), also)


def test_right_wiring_is_handed_through_as_it_is() -> None:
    wiring = verdict()
    u = np.ones((3, 4))
    assert wiring == Wiring(by_load=True)
    assert verdict(clamps_declared=True) == Wiring()
    assert wiring.corrected_voltages(u) is u
    assert verdict(finding("nominal_mismatch", sure=0.7)).verdict == "right"


def test_what_is_turned_round_exchanged_or_rotated_is_put_back() -> None:
    rows = np.diag([1.0, 2.0, 3.0])
    backwards = verdict(finding("current_reversed", "B"))
    assert backwards.corrected_currents(rows).tolist() == [[1, 0, 0], [0, -2, 0], [0, 0, 3]]
    swapped = verdict(finding("currents_swapped", "A", "C"))
    assert swapped.corrected_currents(rows).tolist() == [[0, 0, 3], [0, 2, 0], [1, 0, 0]]
    rotated = verdict(
        finding("currents_rotated", "B", "C", "A"), currents=ROTATED
    )  # clamp A is on B: B's current is A's channel
    assert rotated.corrected_currents(rows).tolist() == [[0, 0, 3], [1, 0, 0], [0, 2, 0]]
    assert rotated.corrected_voltages(rows) is rows
    on_neutral = verdict(finding("voltages_swapped", "A", "N"))  # A against B's lead … UB recorded is B - A
    assert on_neutral.corrected_voltages(rows).tolist() == [[-1, 0, 0], [-1, 2, 0], [-1, 0, 3]]


def test_a_missing_line_to_line_voltage_follows_from_the_others_and_a_current_does_not() -> None:
    """Derived: line-to-line voltages always add up to zero, currents only where none flows to earth."""
    gone = verdict(finding("voltage_missing", "BC"), hookup="three-wire")
    assert gone.corrected_voltages(np.array([[5.0], [0.0], [-2.0]])).tolist() == [[5.0], [-3.0], [-2.0]]
    assert verdict(finding("current_missing", "A", sure=0.95), hookup="three-wire").lost == {"currents"}
    assert verdict(finding("current_missing", "A", sure=0.95)).lost == {"currents"}
    assert verdict(finding("voltage_missing", "A")).lost == {"voltages"}


def test_findings_that_are_not_sure_or_have_rivals_of_other_sides_withhold() -> None:
    assert verdict(finding("current_reversed", "B", sure=0.6)).lost == {"currents"}
    rival = finding("currents_rotated", "B", "C", "A", also=(Mistake("power_reversed"),))
    assert verdict(rival).lost == {"currents"}
    same = finding("currents_rotated", "B", "C", "A", also=(Mistake("voltages_rotated", ("C", "A", "B")),))
    assert verdict(same, currents=ROTATED).verdict == "put right"
    assert verdict(finding("current_reversed", "B"), clamps_declared=True).lost == {"currents"}
    two = (finding("current_reversed", "B"), finding("current_reversed", "C"))
    assert verdict(*two).lost == {"currents"}
    assert verdict(finding("unclear", sure=0.5)).lost == {"voltages", "currents"}


def test_charged_lines_and_export_are_no_rotated_clamps_where_these_are_declared() -> None:
    # Derived: a line without load draws its charging current, 90° ahead; what feeds back and takes reactive power lags
    # by 150°. Both lie within 30° of what clamps moved on by one would show of a usual load.
    for lag_deg in (-90.0, 150.0):
        drawn = {phase: value * np.exp(-1j * np.radians(lag_deg)) for phase, value in CURRENTS.items()}
        found = check_wiring(VOLTAGES, drawn, hookup=HOOKUPS["four-wire"], nominal_v=230.0)
        assert [one.fault for one in found] == ["currents_rotated"]
        declared = verdict(*found, currents=drawn, clamps_declared=True)
        assert (declared.verdict, declared.lost, declared.by_load) == ("right", frozenset(), False)
        assert "declared" in declared.words
        assert verdict(*found, currents=drawn) != declared
