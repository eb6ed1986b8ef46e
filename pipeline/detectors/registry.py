"""The known detectors beyond those of RMS variations, by name.

A detector is a pure function from `Measured` to `Finding`s and a frozen settings model. Another distribution adds one
through the entry-point group ``halfcycle.detectors``, naming a `Detector`.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.metadata import entry_points
from typing import Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, ValidationError

from pipeline.detectors.finding import Finding
from pipeline.detectors.frequency_deviation import FrequencyDeviationSettings, find_frequency_deviations
from pipeline.detectors.inrush import InrushSettings, VoltageBeside, find_inrush
from pipeline.detectors.limits import LimitRule, find_limit_excursions
from pipeline.detectors.measured import Measured
from pipeline.detectors.rapid_voltage_change import RapidVoltageChangeSettings, find_rapid_voltage_changes
from pipeline.detectors.transients import FEWEST_CYCLES, TransientSettings, find_transients
from pipeline.detectors.unbalance import UnbalanceSettings, find_unbalance
from pipeline.detectors.voltage_fluctuation import VoltageFluctuationSettings, find_voltage_fluctuations
from pipeline.errors import ConfigError
from pipeline.measures.reference import window_cycles

Needs = Literal["series", "currents", "waveform"]


@dataclass(frozen=True, slots=True)
class Detector:
    """One detector.

    Attributes
    ----------
    name : in settings and commands.
    settings : the model that its settings are checked by; all have defaults.
    find : from the measures and the settings to findings, in order of start.
    needs : ``series`` of the whole record, the ``currents`` too, or only the ``waveform`` where it is suspect.
    """

    name: str
    settings: type[BaseModel]
    find: Callable[[Measured, Any], list[Finding]]
    needs: Needs


@dataclass(frozen=True, slots=True)
class Chosen:
    """A detector with its settings."""

    detector: Detector
    settings: BaseModel

    @property
    def needs(self) -> Needs:
        """What it needs with these settings: rules on voltages alone need no current."""
        rules = getattr(self.settings, "rules", None)
        if rules is not None and all(rule.variable != "ih05" for rule in rules):
            return "series"
        return self.detector.needs


class LimitSettings(BaseModel):
    """The rules of ``[[limits]]``."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    rules: tuple[LimitRule, ...] = ()


def _rapid_voltage_changes(measured: Measured, settings: RapidVoltageChangeSettings) -> list[Finding]:
    series = measured.half_cycles
    return find_rapid_voltage_changes(
        series.u_half,
        series.starts,
        reference_v=measured.scalar_reference_v,
        nominal_frequency_hz=measured.nominal_hz,
        settings=settings,
        flags=series.flags,
        variations=measured.variations,
    )


def _fluctuations(measured: Measured, settings: VoltageFluctuationSettings) -> list[Finding]:
    series = measured.half_cycles
    return find_voltage_fluctuations(
        series.u_half,
        series.starts,
        reference_v=measured.scalar_reference_v,
        rate_hz=measured.rate_hz,
        nominal_frequency_hz=measured.nominal_hz,
        settings=settings,
        flags=series.flags,
    )


def _unbalance(measured: Measured, settings: UnbalanceSettings) -> list[Finding]:
    """From phasors of the three phases, or from the magnitudes of line-to-line voltages."""
    series = measured.half_cycles
    if series.fundamental is None or len(measured.phases) != 3:
        return []
    size = 2 * window_cycles(measured.nominal_hz)
    n = series.n // size
    if not n:
        return []
    windows = series.fundamental[:, : n * size].reshape(3, n, size)
    values = np.abs(windows).mean(axis=2) if measured.line_to_line else windows.mean(axis=2)
    flags = np.bitwise_or.reduce(series.flags[:, : n * size].reshape(3, n, size), axis=2)
    starts = series.starts[0, : n * size : size]
    return find_unbalance(values, starts, rate_hz=measured.rate_hz, settings=settings, flags=flags)


def _frequency(measured: Measured, settings: FrequencyDeviationSettings) -> list[Finding]:
    series = measured.half_cycles
    if not series.n:
        return []
    return find_frequency_deviations(
        series.frequency_hz,
        series.tracked,
        series.starts[0],
        rate_hz=measured.rate_hz,
        nominal_frequency_hz=measured.nominal_hz,
        settings=settings,
    )


def _inrush(measured: Measured, settings: InrushSettings) -> list[Finding]:
    currents = measured.currents
    if currents is None or not currents.n:
        return []
    return find_inrush(
        currents.u_half,
        currents.starts,
        rate_hz=measured.rate_hz,
        nominal_frequency_hz=measured.nominal_hz,
        settings=settings,
        flags=currents.flags,
        voltage=VoltageBeside(measured.half_cycles.u_half, measured.scalar_reference_v, measured.half_cycles.flags),
    )


