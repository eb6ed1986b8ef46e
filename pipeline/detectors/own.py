"""Our own detectors beyond those of RMS variations: what each takes of the measures."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict, Field, field_validator

from halfcycle.pipeline.detectors.contract import Detector, Need
from halfcycle.pipeline.detectors.dc_offset import DcOffsetSettings, find_dc_offset
from halfcycle.pipeline.detectors.finding import Finding
from halfcycle.pipeline.detectors.flattening import FlatToppingSettings, find_flat_topping
from halfcycle.pipeline.detectors.frequency_deviation import FrequencyDeviationSettings, find_frequency_deviations
from halfcycle.pipeline.detectors.harmonics import HarmonicSettings, find_harmonics, limits_of
from halfcycle.pipeline.detectors.inrush import InrushSettings, VoltageBeside, find_inrush
from halfcycle.pipeline.detectors.interharmonics import InterharmonicSettings, find_interharmonics
from halfcycle.pipeline.detectors.limits import LimitRule, find_limit_excursions
from halfcycle.pipeline.detectors.measured import PointMeasures
from halfcycle.pipeline.detectors.noise import NoiseSettings, find_noise
from halfcycle.pipeline.detectors.notching import NotchingSettings, find_notching
from halfcycle.pipeline.detectors.rapid_voltage_change import RapidVoltageChangeSettings, find_rapid_voltage_changes
from halfcycle.pipeline.detectors.site_thresholds import within_site
from halfcycle.pipeline.detectors.transients import FEWEST_CYCLES, TransientSettings, find_transients
from halfcycle.pipeline.detectors.unbalance import UnbalanceSettings, find_unbalance
from halfcycle.pipeline.detectors.variables import LIMIT_VARIABLES, known_variables, series_of, windows_of_cycles
from halfcycle.pipeline.detectors.voltage_fluctuation import VoltageFluctuationSettings, find_voltage_fluctuations
from halfcycle.pipeline.detectors.voltage_step import VoltageStepSettings, find_voltage_steps
from halfcycle.pipeline.measures.spectra import Spectra


class CurrentTransientSettings(TransientSettings):
    """What counts as a transient of a current.

    threshold_pu : least peak, of the peak of the current that usually flows; common practice, no source.
    """

    threshold_pu: float = Field(default=0.5, gt=0)


_LONGEST_SUSPECT_S = 10.0  # what differs from cycle to cycle for longer on end is the state of the voltage: no source
_SERIES: frozenset[Need] = frozenset({"series"})
_SHAPE: frozenset[Need] = frozenset({"series", "waveshape"})
_CURRENTS: frozenset[Need] = frozenset({"series", "currents"})


class LimitSettings(BaseModel):
    """The rules of ``[[limits]]``."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    rules: tuple[LimitRule, ...] = ()

    @field_validator("rules")
    @classmethod
    def _known(cls, rules: tuple[LimitRule, ...]) -> tuple[LimitRule, ...]:
        for rule in rules:
            if rule.variable not in LIMIT_VARIABLES:
                raise ValueError(f"limit {rule.name!r}: variable {rule.variable!r}; known are {known_variables()}")
        return rules

    @property
    def needs(self) -> frozenset[Need]:
        """What the variables of the rules need."""
        return _SERIES.union(*(LIMIT_VARIABLES[rule.variable].needs for rule in self.rules))


def _rapid_voltage_changes(measured: PointMeasures, settings: RapidVoltageChangeSettings) -> list[Finding]:
    return _changes(find_rapid_voltage_changes, measured, settings)


def _voltage_steps(measured: PointMeasures, settings: VoltageStepSettings) -> list[Finding]:
    return _changes(find_voltage_steps, measured, settings)


def _changes(find: Callable[..., list[Finding]], measured: PointMeasures, settings: BaseModel) -> list[Finding]:
    """Changes of the half-cycle series where no sag or swell is."""
    series = measured.half_cycles
    return find(
        series.u_half,
        series.starts,
        reference_v=measured.scalar_reference_v,
        nominal_frequency_hz=measured.nominal_hz,
        settings=settings,
        flags=series.flags,
        variations=measured.variations,
    )


def _fluctuations(measured: PointMeasures, settings: VoltageFluctuationSettings) -> list[Finding]:
    series = measured.half_cycles
    return find_voltage_fluctuations(
        series.u_half,
        series.starts,
        reference_v=measured.scalar_reference_v,
        rate_hz=measured.rate_hz,
        nominal_frequency_hz=measured.nominal_hz,
        settings=within_site(settings, sag_pu=measured.sag_pu, swell_pu=measured.swell_pu),
        flags=series.flags,
    )


def _unbalance(measured: PointMeasures, settings: UnbalanceSettings) -> list[Finding]:
    windows = windows_of_cycles(measured)
    if windows is None:
        return []
    return find_unbalance(
        windows.values, windows.starts, rate_hz=measured.rate_hz, settings=settings, flags=windows.flags
    )


