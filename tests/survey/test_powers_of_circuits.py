"""Powers on every hookup against node-by-node sums of solved unbalanced circuits; where there is none, the reason."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pytest
from survey.test_measure import made

from halfcycle.pipeline.capture import Capture, Channel
from halfcycle.pipeline.quantities import chosen_quantities
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.points import points_of
from halfcycle.pipeline.records.record import records_of
from halfcycle.pipeline.survey.measure import Survey, Trend, measure_record
from halfcycle.pipeline.terms import HOOKUPS

SOURCE = "derived: Kirchhoff's laws; power is what the loads' elements take, one by one (IEEE 1459-2010, 3.1.2.3)"
RATE_HZ, SECONDS, FREQUENCY_HZ = 12_800.0, 3.0, 50.02
ORDERS = (1, 3, 5, 7)
QUANTITIES = (
    "p", "s", "q1", "pf", "dpf", "p_total", "q1_total", "s_e", "pf_e", "energy_in", "energy_out", "i_rms", "u_dev",
)  # fmt: skip
OF_S = 2e-4  # the project's own bar: 0.02 % of the apparent power

# Of each service: the source's phasors of the fundamental by conductor. [V]
TURN = np.exp(-2j * np.pi / 3)
WYE = {"A": 240.0, "B": 233.0 * TURN * np.exp(0.03j), "C": 226.0 * TURN**2, "N": 0.0}
SPLIT = {"A": 122.0 + 0j, "B": -118.0 + 2j, "N": 0.0}
HIGH_LEG = {"A": 120.0 + 0j, "C": -119.0 + 0j, "B": 207.8j, "N": 0.0}
# Elements between conductors: resistance and inductive reactance at 50 Hz. [ohm]
LOADS: dict[str, tuple[tuple[str, str, complex], ...]] = {
    "wye": (("A", "N", 9 + 4j), ("B", "N", 21 + 1j), ("C", "N", 14 + 11j), ("A", "B", 30 + 5j)),
    "delta": (("A", "B", 12 + 5j), ("B", "C", 41 + 2j), ("C", "A", 8 + 13j)),
    "split": (("A", "N", 4 + 1j), ("B", "N", 9 + 3j), ("A", "B", 11 + 6j)),
    "single": (("A", "N", 5 + 3j),),
}


@dataclass(frozen=True)
class Solved:
    """Phasors of each order by conductor, of voltage to earth and current, and what the loads' elements take."""

    u: dict[int, dict[str, complex]]
    i: dict[int, dict[str, complex]]
    p: float
    q1: float


def solved(source: Mapping[str, complex], loads: Sequence[tuple[str, str, complex]]) -> Solved:
    """Node by node: behind 0.1 + 0.2j ohm a conductor, from a source with harmonics."""
    names = list(source)
    u: dict[int, dict[str, complex]] = {}
    i: dict[int, dict[str, complex]] = {}
    p = q1 = 0.0
    for order in ORDERS:
        share = {1: 1.0, 3: 0.02, 5: 0.05 * np.exp(0.7j), 7: 0.03 * np.exp(-2j)}[order]
        e = np.array([abs(source[k]) * share * np.exp(1j * order * np.angle(source[k])) for k in names])
        line = 1 / (0.1 + 0.2j * order)
        admittance = np.diag(np.full(len(names), line)).astype(complex)
        for first, second, z in loads:
            y = 1 / complex(z.real, z.imag * order)
            a, b = names.index(first), names.index(second)
            admittance[a, a] += y
            admittance[b, b] += y
            admittance[a, b] -= y
            admittance[b, a] -= y
        v = np.linalg.solve(admittance, line * e)
        u[order] = dict(zip(names, v, strict=True))
        i[order] = dict(zip(names, line * (e - v), strict=True))
        for first, second, z in loads:
            across = u[order][first] - u[order][second]
            power = across * np.conj(across / complex(z.real, z.imag * order))
            p += float(power.real)
            q1 += float(power.imag) if order == 1 else 0.0
    return Solved(u, i, p, q1)


