"""The steady quantities: signals in the influence states, measured by `halfcycle measure`, against their truth."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
from signals import CURRENT_A, UDIN_V, Lines, Signal, Wave, three_phase

HALFCYCLE = str(Path(sys.executable).with_name("halfcycle"))

STATES = {
    # IEC 61000-4-30 Ed. 2, Table 2 (from memory). The flicker of states 2 and 3 has its depth (39 and 110 changes a
    # minute, Pst 1 and 4) but one period in a window, so that all windows hold the same.
    "1": ((1.0, 1.0, 1.0), {}, 0.0),
    "2": ((0.73, 0.80, 0.87), {3.0: (0.10, 0.0), 5.0: (0.05, 0.0), 29.0: (0.05, 0.0), 7.5: (0.01, 0.0)}, 0.00894),
    "3": ((1.52, 1.40, 1.28), {7.0: (0.10, 180.0), 13.0: (0.05, 0.0), 25.0: (0.05, 0.0), 3.5: (0.01, 0.0)}, 0.02888),
}
FREQUENCIES = {50: (42.5, 49.0, 50.0, 51.0, 57.5), 60: (51.0, 59.0, 60.0, 61.0, 69.0)}
QUANTITIES = "u_rms,u_dc,u_under,u_over,thd_u,i_rms,i_dc,thd_i,p,s,q1,p_total,q1_total,f,u2,u0,uh,ug,uih,ih"
LEVELS = (0.10, 0.45, 0.80, 1.15, 1.50)
CLASS_3 = {2: 3.0, 3: 6.0, 4: 1.5, 5: 8.0, 7: 7.0, 9: 2.5, 11: 5.0, 13: 4.5, 15: 2.0, 17: 4.0, 21: 1.75}
"""IEC 61000-2-4, class 3, order to per cent (from memory); 4.5 * 17/h - 0.5 above 17, 1 for the others."""


@dataclass(frozen=True)
class Finding:
    """One measured value against its truth: by how much of the limit it is off."""

    quantity: str
    clause: str
    limit: str
    error: float  # in the unit of `limit_value`
    limit_value: float
    unit: str
    where: str

    @property
    def share(self) -> float:
        """Of the limit."""
        return abs(self.error) / self.limit_value


def signals(*, short: bool) -> list[Signal]:
    """All steady signals but those of mains signalling."""
    rates = (6400.0,) if short else (3200.0, 6400.0, 12_800.0, 30_000.0)
    found = []
    for nominal, frequencies in FREQUENCIES.items():
        for f_hz in (frequencies[0], frequencies[-1])[nominal // 60 :] if short else frequencies:
            for rate in rates:
                for state, (levels, harmonics, depth) in STATES.items():
                    waves = three_phase(levels, harmonics, depth=depth)
                    found.append(_signal(f"state {state}", state, f_hz, nominal, rate, waves))
                for level in LEVELS[::4] if short else LEVELS:
                    waves = three_phase((level, level, level), {})
                    found.append(_signal(f"level {level:.0%}", "1", f_hz, nominal, rate, waves))
                found.append(_signal("harmonics", "1", f_hz, nominal, rate, three_phase((1, 1, 1), _all_orders())))
                between = {n + 0.5: (0.01, 40.0 * n) for n in range(1, 20, 2)}
                found.append(_signal("interharmonics", "1", f_hz, nominal, rate, three_phase((1, 1, 1), between)))
                waves = three_phase((1, 1, 1), {})
                offset = {name: Wave(wave.parts, dc=0.01 * _rated(name)) for name, wave in waves.items()}
                found.append(_signal("dc", "1", f_hz, nominal, rate, offset))
    return found


def _signal(what: str, state: str, f_hz: float, nominal: int, rate_hz: float, waves: Mapping[str, Wave]) -> Signal:
    # What lies above is what a recorder's filter takes away.
    kept = {
        key: replace(wave, parts={m: part for m, part in wave.parts.items() if m * f_hz < 0.45 * rate_hz})
        for key, wave in waves.items()
    }
    name = f"{what}, {f_hz:g} of {nominal} Hz, {rate_hz:g} Hz".replace(" ", "_").replace(",", "").replace("%", "pct")
    return Signal(name, state, f_hz, nominal, rate_hz, kept)


def _all_orders() -> dict[float, tuple[float, float]]:
    """Every order to 50 at the level of class 3, together."""
    shares = {n: CLASS_3.get(n, 4.5 * 17 / n - 0.5 if n > 17 and n % 2 and n % 3 else 1.0) for n in range(2, 51)}
    return {float(n): (share / 100, 37.0 * n * n) for n, share in shares.items()}


def _rated(channel: str) -> float:
    return UDIN_V if channel[0] == "U" else CURRENT_A


def measured(folder: Path, out: Path, *options: str) -> dict[str, list[dict[str, float]]]:
    """What the command makes of a folder: whole intervals of a second by station."""
    command = [HALFCYCLE, "measure", str(folder), "--out", str(out), "--interval", "1", "--workers", "1", *options]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(f"{' '.join(command)} ended with {done.returncode}: {done.stderr or done.stdout}")
    rows: dict[str, list[dict[str, float]]] = {}
    for row in pq.read_table(out).to_pylist():
        rows.setdefault(row["site"], []).append(row)
    # The first and last second are not whole; the block after a second's start may begin late by up to half a cycle.
    return {site: of_site[1:-1] for site, of_site in rows.items()}


def findings(folder: Path, *, short: bool) -> Iterator[Finding]:
    """Of all steady quantities."""
    drawn = sorted(signals(short=short), key=lambda signal: (signal.nominal_hz, signal.rate_hz))
    for (nominal, rate), group in groupby(drawn, key=lambda signal: (signal.nominal_hz, signal.rate_hz)):
        here, part = list(group), folder / f"steady-{nominal}-{rate:g}"
        for signal in here:
            signal.write(part)
        out = part.with_suffix(".parquet")
        found = measured(
            part, out, "--nominal-voltage", f"{UDIN_V:g}", "--nominal-frequency", str(nominal), "--hookup",
            "four-wire", "--quantities", QUANTITIES,
        )  # fmt: skip
        orders = pq.read_schema(out).field("thd_u_a").metadata[b"orders"].decode()
        for signal in here:
            truth = truths(signal, last_order=int(orders.rpartition("-")[2]))
            rows = found.get(signal.name, [])
            if not rows:
                raise SystemExit(f"nothing was measured of {signal.name}")
            for row in rows:
                yield from compared(signal, truth, row)
        shutil.rmtree(part)


@dataclass(frozen=True)
class Truth:
    """Of one column: its value, and how far it may be off."""

    quantity: str
    clause: str
    limit: str
    value: float
    limit_value: float
    unit: str


def compared(signal: Signal, truth: Mapping[str, Truth], row: Mapping[str, float]) -> Iterator[Finding]:
    """Each column that has a truth; one that the sampling rate cannot reach has none, and is null."""
    for name, one in truth.items():
        value = row.get(name)
        if value is not None:
            yield Finding(
                one.quantity, one.clause, one.limit, value - one.value, one.limit_value, one.unit,
                signal.name.replace("_", " "),
            )  # fmt: skip


def truths(signal: Signal, *, last_order: int) -> dict[str, Truth]:
    """Of every column of a signal's trend. last_order : that the trend says its distortion covers."""
    window = signal.window()
    lines = {name: Lines.of(values, signal.n_cycles) for name, values in window.items()}
    found = {"f": Truth("frequency", "4-30, 5.1", "10 mHz", signal.f_hz, 0.010, "Hz")}
    for name, values in window.items():
        found |= _of_channel(name, values, lines[name], last_order)
    found |= _powers(window, lines)
    found |= _unbalance([lines[f"U{phase}"].first for phase in "ABC"])
    return found


