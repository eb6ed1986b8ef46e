"""What may happen on a random grid, with the exact truth: faults and what follows them, and switching of every kind."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np

from halfcycle.pipeline.synthesis.circuit.devices import (
    Capacitor,
    Converter,
    Device,
    Fault,
    Generator,
    ImpedanceLoad,
    MotorLoad,
    Place,
    Transformer,
)
from halfcycle.pipeline.synthesis.circuit.grid import BREAKER, MONITORS, Monitor
from halfcycle.pipeline.synthesis.circuit.random_grid import (
    Surroundings,
    chance,
    draw_grid,
    infeed,
    running_motor,
    spread,
    uniform,
)
from halfcycle.pipeline.synthesis.circuit.scene import Scene, SceneEvent
from halfcycle.pipeline.synthesis.circuit.stepping import Command

START_S: Final = 0.2
LONGEST_S: Final = 2.8  # that a record runs on
_AFTER_S: Final = 0.15  # of a record beyond the last thing that happens, at least


def cleared_fault(rng: np.random.Generator) -> Scene:
    """A fault that ends by itself, or is cleared beyond the breaker in the drawing."""
    s = draw_grid(rng)
    places: tuple[Place, ...] = ("source", "main", "feeder", "end", "customer")
    place = places[int(rng.choice(5, p=(0.3, 0.2, 0.15, 0.2, 0.15)))]
    length_s = _length_s(rng, s)
    if chance(rng, 0.12):
        length_s = uniform(rng, 0.004, 0.03)
    fault = _fault(rng, s, place, ((START_S, START_S + length_s),))
    events = (
        SceneEvent("fault", "fault", place, START_S),
        SceneEvent("fault clearing", "fault clearing", place, START_S + length_s),
    )
    return _scene(rng, s, events, after_s=length_s + spread(rng, 0.1, 1.2), faults=(fault,))


def arcing_fault(rng: np.random.Generator) -> Scene:
    """A fault that goes out at each current zero and strikes again near the next crest, for a while."""
    s = draw_grid(rng)
    place: Place = ("main", "end", "customer")[int(rng.integers(3))]
    half = 0.5 / s.grid.frequency_hz
    strikes, t = [], START_S
    for _ in range(int(rng.integers(3, 24))):
        strikes.append((t, t + 0.1 * half))
        t += half * (1 if chance(rng, 0.8) else float(rng.integers(2, 7))) + uniform(rng, -0.1, 0.1) * half
    fault = _fault(rng, s, place, tuple(strikes), phases="ABC"[int(rng.integers(3))])
    events = (SceneEvent("fault", "fault", place, START_S),)
    return _scene(rng, s, events, after_s=t - START_S + spread(rng, 0.1, 0.6), faults=(fault,))


def evolving_fault(rng: np.random.Generator) -> Scene:
    """A fault that another phase joins before it is cleared."""
    s = draw_grid(rng)
    place: Place = ("main", "feeder", "end", "customer", "source")[int(rng.integers(5))]
    joins = START_S + spread(rng, 0.03, 0.3)
    stop = joins + spread(rng, 0.04, 0.5)
    first, then = [("A", "B"), ("B", "C"), ("C", "A"), ("A", "BC"), ("C", "AB"), ("AB", "C")][int(rng.integers(6))]
    one = _fault(rng, s, place, ((START_S, stop),), phases=first, ground=True)
    other = replace(one, phases=then, spans_s=((joins, stop),))
    events: tuple[SceneEvent, ...] = (SceneEvent("evolving fault", "evolving fault", place, START_S),
              SceneEvent("fault clearing", "fault clearing", place, stop))  # fmt: skip
    after_s = stop - START_S + spread(rng, 0.1, 0.8)
    commands: tuple[Command, ...] = ()
    if place in ("feeder", "end", "customer") and chance(rng, 0.4):
        commands = _breaker(stop - 0.01, close=False)
        events = events[:1]
    return _scene(rng, s, events, after_s=after_s, faults=(one, other), commands=commands)


def tripped_fault(rng: np.random.Generator) -> Scene:
    """A fault on the line, on which the breaker opens; it may close again, on the fault or not."""
    s = draw_grid(rng, level="high" if chance(rng, 0.5) else None)
    monitor = MONITORS[int(rng.choice(4, p=(0.1, 0.25, 0.45, 0.2)))]
    place: Place = "end" if chance(rng, 0.6) else "feeder"
    opens = START_S + _length_s(rng, s)
    single = s.level == "high" and chance(rng, 0.45)
    fault = _fault(rng, s, place, ((START_S, 60.0),), phases="ABC"[int(rng.integers(3))] if single else None)
    poles = ("ABC".index(fault.phases),) if single else (0, 1, 2)
    commands = _breaker(opens, close=False, poles=poles) + _remote(s, opens + uniform(rng, -0.02, 0.06), poles)
    after_s = opens - START_S + spread(rng, 0.12, 2.2)
    sees_line = monitor.bus != "main"
    cause, bare = "fault, then trip", "fault, then trip" if sees_line else "fault"
    if monitor is MONITORS[0]:
        cause = "fault"
    events = [SceneEvent(cause, bare, place, START_S)]
    if chance(rng, 0.75 if single else 0.5):
        closes = opens + (uniform(rng, 0.3, 1.2) if chance(rng, 0.8) else uniform(rng, 1.2, 2.0))
        fails = chance(rng, 0.4)
        again = closes + _length_s(rng, s)
        after_s = uniform(rng, 0.2, 2.8) if chance(rng, 0.25) else max(after_s, again - START_S + _AFTER_S)
        commands += _breaker(closes, close=True, poles=poles)
        if fails:
            commands += _breaker(again, close=False)
        else:
            fault = replace(fault, spans_s=((START_S, opens + 0.02),))
        seen = START_S + min(after_s, LONGEST_S) > closes + (0.05 if fails else _AFTER_S)
        if seen:
            cause = "fault with reclosing" if fails or monitor is not MONITORS[0] else "fault"
            bare = "fault with reclosing" if fails or sees_line else "fault"
            events = [SceneEvent(cause, bare, place, START_S)]
            if not fails and single and sees_line:
                events.append(SceneEvent("re-energising", "re-energising", place, closes))
    return _scene(rng, s, tuple(events), after_s=after_s, faults=(fault,), commands=commands, monitor=monitor)


def open_phase(rng: np.random.Generator) -> Scene:
    """One or two poles open, or a fuse blows after a short fault."""
    s = draw_grid(
        rng, level=None if chance(rng, 0.3) else ("low", "medium overhead", "medium cable")[int(rng.integers(3))]
    )
    monitor = MONITORS[int(rng.choice(4, p=(0.0, 0.15, 0.25, 0.6)))]
    bare = "open phase" if monitor.bus != "main" else None
    blown = chance(rng, 0.45)
    pole = int(rng.integers(3))
    place: Place = "end" if chance(rng, 0.7) else "feeder"
    faults: tuple[Fault, ...] = ()
    opens = START_S
    if blown:
        opens = START_S + uniform(rng, 0.1, 1.6) / s.grid.frequency_hz
        phases = "ABC"[pole] if chance(rng, 0.7) else "ABC"[pole] + "BCA"[pole]
        faults = (_fault(rng, s, place, ((START_S, 60.0),), phases=phases, ground=len(phases) == 1),)
    poles = (pole,) if blown or chance(rng, 0.8) else (pole, (pole + 1) % 3)
    commands = _breaker(opens, close=False, poles=poles)
    after_s = spread(rng, 0.2, 2.0)
    events = [SceneEvent("open phase", bare, place, START_S)]
    if not blown and chance(rng, 0.3):
        closes = START_S + uniform(rng, 0.25, 1.2)
        commands += _breaker(closes, close=True, poles=poles)
        after_s = closes - START_S + spread(rng, 0.15, 0.6)
        if bare is not None:
            events.append(SceneEvent("re-energising", "re-energising", place, closes))
    return _scene(rng, s, tuple(events), after_s=after_s, faults=faults, commands=commands, monitor=monitor)


def disconnection(rng: np.random.Generator) -> Scene:
    """The breaker opens with no fault."""
    s = draw_grid(rng)
    monitor = MONITORS[int(rng.choice((0, 2, 3), p=(0.2, 0.4, 0.4)))]
    # What goes dead lies behind the breaker; a monitor before it sees a load that is gone.
    place: Place
    cause, place = ("disconnection", "main") if monitor.bus != "main" else ("load switching", "feeder")
    commands = _breaker(START_S, close=False) + _remote(s, START_S + uniform(rng, -0.02, 0.1), (0, 1, 2))
    events = (SceneEvent(cause, cause, place, START_S),)
    return _scene(rng, s, events, after_s=spread(rng, 0.15, 1.5), commands=commands, monitor=monitor)


def motor_start(rng: np.random.Generator) -> Scene:
    """A motor switched on directly, or with a current that a starter limits."""
    s = draw_grid(rng, level=("low", "medium overhead", "medium cable")[int(rng.integers(3))], capacitance=False)
    ratio = (4.5, 7.5) if chance(rng, 0.7) else (2.0, 3.5)
    motor = running_motor(rng, s.grid, s.grid.short_circuit_va * spread(rng, 0.004, 0.05), start_ratio=ratio)
    place = _place(rng)
    return _switching(rng, s, MotorLoad(place=place, motor=motor, closes_s=(START_S,)), "motor start",
                      after_s=uniform(rng, 0.4, 1.8), step_s=1 / 10000)  # fmt: skip


def transformer_energising(rng: np.random.Generator) -> Scene:
    """An unloaded transformer switched on, with what its cores kept."""
    s = draw_grid(rng, capacitance=False)
    residual = uniform(rng, 0, 0.8)
    device = Transformer(
        place=_place(rng), va=s.grid.short_circuit_va * spread(rng, 0.01, 0.15),
        winding=("YN", "D")[int(rng.integers(2))],
        closes_s=_poles(rng, s, 0.002), residual_pu=(residual, -residual / 2, -residual / 2),
        magnetising_pu=spread(rng, 0.002, 0.015), air_core_pu=(3.0, uniform(rng, 0.2, 0.5)),
        leakage=uniform(rng, 0.04, 0.1) * complex(uniform(rng, 0.03, 0.25), 1),
    )  # fmt: skip
    return _switching(rng, s, device, "transformer energising", after_s=spread(rng, 0.25, 1.5), step_s=1 / 10000)


def capacitor_energising(rng: np.random.Generator) -> Scene:
    """A bank switched on alone."""
    s = draw_grid(rng)
    bank = _bank(rng, s, _place(rng), closes_s=_poles(rng, s, 0.001))
    s = _without_banks(s)
    return _switching(rng, s, bank, "capacitor energising", after_s=spread(rng, 0.08, 0.6), step_s=1 / 40000)


def back_to_back(rng: np.random.Generator) -> Scene:
    """A bank switched on beside one that is on."""
    s = _without_banks(draw_grid(rng))
    places: tuple[tuple[Place, Place], ...] = (("main", "main"), ("main", "feeder"), ("feeder", "main"), ("end", "end"))
    first, second = places[int(rng.choice(4, p=(0.2, 0.35, 0.35, 0.1)))]
    on = _bank(rng, s, first)
    bank = replace(on, place=second, var=on.var * uniform(rng, 0.5, 1.5), closes_s=_poles(rng, s, 0.001))
    scene = _switching(rng, s, bank, "back-to-back capacitor energising", after_s=spread(rng, 0.08, 0.6),
                       step_s=1 / 50000, beside=(on,))  # fmt: skip
    between_banks = first != second and chance(rng, 0.7)  # then what they exchange passes the monitor
    return replace(scene, monitor=MONITORS[1 + int(rng.integers(2))]) if between_banks else scene


def capacitor_de_energising(rng: np.random.Generator) -> Scene:
    """A bank switched off."""
    s = _without_banks(draw_grid(rng))
    bank = _bank(rng, s, _place(rng), opens_s=START_S)
    return _switching(rng, s, bank, "capacitor de-energising", after_s=spread(rng, 0.1, 1.0), step_s=1 / 25600)


def load_switching(rng: np.random.Generator) -> Scene:
    """A load, or now and then a generator, on or off."""
    s = draw_grid(rng)
    va = s.grid.short_circuit_va * spread(rng, 0.005, 0.08)
    times: dict[str, object] = {"closes_s": (START_S,)} if chance(rng, 0.5) else {"opens_s": START_S}
    device: Device
    if chance(rng, 0.15):
        device = replace(infeed(rng, va), place=_place(rng), **times)  # type: ignore[arg-type]
    else:
        device = ImpedanceLoad(
            place=_place(rng), va=va, power_factor=uniform(rng, 0.7, 0.995), delta=s.earthing != "solid",
            **times,  # type: ignore[arg-type]
        )  # fmt: skip
    return _switching(rng, s, device, "load switching", after_s=spread(rng, 0.15, 1.5), step_s=1 / 20000)


def regulator_step(rng: np.random.Generator) -> Scene:
    """A step of a tap changer."""
    s = draw_grid(rng)
    size = uniform(rng, 0.006, 0.017) if chance(rng, 0.7) else uniform(rng, 0.017, 0.03)
    factor = 1 + size * (1 if chance(rng, 0.5) else -1)
    events = (SceneEvent("voltage-regulator step", "voltage-regulator step", "source", START_S),)
    steps = ((START_S + uniform(rng, 0, 0.02), factor),)
    return _scene(rng, s, events, after_s=spread(rng, 0.15, 1.5), source_steps=steps)


def converter_start(rng: np.random.Generator) -> Scene:
    """A line-commutated bridge that starts, and notches from then on."""
    s = draw_grid(rng, level=("low", "medium cable")[int(rng.integers(2))], capacitance=False)
    device = Converter(
        place=_place(rng), va=s.grid.short_circuit_va * spread(rng, 0.02, 0.08), delay_deg=uniform(rng, 15, 60),
        commutation_pu=uniform(rng, 0.02, 0.06), closes_s=(START_S,),
    )  # fmt: skip
    return _switching(rng, s, device, "converter notching", after_s=uniform(rng, 0.15, 0.4), step_s=1 / 20000)


def lightning(rng: np.random.Generator) -> Scene:
    """A surge of microseconds on one phase, without a flashover."""
    s = draw_grid(rng, level=None if chance(rng, 0.5) else "medium overhead")
    place: Place = ("main", "end", "customer")[int(rng.integers(3))]
    events = (SceneEvent("lightning impulse", "lightning impulse", place, START_S),)
    scene = _scene(rng, s, events, after_s=spread(rng, 0.06, 0.4), step_s=1 / 50000)
    return replace(scene, grid=replace(scene.grid, surge_at=place), surge_pu=spread(rng, 5, 80))


HAPPENINGS: Final[tuple[tuple[Callable[[np.random.Generator], Scene], float], ...]] = (
    (cleared_fault, 0.15), (arcing_fault, 0.04), (evolving_fault, 0.06), (tripped_fault, 0.17), (open_phase, 0.08),
    (disconnection, 0.05), (motor_start, 0.06), (transformer_energising, 0.06), (capacitor_energising, 0.07),
    (back_to_back, 0.06), (capacitor_de_energising, 0.04), (load_switching, 0.07), (regulator_step, 0.05),
    (converter_start, 0.02), (lightning, 0.04),
)  # fmt: skip


def draw_scene(rng: np.random.Generator, happening: Callable[[np.random.Generator], Scene] | None = None) -> Scene:
    """A scene of one kind, or of any."""
    if happening is None:
        shares = np.array([share for _, share in HAPPENINGS])
        happening = HAPPENINGS[int(rng.choice(shares.size, p=shares / shares.sum()))][0]
    return happening(rng)


def _scene(
    rng: np.random.Generator, s: Surroundings, events: tuple[SceneEvent, ...], *, after_s: float,
    faults: tuple[Fault, ...] = (), monitor: Monitor | None = None, **further: object,
) -> Scene:  # fmt: skip
    return Scene(
        surroundings=s, grid=replace(s.grid, faults=faults),
        monitor=MONITORS[int(rng.integers(4))] if monitor is None else monitor,
        events=events, after_s=min(after_s, LONGEST_S), **further,  # type: ignore[arg-type]
    )  # fmt: skip


def _switching(
    rng: np.random.Generator, s: Surroundings, device: Device, cause: str, *, after_s: float, step_s: float,
    beside: tuple[Device, ...] = (),
) -> Scene:  # fmt: skip
    events = (SceneEvent(cause, cause, device.place, START_S),)
    scene = _scene(rng, s, events, after_s=after_s, step_s=step_s)
    return replace(scene, grid=replace(scene.grid, devices=(*s.grid.devices, *beside, device)))


def _fault(
    rng: np.random.Generator, s: Surroundings, place: Place, spans_s: tuple[tuple[float, float], ...], *,
    phases: str | None = None, ground: bool | None = None,
) -> Fault:  # fmt: skip
    if phases is None:
        kinds = ("A", "B", "C", "AB", "BC", "CA", "ABC")
        phases = kinds[int(rng.choice(7, p=(0.2, 0.2, 0.2, 0.09, 0.09, 0.09, 0.13)))]
    if ground is None:
        ground = len(phases) == 1 or chance(rng, 0.5)
    base = s.grid.base.ohm(s.grid.short_circuit_va)
    arc = base * (spread(rng, 0.01, 0.3) if chance(rng, 0.8) else spread(rng, 0.3, 3))
    return Fault(place=place, phases=phases, ground=ground, spans_s=spans_s, ohm=(arc, arc * uniform(rng, 0.1, 2)),
                 spur_ohm=base * spread(rng, 0.02, 3) * complex(uniform(rng, 0.1, 0.9), 1))  # fmt: skip


def _length_s(rng: np.random.Generator, s: Surroundings) -> float:
    fast = s.level == "high" or chance(rng, 0.3)
    return spread(rng, 0.035, 0.16) if fast else spread(rng, 0.06, 0.9)


def _breaker(t_s: float, *, close: bool, poles: tuple[int, ...] = (0, 1, 2)) -> tuple[Command, ...]:
    return tuple(Command(t_s, BREAKER, pole, close=close) for pole in poles)


def _remote(s: Surroundings, t_s: float, poles: tuple[int, ...]) -> tuple[Command, ...]:
    """Infeeds beyond the breaker go with it."""
    return tuple(
        Command(t_s, f"device{i}.poles", pole, close=False)
        for i, device in enumerate(s.grid.devices)
        if isinstance(device, Generator)
        for pole in poles
    )


def _place(rng: np.random.Generator) -> Place:
    places: tuple[Place, ...] = ("main", "end", "customer")
    return places[int(rng.integers(3))]


def _poles(rng: np.random.Generator, s: Surroundings, apart_s: float) -> tuple[float, float, float]:
    """When three poles close: nearly together, or now and then each at its own zero of the voltage or so."""
    if chance(rng, 0.1):
        sixth = 1 / s.grid.frequency_hz / 6
        return START_S, START_S + sixth, START_S + 2 * sixth
    return START_S, START_S + uniform(rng, 0, apart_s), START_S + uniform(rng, 0, apart_s)


def _bank(rng: np.random.Generator, s: Surroundings, place: Place, **times: object) -> Capacitor:
    share = spread(rng, 0.004, 0.06)
    detuned = chance(rng, 0.12)
    series_pu = (
        (0.005, uniform(rng, 0.05, 0.07)) if detuned else (spread(rng, 0.0008, 0.004), spread(rng, 0.0003, 0.003))
    )
    return Capacitor(place=place, var=s.grid.short_circuit_va * share, series_pu=series_pu,
                     grounded=s.earthing == "solid" and chance(rng, 0.6), **times)  # type: ignore[arg-type]  # fmt: skip


def _without_banks(s: Surroundings) -> Surroundings:
    kept = tuple(device for device in s.grid.devices if not isinstance(device, Capacitor))
    return replace(s, grid=replace(s.grid, devices=kept))