def wave(phasors: Mapping[int, complex]) -> npt.NDArray[np.float32]:
    t = np.arange(round(RATE_HZ * SECONDS)) / RATE_HZ
    total = sum(
        np.sqrt(2) * abs(phasor) * np.cos(2 * np.pi * order * FREQUENCY_HZ * t + np.angle(phasor))
        for order, phasor in phasors.items()
    )
    return np.asarray(total, np.float32)


def voltage(circuit: Solved, name: str) -> dict[int, complex]:
    """Between two conductors, from one to the neutral, or of the neutral to earth."""
    plus, minus = (name[0], name[1]) if len(name) == 2 else (name, "N")
    return {k: circuit.u[k][plus] - (0 if name == "N" else circuit.u[k][minus]) for k in ORDERS}


def capture_of(circuit: Solved, voltages: Sequence[str], currents: Sequence[str]) -> Capture:
    channels = [Channel(f"U{name}", "voltage", name, "V") for name in voltages]
    channels += [Channel(f"I{name}", "current", name, "A") for name in currents]
    rows = [wave(voltage(circuit, name)) for name in voltages]
    rows += [wave({k: circuit.i[k][name] for k in ORDERS}) for name in currents]
    header = replace(
        made(seconds=0.1).header, rate_hz=RATE_HZ, n_samples=rows[0].size, sample_type="float32",
        channels=tuple(channels),
    )  # fmt: skip
    return Capture(header, np.stack(rows))


def tables_of(capture: Capture, hookup: str) -> list[pa.Table]:
    """The trend of each point."""
    (record,) = records_of([Piece(capture.header, partial(_same, capture), lambda: "d")])
    tables = []
    for point in points_of(record.header, hookup=hookup):
        (found,) = measure_record(record, point, [Survey(chosen_quantities(QUANTITIES), 1.0)])
        assert isinstance(found, Trend), found
        tables.append(found.table)
    return tables


def _same(capture: Capture) -> Capture:
    return capture


def value(table: pa.Table, name: str) -> float:
    return float(table.column(name)[1].as_py())


def reason(table: pa.Table, name: str) -> str:
    column = table.column(name)
    assert column.null_count == table.num_rows
    return str(table.schema.field(name).metadata[b"reason"].decode())


def apparent(circuit: Solved, voltages: Sequence[str], currents: Sequence[str]) -> float:
    """Of RMS voltages and currents, the largest of each: what 0.02 % is of."""
    u = max(rms(voltage(circuit, name)) for name in voltages)
    return u * sum(rms({k: circuit.i[k][name] for k in ORDERS}) for name in currents if name != "N")


def rms(phasors: Mapping[int, complex]) -> float:
    return float(np.sqrt(sum(abs(phasor) ** 2 for phasor in phasors.values())))


CASES = {
    "four-wire": ("four-wire", WYE, "wye", ("A", "B", "C"), ("A", "B", "C")),
    "four-wire with neutral current": ("four-wire", WYE, "wye", ("A", "B", "C"), ("A", "B", "C", "N")),
    "five-wire": ("five-wire", WYE, "wye", ("A", "B", "C", "N"), ("A", "B", "C", "N")),
    "three-wire, three currents": ("three-wire", WYE, "delta", ("AB", "BC", "CA"), ("A", "B", "C")),
    "three-wire, currents A and C": ("three-wire", WYE, "delta", ("AB", "BC", "CA"), ("A", "C")),
    "three-wire, currents A and B": ("three-wire", WYE, "delta", ("AB", "BC", "CA"), ("A", "B")),
    "three-wire, currents B and C": ("three-wire", WYE, "delta", ("AB", "BC", "CA"), ("B", "C")),
    "two-element": ("two-element", WYE, "delta", ("AB", "BC"), ("A", "C")),
    "two-element, currents A and B": ("two-element", WYE, "delta", ("AB", "BC"), ("A", "B")),
    "two-element, three currents": ("two-element", WYE, "delta", ("AB", "BC"), ("A", "B", "C")),
    "split-phase": ("split-phase", SPLIT, "split", ("A", "B"), ("A", "B")),
    "split-phase with neutral current": ("split-phase", SPLIT, "split", ("A", "B"), ("A", "B", "N")),
    "single-phase": ("single-phase", {"A": 231.0, "N": 0.0}, "single", ("A",), ("A",)),
}


