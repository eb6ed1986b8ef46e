"""The quantities of a survey: the trade's symbols, each with its unit, meaning, aggregation and source.

Help texts, tables of the documentation, the check of settings and the columns of trends all come from this one table.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Literal

from pipeline.errors import ConfigError

Of = Literal["voltage", "current", "conductor", "point"]
Aggregation = Literal["rms", "mean", "max", "min", "sum", "last", "ratio"]

HIGHEST_ORDER: Final = 50
_INTERVALS: Final = "IEC 61000-4-30 Ed. 3"
_PRACTICE: Final = "common practice, no source"
_TO_40: Final = (2, 40)
_TO_50: Final = (2, HIGHEST_ORDER)


@dataclass(frozen=True, slots=True)
class Quantity:
    """One quantity of a survey.

    Attributes
    ----------
    symbol : in column names, commands and settings.
    unit : "" where it is a ratio.
    meaning : in words.
    of : each judged ``voltage``, each ``current``, each line ``conductor`` (a voltage with its current), or the
        ``point`` as a whole.
    aggregation : how values of 10/12 cycles become one of a longer interval; ``ratio``: the sum of its numerator over
        that of its denominator.
    source : of its definition.
    needs_spectrum : it is made from the spectrum of each block.
    orders : first and last order of harmonics that it is made of by definition; a trend says which it covers.
    """

    symbol: str
    unit: str
    meaning: str
    of: Of
    aggregation: Aggregation
    source: str
    needs_spectrum: bool = False
    orders: tuple[int, int] | None = None


def _harmonics(letter: str, of: Of, unit: str) -> Iterable[Quantity]:
    for order in range(1, HIGHEST_ORDER + 1):
        yield Quantity(
            f"{letter}h{order:02d}", unit, f"harmonic {order} of the {of}, RMS of its subgroup", of, "rms",
            "IEC 61000-4-7:2002+A1:2008, 5.6; IEC 61000-4-30 Ed. 3, 5.8", True, (order, order),
        )  # fmt: skip


_TABLE: Final = (
    Quantity("u_rms", "V", "voltage, RMS over 10/12 cycles", "voltage", "rms", f"{_INTERVALS}, 5.2"),
    Quantity("u_half_min", "V", "lowest voltage, RMS over one cycle each half cycle", "voltage", "min",
             f"{_INTERVALS}, 3 and 5.4"),
    Quantity("u_half_max", "V", "highest voltage, RMS over one cycle each half cycle", "voltage", "max",
             f"{_INTERVALS}, 3 and 5.4"),
    Quantity("u_peak", "V", "largest distance of the voltage from zero", "voltage", "max", _PRACTICE),
    Quantity("crest_u", "", "crest factor of the voltage: peak over RMS", "voltage", "max", _PRACTICE),
    Quantity("u_under", "%", "underdeviation of the voltage from nominal", "voltage", "rms", f"{_INTERVALS}, 5.12"),
    Quantity("u_over", "%", "overdeviation of the voltage from nominal", "voltage", "rms", f"{_INTERVALS}, 5.12"),
    Quantity("thd_u", "%", "total harmonic distortion of the voltage, of the fundamental, to order 40", "voltage",
             "rms", "IEC 61000-4-7:2002, 3.3.1", True, _TO_40),
    Quantity("thd_r_u", "%", "total harmonic distortion of the voltage, of its RMS, to order 40", "voltage", "rms",
             _PRACTICE, True, _TO_40),
    Quantity("u_hc", "V", "harmonic content of the voltage, RMS of the orders 2 to 50 together", "voltage", "rms",
             "IEC 61000-4-7:2002, 3.3 (from memory); IEEE 519-2022, 3.1", True, _TO_50),
    Quantity("tihd_u", "%", "interharmonics of the voltage together, to order 50, of its fundamental", "voltage",
             "rms", "IEC 61000-4-7:2002, annex A", True, (1, HIGHEST_ORDER)),
    Quantity("pst", "", "short-term flicker severity, of ten minutes", "voltage", "last", "IEC 61000-4-15:2010, 5.7"),
    Quantity("plt", "", "long-term flicker severity, of two hours", "voltage", "last", "IEC 61000-4-15:2010, 5.7"),
    Quantity("i_rms", "A", "current, RMS over 10/12 cycles", "current", "rms", f"{_INTERVALS}, 5.13"),
    Quantity("i_half_max", "A", "highest current, RMS over one cycle each half cycle", "current", "max",
             f"{_INTERVALS}, 5.13"),
    Quantity("i_peak", "A", "largest distance of the current from zero", "current", "max", _PRACTICE),
    Quantity("crest_i", "", "crest factor of the current: peak over RMS", "current", "max", _PRACTICE),
    Quantity("thd_i", "%", "total harmonic distortion of the current, of the fundamental, to order 40", "current",
             "rms", "IEC 61000-4-7:2002, 3.3.1", True, _TO_40),
    Quantity("i_hc", "A", "harmonic content of the current, RMS of the orders 2 to 50 together", "current", "rms",
             "IEC 61000-4-7:2002, 3.3 (from memory); IEEE 519-2022, 3.1", True, _TO_50),
    Quantity("tdd", "%", "total demand distortion of the current, of the demand current, to order 50", "current", "rms",
             "IEEE 519-2022, 3.1", True, _TO_50),
    Quantity("k_factor", "", "K-factor of the current for transformers, to order 50", "current", "mean",
             "UL 1561; IEEE C57.110-2018", True, (1, HIGHEST_ORDER)),
    Quantity("f_hl", "", "harmonic loss factor of the current for winding eddy currents, to order 50", "current",
             "mean", "IEEE C57.110-2018, 5", True, (1, HIGHEST_ORDER)),
    Quantity("p", "W", "active power", "conductor", "mean", "IEEE 1459-2010, 3.1.2.3"),
    Quantity("s", "VA", "apparent power", "conductor", "mean", "IEEE 1459-2010, 3.1.2.7"),
    Quantity("q1", "var", "reactive power of the fundamental, positive where the current lags", "conductor", "mean",
             "IEEE 1459-2010, 3.1.2", True),
    Quantity("s_n", "VA", "non-fundamental apparent power", "conductor", "mean", "IEEE 1459-2010, 3.1.2", True),
    Quantity("pf", "", "power factor P/S, negative where power flows back", "conductor", "ratio",
             "IEEE 1459-2010, 3.1.2"),
    Quantity("dpf", "", "displacement power factor P1/S1, of the fundamental", "conductor", "ratio",
             "IEEE 1459-2010, 3.1.2", True),
    Quantity("p_total", "W", "active power of all conductors", "point", "mean", "IEEE 1459-2010, 3.2.3"),
    Quantity("q1_total", "var", "reactive power of the fundamental of all conductors", "point", "mean",
             "IEEE 1459-2010, 3.2.3", True),
    Quantity("s_e", "VA", "effective apparent power of three phases", "point", "mean", "IEEE 1459-2010, 3.2.2.8", True),
    Quantity("pf_e", "", "effective power factor P/Se of three phases", "point", "ratio", "IEEE 1459-2010, 3.2.3",
             True),
    Quantity("energy_in", "Wh", "energy taken in the interval", "point", "sum", _PRACTICE),
    Quantity("energy_out", "Wh", "energy given back in the interval", "point", "sum", _PRACTICE),
    Quantity("f", "Hz", "frequency of the fundamental", "point", "mean", f"{_INTERVALS}, 5.1"),
    Quantity("u2", "%", "negative-sequence unbalance of the voltage", "point", "rms", f"{_INTERVALS}, 5.7", True),
    Quantity("u0", "%", "zero-sequence unbalance of the voltage", "point", "rms", f"{_INTERVALS}, 5.7", True),
    Quantity("u_dev", "%", "largest distance of a line-to-line voltage from their mean, of that mean", "point", "mean",
             "ANSI C84.1-2020, annex; NEMA MG 1, 14.36 (from memory)"),
    Quantity("i2", "%", "negative-sequence unbalance of the current", "point", "rms", f"{_INTERVALS}, 5.13", True),
    *_harmonics("u", "voltage", "V"),
    *_harmonics("i", "current", "A"),
)  # fmt: skip

QUANTITIES: Final = {quantity.symbol: quantity for quantity in _TABLE}


def chosen_quantities(symbols: Iterable[str]) -> tuple[Quantity, ...]:
    """Quantities by symbol, in the table's order; ``uh`` or ``ih`` stands for all orders, nothing for all quantities.

    Raises
    ------
    ConfigError : an unknown symbol, with the nearest known.
    """
    wanted: set[str] = set()
    for symbol in symbols:
        family = [name for name in QUANTITIES if symbol in ("uh", "ih") and name[:2] == symbol]
        if not family and symbol not in QUANTITIES:
            (near,) = difflib.get_close_matches(symbol, QUANTITIES, n=1, cutoff=0.0)
            raise ConfigError(f"quantity {symbol!r} is not known; the nearest is {near!r}")
        wanted.update(family or [symbol])
    return tuple(quantity for quantity in _TABLE if not wanted or quantity.symbol in wanted)