def _of_channel(name: str, values: Sequence[float], lines: Lines, last_order: int) -> dict[str, Truth]:
    letter, phase, rated = name[0].lower(), name[1:].lower(), _rated(name)
    rms = float(np.sqrt(np.mean(np.square(values))))
    voltage = letter == "u"
    magnitude = ("voltage, RMS", "4-30, 5.2", "0.1 % of Udin") if voltage else (
        "current, RMS", "own bar (4-30, 5.13)", "0.1 % of rated")  # fmt: skip
    found = {f"{letter}_rms_{phase}": Truth(*magnitude, rms, 1e-3 * rated, "V" if voltage else "A")}
    own = "own bar", "0.1 % of rated"
    found[f"{letter}_dc_{phase}"] = Truth("dc", *own, float(np.mean(values)), 1e-3 * rated, "V or A")
    for order in range(1, 51):
        what = "harmonics of the voltage" if voltage else "harmonics of the current"
        if order == 1:
            continue
        found[f"{letter}h{order:02d}_{phase}"] = _class_one(what, lines.subgroup(order), rated, voltage)
        if voltage:
            found[f"ug{order:02d}_{phase}"] = _class_one("harmonic groups", lines.group(order), rated, voltage)
    for order in range(1, 50) if voltage else ():
        found[f"uih{order:02d}_{phase}"] = _class_one("interharmonics", lines.gap(order), rated, voltage)
    thd = 100 * np.sqrt(sum(lines.subgroup(n) ** 2 for n in range(2, last_order + 1))) / lines.subgroup(1)
    if thd > 0.5:
        limit = Truth("total harmonic distortion", "own bar (4-7, 3.3)", "1 % of reading", thd, 0.01 * thd, "%")
        found[f"thd_{letter}_{phase}"] = limit
    if voltage:
        for symbol, value in (("u_under", max(1 - rms / UDIN_V, 0.0)), ("u_over", max(rms / UDIN_V - 1, 0.0))):
            what = "under- and overdeviation"
            found[f"{symbol}_{phase}"] = Truth(what, "4-30, 5.12", "0.1 % of Udin", 100 * value, 0.1, "%")
    return found


