"""Standard uncertainties of a trend's values, a column ``NAME_u`` for each series: the computation and the transducers.

By the GUM's law of propagation (JCGM 100, 5.1), each limit of an error taken for rectangular (4.3.7): u = a/√3. Of the
computation the limits are those that the tests hold it to; of a transducer its class, of the reading.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Literal, get_args

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.quantities import Quantity
from halfcycle.pipeline.sites.table import SiteTable
from halfcycle.pipeline.survey.certificate import quantity_of_column
from halfcycle.pipeline.survey.stored import StoredTrend
from halfcycle.pipeline.trend_table import UNCERTAINTY

if TYPE_CHECKING:
    import pyarrow as pa

F64 = npt.NDArray[np.float64]
Wanted = Literal["none", "standard"]
CHOICES: Final[tuple[Wanted, ...]] = get_args(Wanted)
NOT_INCLUDED: Final = (
    "noise remaining after averaging over the interval, phase displacement of transducers, anti-alias filter, clipping"
)
_RECTANGULAR: Final = 1 / np.sqrt(3)


@dataclass(frozen=True, slots=True)
class Rule:
    """How sure a quantity is.

    Attributes
    ----------
    share, of_nominal, absolute : limits of the computation's error: of the reading, of the nominal voltage, in the
        quantity's own unit.
    voltages, currents : how often the gain of each kind of transducer goes into it: 1 where it is proportional to that,
        0 where it cancels.
    between_voltages, between_currents : of the difference of the gains of three transducers, what goes into it. [% for
        each 1 %]
    """

    share: float = 0.0
    of_nominal: float = 0.0
    absolute: float = 0.0
    voltages: float = 0.0
    currents: float = 0.0
    between_voltages: float = 0.0
    between_currents: float = 0.0


# Limits of the computation as in datasets/survey/uncertainty.csv, or a quarter of the bar of the project's tests of
# conformance. Of three gains g with equal spread |g1 + a g2 + a² g3|/3 has √(1/6) of it in each part, so √(1/6) of its
# size where it is added to an unbalance that is larger; derived.
_BETWEEN: Final = 0.41
_RULES: Final = {
    **{name: Rule(share=2e-4, voltages=1) for name in ("u_rms", "u_peak", "u_hc", "u_sig")},
    **{name: Rule(of_nominal=5e-4, voltages=1) for name in ("u_half_min", "u_half_max")},
    "u_dc": Rule(of_nominal=2.5e-4, voltages=1),
    **{name: Rule(share=2.5e-3) for name in ("thd_u", "thd_r_u", "tihd_u", "thd_i", "tihd_i", "k_factor", "f_hl")},
    **{name: Rule(share=2e-4) for name in ("crest_u", "crest_i")},
    **{name: Rule(share=1.25e-2) for name in ("pst", "plt")},
    **{name: Rule(share=2.5e-2) for name in ("pinst_min", "pinst_max")},
    **{name: Rule(share=2.5e-4, currents=1) for name in ("i_rms", "i_half_max", "i_peak", "i_dc", "i_hc")},
    "tdd": Rule(share=2.5e-3, currents=1),
    "f": Rule(absolute=2.5e-3),
    **{name: Rule(absolute=0.04, between_voltages=_BETWEEN) for name in ("u2", "u0")},
    **{name: Rule(absolute=0.04, between_currents=_BETWEEN) for name in ("i2", "i0")},
    "u_dev": Rule(absolute=0.04, between_voltages=0.82),
    "rvc": Rule(absolute=0.1, voltages=1),
    **{name: Rule(absolute=2e-4) for name in ("pf", "dpf", "pf_arithmetic", "pf_e", "dpf_total")},
}
_OF_POWER: Final = Rule(share=2e-4, voltages=1, currents=1)
_OF_FAMILY: Final = {"V": Rule(share=1.25e-2, of_nominal=1.25e-4, voltages=1), "A": Rule(share=1.25e-2, currents=1)}
_DEVIATIONS: Final = {"u_under": -1.0, "u_over": 1.0}
_POWERS: Final = ("W", "VA", "var", "Wh", "varh")


def with_uncertainties(
    table: pa.Table,
    *,
    nominal_v: float | None,
    voltage_class_pct: float | None = None,
    current_class_pct: float | None = None,
) -> pa.Table:
    """A trend with the standard uncertainty of each of its series.

    Parameters
    ----------
    table : a trend that was measured from waveforms.
    nominal_v : of its voltages; None: a quantity whose limits rest on it gets no uncertainty. [V]
    voltage_class_pct, current_class_pct : accuracy classes of the transducers; None: they are not included. [%]

    Returns
    -------
    The table with ``NAME_u`` for each series but angles and extremes, in the unit of that series, after all others.
    """
    import pyarrow as pa

    for name in series_in(table.column_names):
        quantity = quantity_of_column(name)
        if quantity is None:
            continue
        values = np.asarray(table.column(name).to_numpy(zero_copy_only=False), np.float64)
        u = _u_of(quantity, values, table, name, nominal_v, voltage_class_pct or 0.0, current_class_pct or 0.0)
        if u is not None:
            table = table.append_column(name + UNCERTAINTY, pa.array(u.astype(np.float32), from_pandas=True))
    return table


def series_in(columns: Iterable[str]) -> list[str]:
    """Those of a trend's columns that are series: no extremes of blocks, no times, flags or uncertainties."""
    found = []
    for name in columns:
        quantity = quantity_of_column(name)
        extreme = name.endswith(("_min", "_max")) and quantity is not None and not _ends_itself(quantity, name)
        if quantity is not None and not extreme and quantity.aggregation != "angle":
            found.append(name)
    return found


