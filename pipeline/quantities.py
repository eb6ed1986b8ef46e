"""The quantities of a survey: the trade's symbols, each with its unit, meaning, aggregation and source.

Help texts, tables of the documentation, the check of settings and the columns of trends all come from this one table.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Literal

from halfcycle.pipeline.errors import ConfigError

Of = Literal["voltage", "current", "conductor", "point"]
Aggregation = Literal["rms", "mean", "max", "min", "sum", "last", "ratio", "angle"]
Needs = Literal["", "spectrum", "groups", "bands", "signal", "flicker", "demand", "changes"]

HIGHEST_ORDER: Final = 50
BANDS_HZ: Final = (
    *((low, low + 200) for low in range(2000, 9000, 200)),
    *((low, low + 2000) for low in range(9000, 149_000, 2000)),
)
"""Above the harmonics, from and to. IEC 61000-4-7:2002, annex B (200 Hz); IEC 61000-4-30 Ed. 3, annex C (2 kHz, from
memory). [Hz]"""
_INTERVALS: Final = "IEC 61000-4-30 Ed. 3"
_PRACTICE: Final = "common practice, no source"
_OF_VOLTAGES: Final = ("f", "u0", "u2", "u_dev", "rvc")  # of a point
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
        that of its denominator; ``angle``: that of the sum of the phasors.
    source : of its definition.
    needs : what it is made from beside RMS values and products: the ``spectrum`` of each block, its ``groups``, the
        ``bands`` above the harmonics, the ``signal`` on the mains, ``flicker``, the ``demand``, rapid ``changes``.
    orders : first and last order of harmonics that it is made of by definition; a trend says which it covers.
    family : of quantities that differ by a number alone, such as ``uh``; "" where it stands alone.
    number : order, or centre frequency of the band; 0 where it stands alone. [1], [Hz]
    usual : measured where nobody says which are wanted.
    """

    symbol: str
    unit: str
    meaning: str
    of: Of
    aggregation: Aggregation
    source: str
    needs: Needs = ""
    orders: tuple[int, int] | None = None
    family: str = ""
    number: int = 0
    usual: bool = True

    @property
    def needs_spectrum(self) -> bool:
        """Whether it is made from the spectrum of each block."""
        return self.needs in ("spectrum", "groups", "signal")

    @property
    def is_of_voltages(self) -> bool:
        """Whether voltages alone make it, so that it is the same at each feeder of a busbar."""
        return self.of == "voltage" or self.symbol in _OF_VOLTAGES

    @property
    def extremes(self) -> bool:
        """Whether a trend has its least and largest block too."""
        plain = self.usual and self.symbol not in ("u_under", "u_over")
        return plain and not self.needs_whole_record and self.aggregation in ("rms", "mean", "ratio")

    @property
    def needs_whole_record(self) -> bool:
        """Whether it is no matter of single blocks."""
        return self.needs in ("flicker", "demand", "changes")


_HARMONIC: Final = "IEC 61000-4-7:2002+A1:2008, 5.6; IEC 61000-4-30 Ed. 3, 5.8"
_INTERHARMONIC: Final = "IEC 61000-4-7:2002, annex A; IEC 61000-4-30 Ed. 3, 5.9"
_GROUP: Final = "IEC 61000-4-7:2002, 5.5.1"
_SMOOTHED: Final = "IEC 61000-4-7:2002, 5.5.1 and Figure 3 (from memory)"


def _orders(
    family: str, of: Of, unit: str, meaning: str, source: str, *, aggregation: Aggregation = "rms",
    needs: Needs = "spectrum", first: int = 1, usual: bool = False,
) -> Iterable[Quantity]:  # fmt: skip
    """A quantity for each order; of gaps, number n lies between the orders n and n + 1."""
    last = HIGHEST_ORDER - 1 if first == 0 else HIGHEST_ORDER
    for order in range(first, last + 1):
        yield Quantity(
            f"{family}{order:02d}", unit, meaning.format(n=order, above=order + 1), of, aggregation, source, needs,
            (order, order), family, order, usual,
        )  # fmt: skip