def _frequency(measured: PointMeasures, settings: FrequencyDeviationSettings) -> list[Finding]:
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


def _inrush(measured: PointMeasures, settings: InrushSettings) -> list[Finding]:
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


def _transients(measured: PointMeasures, settings: TransientSettings) -> list[Finding]:
    peak = np.sqrt(2.0) * measured.nominal_v
    return _searched(measured, measured.suspects, measured.waveform, peak, settings)


def _current_transients(measured: PointMeasures, settings: CurrentTransientSettings) -> list[Finding]:
    """Transients of the currents, against the peak of the current that usually flows."""
    currents, waveform = measured.currents, measured.current_waveform
    if currents is None or waveform is None or not currents.n:
        return []
    usual = float(np.median(currents.u_half, axis=1).max())
    if not usual > 0:
        return []
    plain = TransientSettings.model_validate(settings.model_dump())
    found = _searched(measured, measured.current_suspects, waveform, np.sqrt(2.0) * usual, plain)
    return [
        replace(one, of_current=True, reference_v=usual, notes=f"of the current {one.notes}".strip()) for one in found
    ]


def _searched(
    measured: PointMeasures,
    suspects: tuple[tuple[int, int], ...],
    waveform: Callable[[int, int], npt.NDArray[np.float64]],
    peak: float,
    settings: TransientSettings,
) -> list[Finding]:
    found: list[Finding] = []
    for first, stop in suspects:
        if stop - first > _LONGEST_SUSPECT_S * measured.rate_hz:
            continue
        u = waveform(first, stop)
        if not np.isfinite(u).all() or stop - first < FEWEST_CYCLES * measured.rate_hz / measured.nominal_hz:
            continue
        local = find_transients(
            u, rate_hz=measured.rate_hz, frequency_hz=measured.nominal_hz, nominal_peak=peak, settings=settings
        )
        found += [finding.moved(first) for finding in local]
    return found


@dataclass(frozen=True, slots=True)
class _OfSpectra:
    """A detector of spectra as one of all measures; an object and no closure, so that it can be pickled."""

    find: Callable[..., list[Finding]]

    def __call__(self, measured: PointMeasures, settings: Any) -> list[Finding]:
        shape = measured.waveshape
        if shape is None:
            return []
        return self.find(shape.spectra, nominal=measured.nominal_v, settings=settings, flags=shape.flags)


def _harmonics(spectra: Spectra, *, settings: HarmonicSettings, **further: Any) -> list[Finding]:
    return find_harmonics(spectra, settings=settings, limits=limits_of(settings), **further)


def _notching(measured: PointMeasures, settings: NotchingSettings) -> list[Finding]:
    shape = measured.waveshape
    return [] if shape is None else find_notching(shape.notches, settings=settings, flags=shape.flags)


def _limits(measured: PointMeasures, settings: LimitSettings) -> list[Finding]:
    return [finding for rule in settings.rules for finding in _excursions(measured, rule)]


def _excursions(measured: PointMeasures, rule: LimitRule) -> list[Finding]:
    found: list[Finding] = []
    of_current = "currents" in LIMIT_VARIABLES[rule.variable].needs
    for one in series_of(measured, rule.variable):
        if rule.phase in ("", one.phase) and rule.channel in ("", one.name):
            excursions = find_limit_excursions(
                one.times,
                one.values,
                rule,
                rate_hz=measured.rate_hz,
                nominal=one.nominal,
                unit=one.unit,
                channel=one.channel,
            )
            found += [replace(excursion, of_current=of_current) for excursion in excursions]
    return found


OWN = (
    Detector("transient", TransientSettings, _transients, frozenset({"waveform"})),
    Detector("rapid_voltage_change", RapidVoltageChangeSettings, _rapid_voltage_changes, _SERIES),
    Detector("voltage_step", VoltageStepSettings, _voltage_steps, _SERIES),
    Detector("flicker", VoltageFluctuationSettings, _fluctuations, _SERIES),
    Detector("unbalance", UnbalanceSettings, _unbalance, _SERIES),
    Detector("frequency_deviation", FrequencyDeviationSettings, _frequency, _SERIES),
    Detector("harmonics", HarmonicSettings, _OfSpectra(_harmonics), _SHAPE),
    Detector("interharmonics", InterharmonicSettings, _OfSpectra(find_interharmonics), _SHAPE),
    Detector("flat_topping", FlatToppingSettings, _OfSpectra(find_flat_topping), _SHAPE),
    Detector("dc_offset", DcOffsetSettings, _OfSpectra(find_dc_offset), _SHAPE),
    Detector("noise", NoiseSettings, _OfSpectra(find_noise), _SHAPE),
    Detector("notching", NotchingSettings, _notching, _SHAPE),
    Detector("inrush", InrushSettings, _inrush, _CURRENTS),
    Detector(
        "current_transient",
        CurrentTransientSettings,
        _current_transients,
        _CURRENTS | {"current_waveform"},
        on_request=True,
    ),
    Detector("limit", LimitSettings, _limits, _SERIES, on_request=True),
)