def _transients(measured: Measured, settings: TransientSettings) -> list[Finding]:
    found: list[Finding] = []
    for first, stop in measured.suspects:
        u = measured.waveform(first, stop)
        if not np.isfinite(u).all() or stop - first < FEWEST_CYCLES * measured.rate_hz / measured.nominal_hz:
            continue
        local = find_transients(
            u,
            rate_hz=measured.rate_hz,
            frequency_hz=measured.nominal_hz,
            nominal_peak=np.sqrt(2.0) * measured.nominal_v,
            settings=settings,
        )
        found += [finding.moved(first) for finding in local]
    return found


def _limits(measured: Measured, settings: LimitSettings) -> list[Finding]:
    return [finding for rule in settings.rules for finding in _excursions(measured, rule)]


def _excursions(measured: Measured, rule: LimitRule) -> list[Finding]:
    found: list[Finding] = []
    for channel, phase, times, values, nominal, unit in variable_of(measured, rule.variable):
        if rule.phase in ("", phase) and rule.channel in ("", phase):
            found += find_limit_excursions(
                times, values, rule, rate_hz=measured.rate_hz, nominal=nominal, unit=unit, channel=channel
            )
    return found


LIMIT_VARIABLES = {
    "uh05": "voltage, RMS over one cycle each half cycle [V]",
    "ih05": "current, RMS over one cycle each half cycle [A]",
    "f": "frequency of the fundamental [Hz]",
}


def variable_of(measured: Measured, name: str) -> list[tuple[int, str, Any, Any, float | None, str]]:
    """Series of a variable: channel, phase, times [samples], values (NaN where not measured), nominal value, unit.

    Parameters
    ----------
    measured : of one point.
    name : a key of `LIMIT_VARIABLES`.
    """
    series = measured.half_cycles
    if name == "f":
        values = np.where(series.tracked, series.frequency_hz, np.nan)
        return [(0, "", series.starts[0], values, measured.nominal_hz, "Hz")] if series.n else []
    source, phases, nominal, unit = (
        (series, measured.phases, measured.nominal_v, "V")
        if name == "uh05"
        else (measured.currents, measured.current_phases, None, "A")
    )
    if source is None:
        return []
    return [
        (c, phase, source.starts[c], np.where(source.flags[c] == 0, source.u_half[c], np.nan), nominal, unit)
        for c, phase in enumerate(phases)
    ]


_OWN = (
    Detector("transient", TransientSettings, _transients, "waveform"),
    Detector("rapid_voltage_change", RapidVoltageChangeSettings, _rapid_voltage_changes, "series"),
    Detector("flicker", VoltageFluctuationSettings, _fluctuations, "series"),
    Detector("unbalance", UnbalanceSettings, _unbalance, "series"),
    Detector("frequency_deviation", FrequencyDeviationSettings, _frequency, "series"),
    Detector("inrush", InrushSettings, _inrush, "currents"),
    Detector("limit", LimitSettings, _limits, "currents"),
)


@cache
def detectors() -> dict[str, Detector]:
    """The known detectors by name."""
    return {d.name: d for d in (*_OWN, *(entry.load() for entry in entry_points(group="halfcycle.detectors")))}


def choose(wanted: Mapping[str, Mapping[str, Any]]) -> tuple[Chosen, ...]:
    """Detectors with their settings.

    Parameters
    ----------
    wanted : settings by name of detector; an empty table takes the defaults.

    Raises
    ------
    ConfigError : an unknown detector, with the nearest known; or a setting that is unknown or out of range.
    """
    chosen = []
    for name, table in wanted.items():
        known = detectors()
        if name not in known:
            (near,) = difflib.get_close_matches(name, known, n=1, cutoff=0.0)
            raise ConfigError(f"detector {name!r} is not known; the nearest is {near!r}, all are {', '.join(known)}")
        try:
            settings = known[name].settings.model_validate(dict(table))
        except ValidationError as error:
            words = "; ".join(f"{'.'.join(map(str, item['loc']))}: {item['msg']}" for item in error.errors())
            raise ConfigError(f"detectors.{name}: {words}") from error
        for rule in getattr(settings, "rules", ()):
            if rule.variable not in LIMIT_VARIABLES:
                raise ConfigError(
                    f"limit {rule.name!r}: variable {rule.variable!r}; known are {', '.join(LIMIT_VARIABLES)}"
                )
        chosen.append(Chosen(known[name], settings))
    return tuple(chosen)