def _of_channel(letter: str, of: Of, unit: str) -> Iterable[Quantity]:
    """The families of a voltage or a current."""
    yield from _orders(
        f"{letter}h", of, unit, f"harmonic {{n}} of the {of}, RMS of its subgroup", _HARMONIC, usual=True
    )
    smoothed = "maximum after the 1.5 s low-pass"
    yield from _orders(
        f"{letter}hs", of, unit, f"harmonic {{n}} of the {of}, its subgroup: {smoothed}", _SMOOTHED, aggregation="max"
    )
    yield from _orders(f"{letter}g", of, unit, f"harmonic {{n}} of the {of}, RMS of its group", _GROUP, needs="groups")
    yield from _orders(
        f"{letter}gs", of, unit, f"harmonic {{n}} of the {of}, its group: {smoothed}", _SMOOTHED, aggregation="max",
        needs="groups",
    )  # fmt: skip
    between = f"interharmonics of the {of} between the orders {{n}} and {{above}}, RMS of their"
    yield from _orders(f"{letter}ih", of, unit, f"{between} centred subgroup", _INTERHARMONIC, first=0)
    yield from _orders(f"{letter}ig", of, unit, f"{between} group", _INTERHARMONIC, first=0, needs="groups")
    yield from _orders(
        f"{letter}ha", of, "°", f"angle of harmonic {{n}} of the {of} where its own fundamental rises through zero",
        "derived: as in sin(nx + angle)", aggregation="angle",
    )  # fmt: skip
    for low_hz, high_hz in BANDS_HZ:
        wide, centre = high_hz - low_hz, (low_hz + high_hz) // 2
        yield Quantity(
            f"{letter}b{centre:06d}", unit, f"{of} in the {wide} Hz around {centre} Hz, RMS", of, "rms",
            "IEC 61000-4-7:2002, annex B" if wide == 200 else "IEC 61000-4-30 Ed. 3, annex C (from memory)", "bands",
            None, f"{letter}b", centre, False,
        )  # fmt: skip


