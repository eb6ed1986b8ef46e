"""Harmonics beyond limits that last."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
from pydantic import Field

from halfcycle.pipeline.detectors.finding import Finding
from halfcycle.pipeline.detectors.spans import F64
from halfcycle.pipeline.detectors.steady import (
    LastingExcursion,
    SteadySettings,
    lasting_excursions,
    shares_of,
    unmarked,
)
from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.measures.spectra import Spectra
from halfcycle.pipeline.resources import resource_rows

_MOST_NAMED = 6


@dataclass(frozen=True, slots=True)
class HarmonicLimits:
    """Limits of the total harmonic distortion and of single orders, of the fundamental. [%]

    Attributes
    ----------
    thd_pct : of the total harmonic distortion up to `thd_highest_order`.
    orders_pct : of each order that has a limit.
    """

    thd_pct: float
    thd_highest_order: int
    orders_pct: tuple[tuple[int, float], ...]


class HarmonicSettings(SteadySettings):
    """Limits of harmonics.

    levels : a table of datasets/limits/compatibility-levels.csv, by its name.
    thd_pct : instead of the table's, of the fundamental.
    orders_pct : instead of the table's or beside them, by order, of the fundamental.
    least_fundamental_pu : of nominal; windows with a smaller fundamental are not judged.
    """

    levels: str = "en-50160"
    thd_pct: float | None = Field(None, gt=0)
    orders_pct: dict[int, float] = Field(default_factory=dict)
    least_fundamental_pu: float = Field(0.5, gt=0)


@cache
def compatibility_levels(table: str = "en-50160") -> HarmonicLimits:
    """Limits of a table in datasets/limits/compatibility-levels.csv.

    Parameters
    ----------
    table : ``en-50160``, ``iec-61000-2-2`` or ``iec-61000-2-2-short-term``.

    Raises
    ------
    ConfigError : there is no such table.

    Source: clause and table stand in the file, row by row.
    """
    rows = resource_rows("datasets", "limits/compatibility-levels.csv")
    mine = [row for row in rows if row["table"] == table]
    if not mine:
        known = ", ".join(dict.fromkeys(row["table"] for row in rows))
        raise ConfigError(f"limits of harmonics {table!r}; allowed are {known}")
    total = next(row for row in mine if row["quantity"] == "thd")
    orders = [(int(row["order"]), float(row["limit_pct"])) for row in mine if row["quantity"] == "harmonic"]
    return HarmonicLimits(float(total["limit_pct"]), int(total["order"]), tuple(sorted(orders)))


def limits_of(settings: HarmonicSettings) -> HarmonicLimits:
    """The limits that settings name: those of their table, with their own in place of it.

    Raises
    ------
    ConfigError : no such table, or an order below 2 or limit not above zero.
    """
    table = compatibility_levels(settings.levels)
    for order, bound in settings.orders_pct.items():
        if order < 2 or not bound > 0:
            raise ConfigError(f"orders_pct: order {order} with limit {bound:g} %; allowed are orders from 2, above 0 %")
    orders = dict(table.orders_pct) | settings.orders_pct
    thd_pct = table.thd_pct if settings.thd_pct is None else settings.thd_pct
    return HarmonicLimits(thd_pct, table.thd_highest_order, tuple(sorted(orders.items())))


def find_harmonics(
    spectra: Spectra,
    *,
    nominal: float,
    limits: HarmonicLimits,
    settings: HarmonicSettings,
    flags: npt.ArrayLike | None = None,
) -> list[Finding]:
    """Spans in which the total harmonic distortion or a single harmonic stays beyond its limit.

    Parameters
    ----------
    spectra : of the judged voltages of one measuring point.
    nominal : what 1 pu stands for. [unit of the spectra]
    limits : see `limits_of`; orders that the spectra do not reach are not judged.
    settings : what makes it last, and the least fundamental.
    flags : uint8, shape (n_channels, n_windows). Marks of `measures.quality`; a window with one, a clipped one too, is
        not judged. None: no marks.

    Returns
    -------
    Findings of kind ``harmonics`` in order of start. Magnitude is the worst total harmonic distortion where that was
    beyond its limit, else the share of the order that went farthest beyond its own, in % of the fundamental; the notes
    name each. The extreme of a channel's part is of the same quantity.

    Source: limits see the table; category of IEEE 1159-2019, Table 2, 5.2 [memory].  Departs: the standards judge 95 %
    of a week's ten-minute values; and the power of broadband noise in the harmonics' lines does not count.
    """
    values = spectra.harmonics_above_noise()
    first = values[..., 0]
    judged = unmarked(flags, first.shape) & (first >= settings.least_fundamental_pu * nominal)
    shares = shares_of(values, first, judged)
    total = np.sqrt((shares[..., 1 : limits.thd_highest_order] ** 2).sum(axis=2))
    orders = [(order, bound) for order, bound in limits.orders_pct if order <= values.shape[2]]
    quantities = [_Quantity("THD", total, limits.thd_pct)]
    quantities += [_Quantity(f"h{order}", shares[..., order - 1], bound) for order, bound in orders]
    ratios = np.max([quantity.values / quantity.limit_pct for quantity in quantities], axis=0)
    found = lasting_excursions(
        ratios, judged, starts=spectra.starts, lengths=spectra.lengths, rate_hz=spectra.rate_hz,
        limit=1.0, settings=settings,
    )  # fmt: skip
    return [_finding(excursion, quantities) for excursion in found]


@dataclass(frozen=True, slots=True)
class _Quantity:
    """What has a limit: its name, its values, shape (n_channels, n_windows), and the limit. [%]"""

    name: str
    values: F64
    limit_pct: float


def _finding(excursion: LastingExcursion, quantities: list[_Quantity]) -> Finding:
    worst = [float(quantity.values[excursion.peak(quantity.values)]) for quantity in quantities]
    beyond = [i for i, quantity in enumerate(quantities) if worst[i] > quantity.limit_pct]
    beyond.sort(key=lambda i: (quantities[i].name != "THD", -worst[i] / quantities[i].limit_pct))
    words = [f"{quantities[i].name} {worst[i]:.3g} % (limit {quantities[i].limit_pct:g} %)" for i in beyond]
    if len(words) > _MOST_NAMED:
        words = [*words[:_MOST_NAMED], f"{len(words) - _MOST_NAMED} more"]
    return Finding(
        kind="harmonics",
        category="harmonics",
        start=excursion.start,
        stop=excursion.stop,
        magnitude=worst[beyond[0]],
        magnitude_unit="%",
        parts=excursion.parts(quantities[beyond[0]].values),
        open_start=excursion.open_start,
        open_stop=excursion.open_stop,
        notes=", ".join(words),
    )
