"""A busbar recorded under the names of its feeders: one row of a sag, and what the currents of each feeder say."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from made_circuits import FREQUENCY_HZ, NOMINAL_V, RATE_HZ, START_S, Case, fault_case
from scipy.signal import lfilter

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.catalogue.judge import Findings, Terms, judge
from halfcycle.pipeline.detectors.registry import choose
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.record import records_of
from halfcycle.pipeline.settings import Thresholds
from halfcycle.pipeline.sites.account import draft

F64 = npt.NDArray[np.float64]

SOURCE = "a solved feeder with the fault behind it, and beside it on the same bus feeders of resistance and inductance"
TERMS = Terms(Thresholds(), nominal_voltage_v=NOMINAL_V / np.sqrt(3), nominal_frequency_hz=FREQUENCY_HZ, explain=True)
NAMES = ("Mill Lane", "Quarry Road", "Weir")
OF_VOLTAGES = ("sag", "swell", "interruption")


def load_current(u: F64, ohm: float, henry: float) -> F64:
    """What a load of resistance and inductance to neutral takes: the bilinear rule for u = R i + L di/dt."""
    slope = 2 * henry * RATE_HZ
    return np.asarray(lfilter([1.0, 1.0], [ohm + slope, ohm - slope], u, axis=1))


def busbar(case: Case, *, back: bool = False, counts: bool = True) -> Capture:
    """Three feeders of one busbar: the case's own first or last of them, and two loads; voltages under each name."""
    u = case.noisy_u
    rng = np.random.default_rng(3)
    loads = [load_current(u, ohm, 0.05) for ohm in (60.0, 90.0)]
    loads = [i + rng.normal(0, 0.003 * np.abs(i).max(), i.shape) for i in loads]
    currents = [case.noisy_i, *loads] if not back else [*loads, case.noisy_i]
    scale_v, scale_a = 1.0, 0.05
    channels: list[Channel] = []
    rows: list[F64] = []
    for name, i in zip(NAMES, currents, strict=True):
        channels += [Channel(f"{name} U{p}", "voltage", p, "V", scale=scale_v, point=name) for p in "ABC"]  # type: ignore[arg-type]
        channels += [Channel(f"{name} I{p}", "current", p, "A", scale=scale_a, point=name) for p in "ABC"]  # type: ignore[arg-type]
        rows += [np.rint(u / scale_v), np.rint(i / scale_a)]
    samples = np.concatenate(rows).astype(np.int32)
    header = Header("bus", 0, RATE_HZ, samples.shape[1], tuple(channels), "int32", source="one")
    return Capture(header, samples)


def judged(capture: Capture, terms: Terms = TERMS) -> Findings:
    (record,) = records_of([Piece(capture.header, lambda: capture, capture.digest)])
    return judge(record, site="s", terms=terms)


def test_a_sag_of_a_busbar_is_one_row_whose_side_is_told_by_each_feeder() -> None:
    # SOURCE. Behind one feeder, the fault lies downstream of it and upstream of the others.
    findings = judged(busbar(fault_case(np.random.default_rng([1, 77]), place="downstream")))
    (sag,) = (event for event in findings.events if event.kind in OF_VOLTAGES)
    assert (sag.point, sag.direction, sag.cause) == ("Mill Lane", "downstream", "fault")
    assert "by feeder: downstream of Mill Lane (95 %), upstream of Quarry Road" in str(sag.why)
    assert [one.point for one in findings.coverage] == ["Mill Lane"]  # no second of it is counted three times
    assert any("Quarry Road, Weir: the voltages of Mill Lane, judged once" in note for note in findings.notes)


def test_the_faulted_feeder_tells_the_side_whichever_of_them_it_is() -> None:
    case = fault_case(np.random.default_rng([1, 77]), place="downstream")
    (sag,) = (event for event in judged(busbar(case, back=True)).events if event.kind in OF_VOLTAGES)
    assert (sag.point, sag.direction) == ("Mill Lane", "downstream")
    assert "downstream of Weir" in str(sag.why)


def test_a_fault_behind_none_of_the_feeders_is_upstream_of_all() -> None:
    case = fault_case(np.random.default_rng([1, 78]), place="upstream")
    (sag,) = (event for event in judged(busbar(case)).events if event.kind in OF_VOLTAGES)
    assert (sag.direction, sag.direction_confidence) == ("upstream", 0.95)
    assert all(f"upstream of {name}" in str(sag.why) for name in NAMES)


def test_voltages_that_part_later_are_judged_apart() -> None:
    capture = busbar(fault_case(np.random.default_rng([1, 77]), place="downstream"))
    samples = capture.samples.copy()
    samples[6:9, -200:] = 0  # the second feeder's fuse, at the end
    findings = judged(Capture(capture.header, samples))
    assert [one.point for one in findings.coverage] == ["Mill Lane", "Quarry Road"]
    assert {event.point for event in findings.events if event.kind in OF_VOLTAGES} == {"Mill Lane", "Quarry Road"}


def test_an_inrush_of_any_feeder_keeps_its_own_row() -> None:
    capture = busbar(fault_case(np.random.default_rng([1, 77]), place="downstream"))
    samples = capture.samples.copy()
    start = int(START_S * RATE_HZ) + 640
    samples[9:12, start : start + 1280] *= 20  # the second feeder's currents, for ten cycles
    terms = replace(TERMS, detectors=choose({"inrush": {}}), explain=False)
    rows = judged(Capture(capture.header, samples), terms).events
    assert "Quarry Road" in {event.point for event in rows if event.kind == "inrush"}
    assert {event.point for event in rows if event.kind != "inrush"} == {"Mill Lane"}


@pytest.mark.parametrize("scale", [1.0, 0.5])
def test_the_account_names_the_feeders_of_one_busbar(scale: float) -> None:
    capture = busbar(fault_case(np.random.default_rng([1, 77]), place="downstream"))
    channels = tuple(
        replace(one, scale=scale) if one.point == "Weir" and one.quantity == "voltage" else one
        for one in capture.header.channels
    )
    samples = capture.samples.copy()
    samples[12:15] = np.rint(samples[12:15] / scale)  # the same volts in other counts
    capture = Capture(replace(capture.header, channels=channels), samples)
    (record,) = records_of([Piece(capture.header, lambda: capture, capture.digest)])
    account = draft("s", [TERMS.evidence_of(record)], TERMS.declared)
    assert [one.same_as for one in account.points] == [None, "Mill Lane", "Mill Lane"]
    assert "Quarry Road, Weir: the voltages of Mill Lane, judged once; each with its own currents" in account.line
    assert [one.point for one in judged(capture).coverage] == ["Mill Lane"]