_TABLE: Final = (
    Quantity("u_rms", "V", "voltage, RMS over 10/12 cycles", "voltage", "rms", f"{_INTERVALS}, 5.2"),
    Quantity("u_half_min", "V", "lowest Urms(1/2): one-cycle RMS voltage, refreshed each half cycle", "voltage", "min",
             f"{_INTERVALS}, 3 and 5.4"),
    Quantity("u_half_max", "V", "highest Urms(1/2): one-cycle RMS voltage, refreshed each half cycle", "voltage", "max",
             f"{_INTERVALS}, 3 and 5.4"),
    Quantity("u_peak", "V", "peak voltage, absolute value", "voltage", "max", _PRACTICE),
    Quantity("crest_u", "", "crest factor of the voltage: peak over RMS", "voltage", "max", _PRACTICE),
    Quantity("u_dc", "V", "dc component of the voltage", "voltage", "mean", "IEC 61000-4-7:2002, 4.4.1 (line 0)"),
    Quantity("u_under", "%", "underdeviation of the voltage", "voltage", "rms", f"{_INTERVALS}, 5.12"),
    Quantity("u_over", "%", "overdeviation of the voltage", "voltage", "rms", f"{_INTERVALS}, 5.12"),
    Quantity("thd_u", "%", (
        "total harmonic distortion of the voltage to order 40, relative to the fundamental"
    ), "voltage",
             "rms", "IEC 61000-4-7:2002, 3.3.1", "spectrum", _TO_40),
    Quantity("thd_r_u", "%", (
        "total harmonic distortion of the voltage to order 40, relative to its RMS"
    ), "voltage", "rms",
             _PRACTICE, "spectrum", _TO_40),
    Quantity("u_hc", "V", "harmonic content of the voltage: combined RMS of orders 2 to 50", "voltage", "rms",
             "IEC 61000-4-7:2002, 3.3 (from memory); IEEE 519-2022, 3.1", "spectrum", _TO_50),
    Quantity("tihd_u", "%", (
        "total interharmonic distortion of the voltage to order 50, relative to the fundamental"
    ), "voltage",
             "rms", "IEC 61000-4-7:2002, annex A", "spectrum", (1, HIGHEST_ORDER)),
    Quantity("pst", "", "short-term flicker severity over ten minutes", "voltage", "last", "IEC 61000-4-15:2010, 5.7",
             "flicker"),
    Quantity("plt", "", "long-term flicker severity over two hours", "voltage", "last", "IEC 61000-4-15:2010, 5.7",
             "flicker"),
    Quantity("pinst_min", "", "minimum instantaneous flicker sensation in ten minutes", "voltage", "last",
             "IEC 61000-4-15:2010, 5.6", "flicker"),
    Quantity("pinst_max", "", "maximum instantaneous flicker sensation in ten minutes", "voltage", "last",
             "IEC 61000-4-15:2010, 5.6", "flicker"),
    Quantity("u_sig", "V", "mains signalling voltage at the declared frequency", "voltage", "rms",
             f"{_INTERVALS}, 5.10", "signal"),
    Quantity("i_rms", "A", "current, RMS over 10/12 cycles", "current", "rms", f"{_INTERVALS}, 5.13"),
    Quantity("i_half_max", "A", "highest one-cycle RMS current, refreshed each half cycle", "current", "max",
             f"{_INTERVALS}, 5.13"),
    Quantity("i_dc", "A", "dc component of the current", "current", "mean", "IEC 61000-4-7:2002, 4.4.1 (line 0)"),
    Quantity("i_peak", "A", "peak current, absolute value", "current", "max", _PRACTICE),
    Quantity("crest_i", "", "crest factor of the current: peak over RMS", "current", "max", _PRACTICE),
    Quantity("thd_i", "%", (
        "total harmonic distortion of the current to order 40, relative to the fundamental"
    ), "current",
             "rms", "IEC 61000-4-7:2002, 3.3.1", "spectrum", _TO_40),
    Quantity("i_hc", "A", "harmonic content of the current: combined RMS of orders 2 to 50", "current", "rms",
             "IEC 61000-4-7:2002, 3.3 (from memory); IEEE 519-2022, 3.1", "spectrum", _TO_50),
    Quantity("tihd_i", "%", (
        "total interharmonic distortion of the current to order 50, relative to the fundamental"
    ), "current",
             "rms", "IEC 61000-4-7:2002, annex A", "spectrum", (1, HIGHEST_ORDER)),
    Quantity("tdd", "%", (
        "total demand distortion of the current to order 50, relative to the demand current"
    ), "current", "rms",
             "IEEE 519-2022, 3.1", "spectrum", _TO_50),
    Quantity("k_factor", "", "K-factor of the current for transformers, to order 50", "current", "mean",
             "UL 1561; IEEE C57.110-2018", "spectrum", (1, HIGHEST_ORDER)),
    Quantity("f_hl", "", "harmonic loss factor of the current for winding eddy currents, to order 50", "current",
             "mean", "IEEE C57.110-2018, 5", "spectrum", (1, HIGHEST_ORDER)),
    Quantity("p", "W", "active power", "conductor", "mean", "IEEE 1459-2010, 3.1.2.3"),
    Quantity("s", "VA", "apparent power", "conductor", "mean", "IEEE 1459-2010, 3.1.2.7"),
    Quantity("q1", "var", "reactive power of the fundamental, positive where the current lags", "conductor", "mean",
             "IEEE 1459-2010, 3.1.2", "spectrum"),
    Quantity("s_n", "VA", "non-fundamental apparent power", "conductor", "mean", "IEEE 1459-2010, 3.1.2", "spectrum"),
    Quantity("pf", "", "power factor P/S, negative for reverse power flow", "conductor", "ratio",
             "IEEE 1459-2010, 3.1.2"),
    Quantity("dpf", "", "displacement power factor P1/S1 of the fundamental", "conductor", "ratio",
             "IEEE 1459-2010, 3.1.2", "spectrum"),
    Quantity("d_i", "var", "current distortion power", "conductor", "mean", "IEEE 1459-2010, 3.1.2", "spectrum"),
    Quantity("d_v", "var", "voltage distortion power", "conductor", "mean", "IEEE 1459-2010, 3.1.2", "spectrum"),
    Quantity("d_h", "var", "harmonic distortion power", "conductor", "mean", "IEEE 1459-2010, 3.1.2", "spectrum"),
    Quantity("d", "var", "distortion power: the part of S that is neither P nor Q1", "conductor", "mean",
             "derived: root of S² - P² - Q1²; common practice, no source", "spectrum"),
    Quantity("p_total", "W", "active power of all conductors", "point", "mean", "IEEE 1459-2010, 3.2.3"),
    Quantity("q1_total", "var", "reactive power of the fundamental of all conductors", "point", "mean",
             "IEEE 1459-2010, 3.2.3", "spectrum"),
    Quantity("s_arithmetic", "VA", "arithmetic apparent power, the sum over the conductors", "point", "mean",
             "IEEE 1459-2010, 3.2.2.5"),
    Quantity("s_e", "VA", "effective apparent power of three phases", "point", "mean", "IEEE 1459-2010, 3.2.2.8",
             "spectrum"),
    Quantity("s_en", "VA", "non-fundamental effective apparent power of three phases", "point", "mean",
             "IEEE 1459-2010, 3.2.3", "spectrum"),
    Quantity("s_u1", "VA", "unbalance power of the fundamental of three phases", "point", "mean",
             "IEEE 1459-2010, 3.2.3", "spectrum"),
    Quantity("p1_plus", "W", "active power of the fundamental's positive sequence", "point", "mean",
             "IEEE 1459-2010, 3.2.3", "spectrum"),
    Quantity("q1_plus", "var", "reactive power of the fundamental's positive sequence", "point", "mean",
             "IEEE 1459-2010, 3.2.3", "spectrum"),
    Quantity("d_total", "var", (
        "distortion power of three phases: the part of Se that is neither P nor Q1"
    ), "point", "mean",
             "derived: root of Se² - P² - Q1²; common practice, no source", "spectrum"),
    Quantity("pf_arithmetic", "", "power factor P/SA of all conductors", "point", "ratio", "IEEE 1459-2010, 3.2.2.5"),
    Quantity("pf_e", "", "effective power factor P/Se of three phases", "point", "ratio", "IEEE 1459-2010, 3.2.3",
             "spectrum"),
    Quantity("dpf_total", "", "displacement power factor of three phases, P1+/S1+ of the positive sequence", "point",
             "ratio", "IEEE 1459-2010, 3.2.3", "spectrum"),
    Quantity("energy_in", "Wh", "energy imported in the interval", "point", "sum", _PRACTICE),
    Quantity("energy_out", "Wh", "energy exported in the interval", "point", "sum", _PRACTICE),
    *(Quantity(f"energy_q{k}", "varh", f"reactive energy of the fundamental in the interval, quadrant {k}: {words}",
               "point", "sum", _PRACTICE, "spectrum")
      for k, words in ((1, "import, lagging"), (2, "export, lagging"), (3, "export, leading"),
                       (4, "import, leading"))),
    Quantity("demand_block", "W", (
        "mean power over the clock-aligned demand interval that ends in this interval"
    ), "point",
             "last", _PRACTICE, "demand"),
    Quantity("demand_sliding", "W", (
        "highest mean power over a demand interval that slides by one minute and ends in this interval"
    ), "point", "last", _PRACTICE, "demand"),
    Quantity("f", "Hz", "frequency of the fundamental", "point", "mean", f"{_INTERVALS}, 5.1"),
    Quantity("u2", "%", "negative-sequence unbalance of the voltage", "point", "rms", f"{_INTERVALS}, 5.7", "spectrum"),
    Quantity("u0", "%", "zero-sequence unbalance of the voltage", "point", "rms", f"{_INTERVALS}, 5.7", "spectrum"),
    Quantity("u_dev", "%", (
        "largest deviation of a line-to-line voltage from the mean of the three, relative to that mean"
    ), "point", "mean",
             "ANSI C84.1-2020, annex; NEMA MG 1, 14.36 (from memory)"),
    Quantity("rvc", "%", (
        "largest rapid voltage change that begins in the interval, relative to nominal; 0 if none"
    ), "point",
             "max", f"{_INTERVALS}, 5.11", "changes"),
    Quantity("i0", "%", "zero-sequence unbalance of the current", "point", "rms", f"{_INTERVALS}, 5.13", "spectrum"),
    Quantity("i2", "%", "negative-sequence unbalance of the current", "point", "rms", f"{_INTERVALS}, 5.13",
             "spectrum"),
    *_of_channel("u", "voltage", "V"),
    *_of_channel("i", "current", "A"),
    *_orders("ph", "conductor", "W", "active power of harmonic {n}, negative where the load is its source",
             "IEEE 1459-2010, 3.1.2 and Annex B", aggregation="mean"),
    *_orders("qh", "conductor", "var", "reactive power of harmonic {n}", "IEEE 1459-2010, 3.1.2 and Annex B",
             aggregation="mean"),
)  # fmt: skip

QUANTITIES: Final = {quantity.symbol: quantity for quantity in _TABLE}


FAMILIES: Final = tuple(dict.fromkeys(quantity.family for quantity in _TABLE if quantity.family))
"""Symbols that stand for all orders, or all bands."""


def chosen_quantities(symbols: Iterable[str]) -> tuple[Quantity, ...]:
    """Quantities by symbol, in the table's order.

    A family such as ``uh`` stands for all its orders, ``all`` for all quantities, nothing for the usual ones.

    Raises
    ------
    ConfigError : an unknown symbol, with the nearest known.
    """
    wanted: set[str] = set()
    for symbol in symbols:
        if symbol == "all":
            return _TABLE
        if symbol in FAMILIES:
            wanted.update(name for name, quantity in QUANTITIES.items() if quantity.family == symbol)
        elif symbol in QUANTITIES:
            wanted.add(symbol)
        else:
            (near,) = difflib.get_close_matches(symbol, (*QUANTITIES, *FAMILIES, "all"), n=1, cutoff=0.0)
            raise ConfigError(f"quantity {symbol!r} is not known; the nearest is {near!r}")
    return tuple(one for one in _TABLE if (one.symbol in wanted if wanted else one.usual))