def _ends_itself(quantity: Quantity, name: str) -> bool:
    """Whether an ending that looks like an extreme of blocks is the symbol's own."""
    return name == quantity.symbol or not name.removeprefix(quantity.symbol).endswith(("_min", "_max"))


def _u_of(
    quantity: Quantity, values: F64, table: pa.Table, name: str, nominal_v: float | None, u_pct: float, i_pct: float
) -> F64 | None:
    if quantity.symbol in _DEVIATIONS:  # of the voltage, in % of nominal
        voltage = 100 + _DEVIATIONS[quantity.symbol] * values
        return np.asarray(_RECTANGULAR * np.hypot(2e-4, u_pct / 100) * voltage, np.float64)
    rule = _rule(quantity)
    if rule is None or (rule.of_nominal and nominal_v is None):
        return None
    size = np.abs(values)
    computed = rule.share * (_apparent(table, name, size) if quantity.unit in ("W", "var") else size)
    computed = np.maximum(computed, rule.of_nominal * (nominal_v or 0.0)) + rule.absolute
    parts = (
        computed, rule.voltages * u_pct / 100 * size, rule.currents * i_pct / 100 * size,
        np.full(size.shape, rule.between_voltages * u_pct), np.full(size.shape, rule.between_currents * i_pct),
    )  # fmt: skip
    return np.asarray(_RECTANGULAR * np.sqrt(np.sum(np.square(parts), axis=0)) + 0 * values, np.float64)


def _rule(quantity: Quantity) -> Rule | None:
    if quantity.symbol in _RULES:
        return _RULES[quantity.symbol]
    if quantity.unit in _POWERS:
        return _OF_POWER
    return _OF_FAMILY.get(quantity.unit) if quantity.family else None


def _apparent(table: pa.Table, name: str, size: F64) -> F64:
    """The apparent power beside an active or reactive one, of which its error is a share, where the trend has it."""
    phase = name.rpartition("_")[2]
    beside = next((one for one in (f"s_{phase}", "s_e", "s_arithmetic") if one in table.column_names), None)
    if beside is None:
        return size
    return np.maximum(np.nan_to_num(np.asarray(table.column(beside).to_numpy(zero_copy_only=False), np.float64)), size)


def sure(one: StoredTrend, sites: SiteTable) -> StoredTrend:
    """A trend with its uncertainties, and its certificate with the budget. sites : where classes are declared."""
    site = next((site for site in sites.sites if site.name == one.certificate.site), None)
    classes = {
        "voltage_class_pct": None if site is None else site.voltage_class_pct,
        "current_class_pct": None if site is None else site.current_class_pct,
    }
    table = with_uncertainties(one.trend.table, nominal_v=one.trend.nominal_voltage_v, **classes)
    return StoredTrend(replace(one.trend, table=table), replace(one.certificate, budget=in_words(**classes)))


def in_words(*, voltage_class_pct: float | None, current_class_pct: float | None) -> str:
    """The budget of a trend's uncertainties, as its certificate says it."""
    classes = [
        f"{what} transducers of class {pct:g}" if pct is not None else f"{what} transducers not included (no class)"
        for what, pct in (("voltage", voltage_class_pct), ("current", current_class_pct))
    ]
    return (
        "columns _u are standard uncertainties (JCGM 100; k = 2 gives 95 %): the computation, and the class of the "
        f"transducers over √3; {'; '.join(classes)}; not included: {NOT_INCLUDED}"
    )