@pytest.mark.parametrize("name", CASES)
def test_totals_are_what_the_elements_of_the_load_take(name: str) -> None:
    hookup, source, load, voltages, currents = CASES[name]
    neutral_is_free = {k: v for k, v in source.items() if k != "N" or load != "delta"}
    circuit = solved(neutral_is_free, LOADS[load])
    s = apparent(circuit, [u for u in voltages if u != "N"], currents)
    (table,) = tables_of(capture_of(circuit, voltages, currents), hookup)
    assert value(table, "p_total") == pytest.approx(circuit.p, abs=OF_S * s)
    assert value(table, "q1_total") == pytest.approx(circuit.q1, abs=OF_S * s)
    energy = value(table, "energy_in") / value(table, "measured") * 3600
    assert energy == pytest.approx(circuit.p, abs=5e-3 * s)  # `measured` ends where the next second begins
    assert value(table, "energy_out") == 0.0
    if "N" in currents:
        assert value(table, "i_rms_n") == pytest.approx(rms({k: circuit.i[k]["N"] for k in ORDERS}), rel=2e-4)
    for phase in (u for u in voltages if hookup in ("four-wire", "five-wire", "split-phase") and u != "N"):
        of_phase = {k: voltage(circuit, phase)[k] * np.conj(circuit.i[k][phase]) for k in ORDERS}
        p = sum(power.real for power in of_phase.values())
        assert value(table, f"p_{phase.lower()}") == pytest.approx(p, abs=OF_S * s)
        assert value(table, f"q1_{phase.lower()}") == pytest.approx(of_phase[1].imag, abs=OF_S * s)


@pytest.mark.parametrize("name", [name for name in CASES if name.split("-")[0] not in ("split", "single")])
def test_effective_power_is_that_of_all_conductors_whichever_of_them_are_measured(name: str) -> None:
    """IEEE 1459-2010, 3.2.2.8: four-wire Ve, Ie; three-wire Ve, Ie."""
    hookup, source, load, voltages, currents = CASES[name]
    circuit = solved({k: v for k, v in source.items() if k != "N" or load != "delta"}, LOADS[load])
    lines = sum(rms(voltage(circuit, pair)) ** 2 for pair in ("AB", "BC", "CA"))
    of_lines = sum(rms({k: circuit.i[k][phase] for k in ORDERS}) ** 2 for phase in "ABC")
    if load == "delta":
        s_e = 3 * np.sqrt(lines / 9) * np.sqrt(of_lines / 3)
    else:
        phases = sum(rms(voltage(circuit, phase)) ** 2 for phase in "ABC")
        neutral = rms({k: circuit.i[k]["N"] for k in ORDERS}) ** 2
        s_e = 3 * np.sqrt((3 * phases + lines) / 18) * np.sqrt((of_lines + neutral) / 3)
    (table,) = tables_of(capture_of(circuit, voltages, currents), hookup)
    assert value(table, "s_e") == pytest.approx(s_e, rel=OF_S)
    assert value(table, "pf_e") == pytest.approx(circuit.p / s_e, abs=OF_S)
    of_each = [rms(voltage(circuit, pair)) for pair in ("AB", "BC", "CA")]
    u_dev = 100 * max(abs(u - np.mean(of_each)) for u in of_each) / np.mean(of_each)
    assert value(table, "u_dev") == pytest.approx(u_dev, abs=0.01)