def _class_one(what: str, value: float, rated: float, voltage: bool) -> Truth:
    """IEC 61000-4-7, Table 1, class I (from memory)."""
    from_share, part = (0.01, 0.0005) if voltage else (0.03, 0.0015)
    limit = 0.05 * value if value >= from_share * rated else part * rated
    words = f"5 % of reading from {from_share:.0%}, {100 * part:g} % of rated below"
    return Truth(what, "4-7, Table 1, class I", words, value, limit, "V" if voltage else "A")


def _powers(window: Mapping[str, Sequence[float]], lines: Mapping[str, Lines]) -> dict[str, Truth]:
    found: dict[str, Truth] = {}
    totals = {"p_total": 0.0, "q1_total": 0.0}
    whole = 0.0
    for phase in "ABC":
        u, i = np.asarray(window[f"U{phase}"]), np.asarray(window[f"I{phase}"])
        s = float(np.sqrt(np.mean(u**2) * np.mean(i**2)))
        p, q1 = float(np.mean(u * i)), float((lines[f"U{phase}"].first * np.conj(lines[f"I{phase}"].first)).imag)
        own = "own bar (1459, 3.1.2)", "0.08 % of S"
        for symbol, value in (("p", p), ("s", s), ("q1", q1)):
            found[f"{symbol}_{phase.lower()}"] = Truth("power of a conductor", *own, value, 8e-4 * s, "W, VA, var")
        totals["p_total"] += p
        totals["q1_total"] += q1
        whole += s
    for symbol, value in totals.items():
        found[symbol] = Truth("power of three phases", "own bar (1459, 3.2.3)", "0.08 % of S", value, 8e-4 * whole, "W")
    return found


def _unbalance(u: Sequence[complex]) -> dict[str, Truth]:
    turn = np.exp(2j * np.pi / 3)
    plus, minus, zero = (
        u[0] + turn * u[1] + turn**2 * u[2], u[0] + turn**2 * u[1] + turn * u[2], u[0] + u[1] + u[2],
    )  # fmt: skip
    return {
        name: Truth("unbalance", "4-30, 5.7", "0.15 %", 100 * abs(part / plus), 0.15, "%")
        for name, part in (("u2", minus), ("u0", zero))
    }


def signalling(folder: Path, *, short: bool) -> Iterator[Finding]:
    """Mains signalling voltages at frequencies that are stated."""
    for hertz in (316.67,) if short else (110.0, 183.33, 316.67, 425.0, 1042.0):
        here = []
        for f_hz in (49.5, 50.0, 50.5):
            for share in (0.01, 0.03, 0.15):
                waves = three_phase((1, 1, 1), {5.0: (0.05, 0.0)})
                extra = {f"U{phase}": (share * UDIN_V, hertz) for phase in "ABC"}
                name = f"signal_{hertz:g}_Hz_{share:.0%}_at_{f_hz:g}_Hz".replace("%", "pct")
                here.append(Signal(name, "1", f_hz, 50, 6400.0, waves, extra_hz=extra))
        for signal in here:
            signal.write(folder / f"signal-{hertz:g}")
        found = measured(
            folder / f"signal-{hertz:g}", folder / f"signal-{hertz:g}.parquet", "--nominal-voltage", f"{UDIN_V:g}",
            "--quantities", "u_sig", "--signal", f"{hertz:g}",
        )  # fmt: skip
        for signal in here:
            level = signal.extra_hz["UA"][0]
            limit = 0.05 * level if level >= 0.03 * UDIN_V else 0.0015 * UDIN_V
            words = "5 % of reading from 3 %, 0.15 % of Udin below"
            one = Truth("mains signalling", "4-30, 5.10", words, level, limit, "V")
            for row in found[signal.name]:
                yield from compared(signal, {f"u_sig_{phase}": one for phase in "abc"}, row)


def bands(folder: Path, *, short: bool) -> Iterator[Finding]:
    """Single tones above the harmonics."""
    here = []
    for rate, tones in ((12_800.0, (2466.0, 5234.0)), (30_000.0, (2466.0, 8870.0, 11_700.0))):
        for hertz in tones[:1] if short else tones:
            extra = {f"U{phase}": (0.005 * UDIN_V, hertz) for phase in "ABC"}
            name = f"tone_{hertz:g}_Hz_at_{rate:g}_Hz"
            here.append(Signal(name, "1", 50.2, 50, rate, three_phase((1, 1, 1), {}), extra_hz=extra))
    for signal in here:
        signal.write(folder / "bands")
    found = measured(
        folder / "bands", folder / "bands.parquet", "--nominal-voltage", f"{UDIN_V:g}", "--quantities", "ub"
    )
    for signal in here:
        level, hertz = signal.extra_hz["UA"]
        width = 200 if hertz < 9000 else 2000
        centre = int((hertz - (2000 if width == 200 else 9000)) // width * width) + (2100 if width == 200 else 10_000)
        one = _class_one("2 kHz to 150 kHz", level, UDIN_V, True)
        for row in found[signal.name]:
            yield from compared(signal, {f"ub{centre:06d}_{phase}": one for phase in "abc"}, row)
