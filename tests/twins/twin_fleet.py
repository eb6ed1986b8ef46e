"""A small fleet of recorders on radial lines, its catalogue rows and the truth, event by event in plain loops.

A source feeds a row of substations, each over a stretch of line; behind each hangs a row of sites. A fault at a site
leaves V_k = (Z_fault + Z from where the ways to k and the fault part) / (Z_source + Z to the fault + Z_fault) at site k
(Kirchhoff's laws, one source). Starts and lengths are read off one-cycle windows every half cycle, one by one, as
IEC 61000-4-30 defines them. Clocks: most follow a time service, some are off for good, some walk from day to day.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

CYCLE_S = 1 / 50


@dataclass
class TwinSite:
    name: str
    station: int
    place: int  # 0: the substation itself, 1, 2, ... along its line
    reach: float  # impedance of its own from the substation on
    clock_s: float = 0.0
    walk_s: list[float] = field(default_factory=list)


@dataclass
class TwinFleet:
    rows: list[dict[str, object]]
    fault_of_row: list[int]
    offset_of_row: list[float]
    station_of_fault: list[int]
    site_of_fault: list[str]
    sites: list[TwinSite]


def windows_below(length_s: float, low: float, phase_s: float, limit: float) -> tuple[float, float] | None:
    """Start of the first window below the limit and of the first one back, after the fall. None: none is below."""
    first = None
    start = -1.5 * CYCLE_S + phase_s
    while True:
        inside = max(0.0, min(start + CYCLE_S, length_s) - max(start, 0.0)) / CYCLE_S
        rms = math.sqrt(max(1 - inside * (1 - low * low), 0.0))
        if first is None and rms < limit:
            first = start
        elif first is not None and rms >= limit + 0.02:
            return first, start
        if start > length_s + CYCLE_S:
            return None
        start += CYCLE_S / 2


def made_sites(rnd: np.random.Generator, n_stations: int, n_behind: int, n_days: int) -> list[TwinSite]:
    sites = []
    for station in range(n_stations):
        reach = 0.0
        for place in range(n_behind + 1):
            site = TwinSite(f"S{station:02d}P{place}", station, place, reach)
            reach += rnd.uniform(0.1, 0.3)
            draw = rnd.random()
            if draw < 0.15:
                site.clock_s = (-1 if rnd.random() < 0.5 else 1) * rnd.uniform(0.05, 2.0)
            elif draw < 0.2:
                site.clock_s = 3600.0
            wander = 0.004 if draw > 0.6 else 0.0005
            site.walk_s = [rnd.normal(0, wander) for _ in range(n_days)]
            sites.append(site)
    return sites


def residual(seen: TwinSite, fault: TwinSite, along: list[float], source: float, at_fault: float) -> float:
    """Voltage left at one site while there is a fault at another."""
    to_fault = along[fault.station] + fault.reach
    if seen.station == fault.station:
        shared = along[fault.station] + min(seen.reach, fault.reach)
    else:
        shared = along[min(seen.station, fault.station)]
    return (to_fault - shared + at_fault) / (source + to_fault + at_fault)


def twin_fleet(seed: int, *, n_stations: int = 8, n_behind: int = 5, n_days: int = 20, n_faults: int = 300,
               lost: float = 0.0) -> TwinFleet:  # fmt: skip
    rnd = np.random.default_rng(seed)
    sites = made_sites(rnd, n_stations, n_behind, n_days)
    along, total = [], 0.0
    for _ in range(n_stations):
        total += rnd.uniform(0.05, 0.2)
        along.append(total)
    fleet = TwinFleet([], [], [], [], [], sites)
    for number in range(n_faults):
        moment = rnd.uniform(0, n_days) * 86400
        if number % 3 == 0:  # a bad hour: many faults on one day
            moment = 86400 * (n_days // 2) + rnd.uniform(0, 4 * 3600)
        fault = sites[int(rnd.integers(len(sites)))]
        length = rnd.gamma(3, 0.05) + 0.04
        at_fault = rnd.exponential(0.1)
        phase = "ABC"[int(rnd.integers(3))]
        fleet.station_of_fault.append(fault.station)
        fleet.site_of_fault.append(fault.name)
        for site in sites:
            v = residual(site, fault, along, 0.4, at_fault) + rnd.normal(0, 0.003)
            found = windows_below(length, min(max(v, 0.0), 1.0), rnd.uniform(0, CYCLE_S / 2), 0.9)
            if found is None or rnd.random() < lost:
                continue
            ahead = site.clock_s + site.walk_s[int(moment // 86400)]
            behind = fault.station == site.station and site.reach > fault.reach
            facing = (site.place == 0 and site.station <= fault.station) or (
                site.station == fault.station and site.reach <= fault.reach
            )
            sure = rnd.uniform(0.6, 0.95)
            says = (facing and not behind) == (rnd.random() < sure)
            begin, end = found
            start_ns = 1_770_000_000 * 10**9 + round((moment + ahead + begin) * 1e9)
            refined = start_ns - round(begin * 1e9) + round(rnd.normal(0, 0.0005) * 1e9) if rnd.random() < 0.8 else None
            fleet.rows.append({
                "event_id": f"{int(rnd.integers(2**62)):016x}", "site": site.name, "kind": "sag",
                "start": start_ns, "duration_s": end - begin, "observed_s": end - begin, "magnitude": max(v, 0.0),
                "phases": phase, "line_to_line": False, "reference_v": 1.0, "refined_start": refined,
                "direction": "downstream" if says else "upstream", "direction_confidence": sure, "capture": "",
            })  # fmt: skip
            fleet.fault_of_row.append(number)
            fleet.offset_of_row.append(ahead)
    return fleet
