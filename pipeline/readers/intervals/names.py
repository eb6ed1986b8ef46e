"""What the name and unit of a column of interval records say: quantity, phase and statistic, or why nobody can tell."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from halfcycle.pipeline.quantities import QUANTITIES
from halfcycle.pipeline.readers.intervals.records import Statistic
from halfcycle.pipeline.terms import phase_of

_STATISTICS: Final[dict[str, Statistic]] = {
    "avg": "average", "average": "average", "mean": "average", "ave": "average",
    "min": "least", "minimum": "least", "lowest": "least", "least": "least", "low": "least",
    "max": "largest", "maximum": "largest", "highest": "largest", "largest": "largest", "high": "largest",
}  # fmt: skip
_PHASE: Final = re.compile(r"(?:l?[123](?:n|l?[123])?|[abcrst]n?|ab|bc|ca|rs|st|tr|n|l?[123]l?[123])")
_LETTER_PHASE: Final = re.compile(
    r"(u|v|i|p|q|s|pf|vrms|urms|irms|vthd|uthd|ithd|pst|plt)(l?[123](?:n|l?[123])?|[abc]n?|n)"
)
_HARMONIC: Final = re.compile(r"(?:h|harm|harmonic)(\d{1,2})")
_PAIR: Final = re.compile(r"\b(l?[123]|[abc])\s*[-/]\s*(l?[123]|[abcn])\b")

# Factor to the unit of `halfcycle.pipeline.quantities`, by unit in small letters; MW and mW are told apart before.
_PREFIXES: Final = {"": 1.0, "k": 1e3, "M": 1e6, "m": 1e-3, "G": 1e9}
_UNITS: Final = {"V": "V", "A": "A", "W": "W", "VA": "VA", "var": "var", "VAr": "var", "VAR": "var", "Hz": "Hz"}
_SPELLED: Final = {"volt": "V", "volts": "V", "amp": "A", "amps": "A", "ampere": "A", "amperes": "A", "hertz": "Hz",
                   "watt": "W", "watts": "W", "percent": "%", "per cent": "%", "pct": "%", "v": "V", "a": "A",
                   "hz": "Hz", "kw": "kW", "kva": "kVA", "kvar": "kvar", "kv": "kV", "w": "W"}  # fmt: skip

_POWERS: Final = ("p", "q", "s")
_OF_LINE: Final = {"p_total": "p", "q1_total": "q1"}
_BASES: Final[tuple[tuple[frozenset[str], str, str], ...]] = (
    # words any of which say it, symbol, unit that goes with it; in this order
    (frozenset({"pst"}), "pst", ""),
    (frozenset({"plt"}), "plt", ""),
    (frozenset({"unbalance", "imbalance", "asymmetry"}), "u2", "%"),
    (frozenset({"cosphi", "dpf", "displacement"}), "dpf", ""),
    (frozenset({"pf", "powerfactor", "factor"}), "pf", ""),
    (frozenset({"freq", "frequency", "f", "hz"}), "f", "Hz"),
)


@dataclass(frozen=True, slots=True)
class ColumnMeaning:
    """What a column is: its quantity, phase and statistic, and the factor to the quantity's unit."""

    symbol: str
    phase: str
    statistic: Statistic
    factor: float = 1.0


class Unclear(ValueError):
    """Why a column's name and unit do not tell what it is."""


def told_by(name: str, unit: str | None) -> ColumnMeaning:
    """What a column is.

    Parameters
    ----------
    name, unit : as the file has them; None: no unit.

    Raises
    ------
    Unclear : with the reason.
    """
    words = _words(name)
    statistics = [_STATISTICS[word] for word in words if word in _STATISTICS]
    words = [word for word in words if word not in _STATISTICS]
    if len(set(statistics)) > 1:
        raise Unclear("its name states two statistics")
    statistic = statistics[0] if statistics else "average"
    letter, words = words[:1], words[1:]  # S is a power or a phase: at the beginning a power
    if letter and (letter[0] not in _POWERS):
        letter, words = [], [*letter, *words]
    phases = [phase for word in words if (phase := _phase(word))]
    words = [*letter, *(word for word in words if not _phase(word))]
    if len(set(phases)) > 1:
        raise Unclear(f"its name states the phases {' and '.join(phases)}")
    phase = phases[0] if phases else ""
    plain, factor = unit_of(unit)
    symbol = _symbol(words, plain, phase)
    quantity = QUANTITIES[symbol]
    if plain and plain != quantity.unit and not (plain == "%" and quantity.unit == ""):
        raise Unclear(f"unit {unit!r} does not match {quantity.meaning}")
    if quantity.of != "point" and not phase:
        raise Unclear("its name states no phase")
    if quantity.of == "point" and phase:
        raise Unclear(f"{quantity.meaning} has no phase")
    if symbol == "u_rms" and phase == "N":
        raise Unclear("the voltage of the neutral is not judged")
    return ColumnMeaning(symbol, phase, statistic, factor * (0.01 if plain == "%" and quantity.unit == "" else 1.0))


