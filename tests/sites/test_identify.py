"""Which channel is which, from the waves alone: families of recordings without names, units or phases."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pytest
from made_recordings import Recording, TrueSet, drawn_recording

from halfcycle.pipeline.capture import Channel
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.readers import read_captures
from halfcycle.pipeline.sites.identify import SURE, Draft, draft_channels
from halfcycle.pipeline.synthesis import Harmonic, Load, Quantisation, Stage, Waveform, synthesise

SOURCE = "the drawn recordings' own truth; the bar is the project's: 90 % of sets right, none wrong silently"
BLANK = Channel("", "other", "", "")
DATA = Path(__file__).resolve().parents[3] / "shared" / "data"


@dataclass
class Tally:
    n: int = 0
    right: int = 0  # members, order of rotation, and no wrong quantity
    sure: int = 0
    quantity: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)  # silently

    def add(self, seed: int, draft: Draft, truth: Recording) -> None:
        found = {frozenset(one.channels): one for one in draft.sets}
        true = {frozenset(one.rows): one for one in truth.sets}
        for rows, one in true.items():
            self.n += 1
            drafted = found.get(rows)
            if drafted is None:
                continue
            told = "none" if drafted.quantity is None else "right" if drafted.quantity == one.quantity else "wrong"
            self.quantity[told] += 1
            ok = turns(drafted.channels, one.rows) and told != "wrong"
            self.right += ok
            self.sure += ok and drafted.membership_confidence >= SURE
            if drafted.quantity_confidence >= SURE and told == "wrong":
                self.wrong.append(f"{seed}: {sorted(rows)} sure to be {drafted.quantity}")
            if drafted.membership_confidence >= SURE and not turns(drafted.channels, one.rows):
                self.wrong.append(f"{seed}: {drafted.channels} sure, but turns otherwise")
        for rows, drafted in found.items():
            if rows not in true and drafted.membership_confidence >= SURE:
                self.wrong.append(f"{seed}: {sorted(rows)} sure to be a set")
        shifts = set()
        for i, channel in enumerate(draft.channels):
            if channel.confidence < SURE:
                continue
            if channel.role != truth.roles[i]:
                self.wrong.append(f"{seed}: channel {i} sure to be {channel.role}, is {truth.roles[i]}")
            if channel.quantity is not None and channel.quantity != truth.quantities[i]:
                self.wrong.append(f"{seed}: channel {i} sure to be {channel.quantity}")
            if channel.role == truth.roles[i] == "phase":
                shifts.add(("ABC".index(channel.phase[0]) - "ABC".index(truth.letters[i][0])) % 3)
        if len(shifts) > 1:  # one common choice of which conductor is A is all that may differ
            self.wrong.append(f"{seed}: sure phases do not go together")


def turns(one: tuple[int, ...], other: tuple[int, ...]) -> bool:
    return any(one == other[k:] + other[:k] for k in range(len(other)))


def drafted(truth: Recording) -> Draft:
    return draft_channels(truth.samples, [BLANK] * len(truth.samples), rate_hz=truth.rate_hz)


def assert_bar(tally: Tally, *, n_sets: int) -> None:
    shown = f"{tally.right} of {tally.n} right, {tally.sure} sure; quantities {dict(tally.quantity)}"
    assert tally.n >= n_sets, shown
    assert not tally.wrong, f"{shown}; {len(tally.wrong)} silently wrong: {tally.wrong[:10]}"
    assert tally.right >= 0.9 * tally.n, shown


@pytest.mark.exam
@pytest.mark.slow
def test_sets_of_500_drawn_recordings_without_names_are_right_and_never_wrong_silently() -> None:
    tally = Tally()
    for seed in range(500):
        truth = drawn_recording(seed)
        tally.add(seed, drafted(truth), truth)
    assert_bar(tally, n_sets=1500)


@pytest.mark.exam
@pytest.mark.slow
def test_sets_of_500_recordings_of_the_own_synthesis_are_right_and_never_wrong_silently() -> None:
    tally = Tally()
    for seed in range(500):
        truth = synthetic_recording(seed)
        tally.add(seed, drafted(truth), truth)
    assert_bar(tally, n_sets=1000)


def synthetic_recording(seed: int) -> Recording:
    """Feeders on one bus, each with voltages of its own or not, from `halfcycle.pipeline.synthesis`."""
    rng = np.random.default_rng(10_000 + seed)
    n_feeders = int(rng.integers(1, 4))
    rate, duration = float(rng.choice([3200.0, 6400.0, 10240.0])), float(rng.uniform(0.3, 1.0))
    line_to_line = bool(rng.uniform() < 0.3)
    residual = tuple(rng.uniform(0.1, 0.95, 3))
    stages = () if rng.uniform() < 0.3 else (
        Stage(start_s=float(rng.uniform(0.07, 0.2)), duration_s=float(rng.uniform(0.03, 0.5)), residual_pu=residual,
              current_pu=tuple(rng.uniform(0.3, 8.0, 3))),
    )  # fmt: skip
    kept: list[np.ndarray] = []
    roles, quantities, letters, sets = [], [], [], []
    frequency_hz = float(rng.uniform(49.8, 50.2))
    magnitudes, phase = tuple(rng.uniform(0.98, 1.02, 3)), float(rng.uniform(0, 360))
    distortion = tuple(
        Harmonic(order=o, magnitude_pu=float(rng.uniform(0, 0.03)), angle_deg=float(rng.uniform(0, 360)))
        for o in (5, 7)
    )
    for feeder in range(n_feeders):
        of_load = tuple(Harmonic(order=o, magnitude_pu=float(rng.uniform(0, 0.15)), angle_deg=10.0) for o in (5, 7, 11))
        level, lag = 10 ** rng.uniform(0.5, 3), rng.uniform(-20, 45)
        waveform = Waveform(
            hookup="three-wire" if line_to_line else "four-wire",
            nominal_voltage_v=float(rng.choice([230.0, 400.0, 11000.0])),
            rate_hz=rate,
            duration_s=duration,
            frequency_hz=frequency_hz,
            phase_deg=phase,
            magnitudes_pu=magnitudes,
            harmonics=distortion,
            stages=stages,
            snr_db=float(rng.uniform(50, 70)),
            load=Load(
                current_a=tuple(level * rng.uniform(0.96, 1.04, 3)),
                displacement_deg=tuple(lag + rng.uniform(-2, 2, 3)),
                harmonics=of_load,
            ),
            quantisation=Quantisation(bits=16),
        )
        samples = synthesise(waveform, start_ns=0, seed=seed * 10 + feeder).capture.samples
        with_voltages = feeder == 0 or rng.uniform() < 0.4
        for quantity, part in (("voltage", samples[:3]), ("current", samples[3:])):
            if quantity == "voltage" and not with_voltages:
                continue
            sets.append(TrueSet(quantity, (len(kept), len(kept) + 1, len(kept) + 2), line_to_line))
            kept += list(part)
            roles += ["phase"] * 3
            quantities += [quantity] * 3
            letters += ["AB", "BC", "CA"] if line_to_line and quantity == "voltage" else ["A", "B", "C"]
    for _ in range(int(rng.integers(0, 3))):
        kept.append(np.round(rng.normal(0, 2, kept[0].size)).astype(np.int16))
        roles.append("unused")
        quantities.append("voltage")
        letters.append("")
    return Recording(np.stack(kept), rate, roles, quantities, letters, sets)


# --- what one recording shows


@pytest.mark.parametrize("rate_hz", [1600.0, 6400.0, 100_000.0])
def test_lone_channels_are_named_as_what_they_are(rate_hz: float) -> None:
    # Derived: a battery stands still, an open input holds noise, a neutral is the sum of its set.
    rng = np.random.default_rng(5)
    t = np.arange(int(0.3 * rate_hz)) / rate_hz
    waves = [230 * np.sqrt(2) * np.sin(2 * np.pi * 50 * t - 2 * np.pi * k / 3) for k in range(3)]
    waves[0] = waves[0] * 0.97
    battery, unused = np.full(t.size, 110.0), rng.normal(0, 0.02, t.size)
    rows = [*waves, sum(waves), battery + rng.normal(0, 0.1, t.size), unused, np.zeros(t.size)]
    volts = [Channel(f"V{i}", "voltage", "", "V") for i in range(len(rows))]
    draft = draft_channels(np.stack(rows), volts, rate_hz=rate_hz)
    assert [one.role for one in draft.channels] == ["phase"] * 3 + ["neutral", "dc", "unused", "unused"]
    assert min(one.confidence for one in draft.channels[4:]) >= SURE
    assert draft.channels[3].point == draft.channels[0].point == "set 1"
    assert draft.frequency_hz == pytest.approx(50.0, abs=0.05)


def test_line_to_line_voltages_are_told_by_the_differences_that_they_are() -> None:
    # Derived: uAB = uA - uB.
    t = np.arange(3200) / 6400.0
    a, b, c = (np.sin(2 * np.pi * 50 * t - 2 * np.pi * k / 3) * (1 + 0.01 * k) for k in range(3))
    channels = [Channel(f"ch {i}", "other", "", "") for i in range(6)]
    draft = draft_channels(np.stack([b - c, c - a, a - b, a, b, c]), channels, rate_hz=6400.0)
    assert [one.phase for one in draft.channels] == ["BC", "CA", "AB", "A", "B", "C"]
    assert [one.line_to_line for one in draft.sets] == [True, False]
    assert {one.quantity for one in draft.channels} == {"voltage"}


def test_a_set_with_one_clamp_turned_round_is_a_set_but_not_for_sure() -> None:
    t = np.arange(3200) / 6400.0
    rows = [np.sin(2 * np.pi * 50 * t - 2 * np.pi * k / 3 - 0.4) * (-1 if k == 1 else 1) for k in range(3)]
    amperes = [Channel(name, "current", "", "A") for name in ("x", "y", "z")]
    draft = draft_channels(np.stack(rows), amperes, rate_hz=6400.0)
    assert draft.sets[0].channels == (0, 1, 2)
    assert draft.sets[0].membership_confidence < SURE
    assert any("y reversed" in words for words in draft.sets[0].evidence)


def test_stated_phases_are_kept_and_what_turns_otherwise_is_said() -> None:
    t = np.arange(3200) / 6400.0
    rows = np.stack([np.sin(2 * np.pi * 50 * t - 2 * np.pi * k / 3) for k in range(3)])
    as_stated = [Channel("u", "voltage", phase, "V") for phase in ("A", "C", "B")]
    draft = draft_channels(rows, as_stated, rate_hz=6400.0)
    assert [one.phase for one in draft.channels] == ["A", "C", "B"]
    assert max(one.confidence for one in draft.channels) < SURE
    assert any("rotation is reversed" in words for words in draft.channels[0].evidence)


def test_a_recording_without_power_frequency_has_no_sets() -> None:
    rows = np.random.default_rng(1).normal(size=(3, 4000))
    draft = draft_channels(rows, [BLANK] * 3, rate_hz=4000.0)
    assert (draft.sets, draft.frequency_hz) == ((), None)
    assert {one.role for one in draft.channels} == {"unused"}


def test_arrays_that_cannot_be_looked_at_are_refused() -> None:
    with pytest.raises(SignalError, match="less than two cycles"):
        draft_channels(np.zeros((3, 20)), [BLANK] * 3, rate_hz=6400.0)
    with pytest.raises(SignalError, match="2 rows of samples for 3"):
        draft_channels(np.zeros((2, 2000)), [BLANK] * 3, rate_hz=6400.0)
    with pytest.raises(SignalError, match="too low"):
        draft_channels(np.zeros((3, 2000)), [BLANK] * 3, rate_hz=50.0)


# --- measured and simulated recordings


@pytest.mark.skipif(not DATA.is_dir(), reason="the measured recordings are not here")
@pytest.mark.parametrize(
    ("name", "n_sets"),
    [
        ("emt-sag-to-the-end", 3),
        ("fault-failed-reclose", 9),
        ("fault-failed-reclose-d", 13),
        ("fault-failed-reclose-e", 17),
        ("intermittent-earth-fault", 1),
        ("load-trip-float32", 4),
        ("single-pole-reclose", 4),
    ],
)
def test_sets_of_measured_recordings_are_found_without_their_names(name: str, n_sets: int) -> None:
    # The names, units and phases of the files themselves, which the draft does not see. Sets whose channels rest at
    # under a hundredth of what they carry are counted, too.
    capture = next(iter(read_captures(DATA / f"{name}.cfg")))
    samples = np.stack([capture.physical(i) for i in range(len(capture.header.channels))])
    draft = draft_channels(samples, [BLANK] * len(samples), rate_hz=capture.header.rate_hz)
    assert len(draft.sets) == n_sets
    for one in draft.sets:
        own = [capture.header.channels[i] for i in one.channels]
        if own[0].quantity != "other":
            assert [channel.phase for channel in own] == ["A", "B", "C"]
        if one.quantity_confidence >= SURE and own[0].quantity != "other":
            assert one.quantity == own[0].quantity


def test_names_and_units_make_sure_what_waves_leave_open() -> None:
    truth = drawn_recording(3)
    blank = drafted(truth)
    channels = [
        replace(BLANK, name=f"ch {i}", quantity=quantity, unit="V" if quantity == "voltage" else "A")
        for i, quantity in enumerate(truth.quantities)
    ]
    told = draft_channels(truth.samples, channels, rate_hz=truth.rate_hz)
    assert [one.channels for one in told.sets] == [one.channels for one in blank.sets]
    assert all(one.quantity_confidence >= SURE for one in told.sets)