def test_the_legs_and_the_high_leg_of_a_delta_add_up_and_neither_calls_itself_the_total() -> None:
    loads = (("A", "N", 6 + 2j), ("C", "N", 9 + 1j), ("A", "B", 20 + 9j), ("B", "C", 25 + 4j), ("C", "A", 14 + 3j))
    circuit = solved(HIGH_LEG, loads)
    legs, high = tables_of(capture_of(circuit, ("A", "B", "C"), ("A", "B", "C", "N")), "high-leg")
    s = apparent(circuit, ("A", "B", "C"), ("A", "B", "C"))
    total = value(legs, "p_a") + value(legs, "p_c") + value(high, "p_b")
    assert total == pytest.approx(circuit.p, abs=OF_S * s)
    assert reason(legs, "p_total") == "high-leg: conductor B is a separate point; the powers of the points add up"
    assert reason(high, "q1_total") == "high-leg: conductor A, C is a separate point; the powers of the points add up"
    assert value(legs, "i_rms_n") == pytest.approx(rms({k: circuit.i[k]["N"] for k in ORDERS}), rel=2e-4)


@pytest.mark.parametrize(
    ("hookup", "load", "voltages", "currents", "words"),
    [
        ("four-wire", "wye", ("A", "B", "C"), ("A", "C"), "four-wire: current B is not measured"),
        ("split-phase", "split", ("A", "B"), ("A",), "split-phase: current B is not measured"),
        ("three-wire", "delta", ("AB", "BC", "CA"), ("A",), "three-wire: two line currents are needed, 1 is measured"),
    ],
)
def test_there_is_no_total_of_a_part_but_a_reason(
    hookup: str, load: str, voltages: tuple[str, ...], currents: tuple[str, ...], words: str
) -> None:
    source = SPLIT if load == "split" else {k: v for k, v in WYE.items() if k != "N" or load != "delta"}
    (table,) = tables_of(capture_of(solved(source, LOADS[load]), voltages, currents), hookup)
    for name in ("p_total", "q1_total", "energy_in", "energy_out"):
        assert reason(table, name) == words
    assert HOOKUPS[hookup].elements


def test_the_power_factor_of_an_interval_is_that_of_its_powers_not_a_mean_of_ratios() -> None:
    """IEEE 1459-2010, 3.1.2: PF = P/S. Half of each second at PF 1, half at a trickle and a PF near 0 (derived)."""
    full, trickle = (("A", "N", 5 + 0j),), (("A", "N", 0.5 + 400j),)
    captures = [capture_of(solved({"A": 230.0, "N": 0.0}, load), ("A",), ("A",)) for load in (full, trickle)]
    one, two = (capture.samples for capture in captures)
    half = np.arange(one.shape[1]) / RATE_HZ % 1.0 < 0.5
    capture = Capture(captures[0].header, np.where(half, one, two))
    (table,) = tables_of(capture, "single-phase")
    p, s, pf = (value(table, name) for name in ("p_a", "s_a", "pf_a"))
    assert pf == pytest.approx(p / s, rel=1e-5)
    assert pf > 0.8  # a mean of ratios would be near 0.5; the block in which the load changes costs something


def test_the_high_leg_is_measured_and_judged_against_its_own_nominal_voltage() -> None:
    """207.8 V is 240 V times half the root of three; 5 % of it are 10.4 V (calculated)."""
    circuit = solved(HIGH_LEG, (("A", "N", 60 + 2j), ("C", "N", 90 + 1j)))
    capture = capture_of(circuit, ("A", "B", "C"), ("A", "B", "C"))
    (record,) = records_of([Piece(capture.header, partial(_same, capture), lambda: "d")])
    survey = Survey(chosen_quantities(["u_rms", "u_over", "u_under"]), 1.0, 120.0)
    of_each = {}
    for point in points_of(record.header, hookup="high-leg"):
        (found,) = measure_record(record, point, [survey])
        assert isinstance(found, Trend)
        assert found.table.column("flag").to_pylist() == [False] * found.table.num_rows
        of_each[point.phases] = found
    assert of_each["A", "C"].nominal_voltage_v == 120.0
    assert of_each["B",].nominal_voltage_v == pytest.approx(207.846, abs=1e-3)
    assert value(of_each["B",].table, "u_over_b") < 1.0