def unit_of(text: str | None) -> tuple[str, float]:
    """A unit of `halfcycle.pipeline.quantities`, and the factor to it: ("V", 1000.0) for ``kV``; ("", 1.0) for none.

    Raises
    ------
    Unclear : it is not known.
    """
    given = (text or "").strip().strip("[]()").strip()
    if given in ("", "-", "1"):
        return "", 1.0
    given = _SPELLED.get(given.lower(), given)
    if given == "%":
        return "%", 1.0
    for prefix, factor in _PREFIXES.items():
        if given.startswith(prefix) and given.removeprefix(prefix) in _UNITS:
            return _UNITS[given.removeprefix(prefix)], factor
    raise Unclear(f"unit {text!r} is not known")


def _words(name: str) -> list[str]:
    """The words of a name in small letters: ``Vrms_L1 (avg)`` gives v, rms, l1 and avg."""
    text = re.sub(r"([a-z])([A-Z])", r"\1 \2", name)  # AvgVoltage
    text = _PAIR.sub(lambda match: match[1] + match[2], text.lower())
    text = re.sub(r"\b(h|harm|harmonic)[\s_.-]+(\d{1,2})\b", r"\1\2", text.replace("_", " "))
    text = re.sub(r"power[\s_-]*factor", "powerfactor", re.sub(r"cos[\s_-]*(?:phi|φ|ϕ)", "cosphi", text))
    words: list[str] = []
    for word in re.findall(r"[a-z0-9]+", text):
        match = _LETTER_PHASE.fullmatch(word)
        words += [match[1], match[2]] if match else [word]
    return words


def _phase(word: str) -> str:
    return phase_of(word) if _PHASE.fullmatch(word) else ""


def _symbol(words: list[str], unit: str, phase: str) -> str:
    """The quantity's symbol."""
    said = frozenset(words)
    letter = _letter(said, unit)
    for word in words:
        if match := _HARMONIC.fullmatch(word):
            return _harmonic(int(match[1]), letter, unit)
    if said & {"thd", "vthd", "uthd", "ithd", "thdv", "thdu", "thdi"}:
        joined = "".join(sorted(said))
        kind = letter or ("i" if "ithd" in joined or "thdi" in joined else "")
        kind = kind or ("u" if re.search(r"[uv]thd|thd[uv]", joined) else "")
        if not kind:
            raise Unclear("it does not state whether the distortion is of voltage or current")
        return f"thd_{kind}"
    for spoken, symbol, _ in _BASES:
        if said & spoken and not (symbol == "f" and unit not in ("", "Hz")):
            return symbol
    if unit in ("W", "var", "VA"):
        return _power(unit, phase)
    if unit in ("V", "A", "") and letter:
        return "u_rms" if letter == "u" else "i_rms"
    if said & {"p", "q", "s"} and not unit:
        return _power({"p": "W", "q": "var", "s": "VA"}[next(iter(said & {"p", "q", "s"}))], phase)
    raise Unclear("neither its name nor its unit states its quantity")


def _letter(said: frozenset[str], unit: str) -> str:
    """``u`` or ``i`` where words or unit say a voltage or a current, else ""."""
    if unit == "V" or said & {"u", "v", "urms", "vrms", "voltage", "volt", "volts"}:
        return "u"
    return "i" if unit == "A" or said & {"i", "irms", "current", "amps", "amp"} else ""


def _harmonic(order: int, letter: str, unit: str) -> str:
    symbol = f"{letter}h{order:02d}"
    if not letter or symbol not in QUANTITIES:
        raise Unclear(f"there is no quantity for harmonic {order}")
    if unit == "%":
        raise Unclear("a harmonic in per cent refers to the fundamental or to nominal: the name does not state which")
    return symbol


def _power(unit: str, phase: str) -> str:
    symbol = {"W": "p_total", "var": "q1_total", "VA": "s"}[unit]
    if phase:
        return _OF_LINE.get(symbol, symbol)
    if unit == "VA":
        raise Unclear("a total apparent power has several definitions, and its name does not state which")
    return symbol
