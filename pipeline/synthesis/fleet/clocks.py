"""Clocks of drawn recorders: GPS, NTP, off by a constant, drifting between settings, in another time zone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

KINDS: Final = ("gps", "ntp", "off", "drifting")
_DAY_S: Final = 86_400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockMix:
    """Which clocks a fleet has; common practice, no source, for the sizes.

    Attributes
    ----------
    off_share : recorders whose clock is off by up to `off_s`.
    drifting_share : recorders that run free and are set anew every `set_every_days`.
    ntp_share : recorders set over a network; the rest follow satellites.
    zone_share : recorders that are a whole hour off besides.
    off_s, drift_s_a_day, ntp_s, gps_s : the largest constant, the largest drift, the standard deviations.
    """

    off_share: float = 0.2
    drifting_share: float = 0.0
    ntp_share: float = 0.4
    zone_share: float = 0.05
    off_s: float = 2.0
    drift_s_a_day: float = 0.3
    set_every_days: float = 10.0
    ntp_s: float = 0.005
    gps_s: float = 0.0002


@dataclass(frozen=True, slots=True)
class Clocks:
    """A clock a site: how far it is ahead of the true time at any instant."""

    kind: IntArray
    constant_s: FloatArray
    drift_s_a_day: FloatArray
    set_at_days: FloatArray
    wander: FloatArray
    zone_s: FloatArray
    set_every_days: float

    def offset_s(self, site: IntArray, t_s: FloatArray) -> FloatArray:
        """How far the clocks of some sites are ahead at some instants [s from the first day], zone included. [s]"""
        days = t_s / _DAY_S
        since = np.mod(days - self.set_at_days[site], self.set_every_days)
        i = np.clip(days.astype(np.int64), 0, self.wander.shape[1] - 1)
        ahead = self.constant_s[site] + self.drift_s_a_day[site] * since + self.wander[site, i] + self.zone_s[site]
        return np.asarray(ahead, dtype=np.float64)


def drawn_clocks(n: int, n_days: int, mix: ClockMix, rng: np.random.Generator) -> Clocks:
    """A clock for each of n sites, for some days."""
    shares = [0.0, mix.ntp_share, mix.off_share, mix.drifting_share]
    shares[0] = 1 - sum(shares)
    kind = rng.permutation(np.searchsorted(np.cumsum(shares), (np.arange(n) + 0.5) / n).clip(0, 3))
    spread = np.where(kind == 1, mix.ntp_s, mix.gps_s)
    zone = np.where(rng.permutation(n) < round(mix.zone_share * n), rng.choice([-3600.0, 3600.0], n), 0.0)
    return Clocks(
        kind,
        np.where(kind == 2, rng.uniform(-mix.off_s, mix.off_s, n), 0.0),
        np.where(kind == 3, rng.uniform(-mix.drift_s_a_day, mix.drift_s_a_day, n), 0.0),
        rng.uniform(0, mix.set_every_days, n),
        rng.normal(size=(n, n_days + 1)) * spread[:, None],
        zone,
        mix.set_every_days,
    )
