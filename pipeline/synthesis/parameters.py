"""What a synthetic waveform is made of: frozen parameters, checked where they are made.

Per-phase tuples follow the judged phases of the hookup (`terms.HOOKUPS`); those of currents follow its line
conductors, of which there are as many. An empty tuple leaves every phase at its ordinary value.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, ClassVar, Final, TypeVar

from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.terms import HOOKUPS, LINE_PHASES

# Sums such as start + duration are rounded in the last place: edges this close are the same edge. [s]
EDGE_TOLERANCE_S: Final = 1e-12

Parameters = TypeVar("Parameters")

# Read by pydantic: unknown keys of a table are refused, and numbers that are none.
CHECKED: Final[dict[str, Any]] = {"extra": "forbid", "allow_inf_nan": False}


def _require(allowed: bool, message: str, /) -> None:
    if not allowed:
        raise ConfigError(message)


@dataclass(frozen=True, slots=True, kw_only=True)
class Harmonic:
    """A harmonic of the fundamental: magnitude * sin(order * phase angle + angle), so that it rotates by its order.

    Attributes
    ----------
    order : 2 or more.
    magnitude_pu : relative to the fundamental of the phase. It follows the envelope of the fundamental.
    angle_deg : at the rising zero crossing of the fundamental of the same phase. [degrees]
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = CHECKED

    order: int
    magnitude_pu: float
    angle_deg: float = 0.0

    def __post_init__(self) -> None:
        _require(self.order >= 2, f"order is {self.order}; a harmonic has order 2 or more")
        _require(self.magnitude_pu >= 0, f"magnitude_pu is {self.magnitude_pu}; it must not be negative")


@dataclass(frozen=True, slots=True, kw_only=True)
class Interharmonic:
    """A tone of fixed frequency that rotates from phase to phase as the fundamental does.

    Attributes
    ----------
    frequency_hz : above zero. [Hz]
    magnitude_pu : relative to the fundamental of the phase. It follows the envelope of the fundamental.
    angle_deg : of phase A at the start of the capture. [degrees]
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = CHECKED

    frequency_hz: float
    magnitude_pu: float
    angle_deg: float = 0.0

    def __post_init__(self) -> None:
        _require(self.frequency_hz > 0, f"frequency_hz is {self.frequency_hz}; it must be above zero")
        _require(self.magnitude_pu >= 0, f"magnitude_pu is {self.magnitude_pu}; it must not be negative")


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """A stretch of time in which voltages, and currents with them, leave their steady state.

    Stages that touch are the stages of one event. Edges are steps unless `ramp_s` or `recovery_s` says otherwise.

    Attributes
    ----------
    start_s : from the start of the capture; may lie before it. [s]
    duration_s : above zero. [s]
    residual_pu : fundamental voltage of each phase, relative to the nominal voltage (not to the steady magnitude).
    phase_jump_deg : shift of each phase's voltage against its steady angle, leading positive. [degrees]
    current_pu : current of each line conductor, relative to the load's steady current.
    current_jump_deg : shift of each conductor's current against its steady angle, leading positive. [degrees]
    ramp_s : magnitudes and angles travel from where they were to the stage's values in a straight line this long. [s]
    recovery_s : time constant with which they return towards the steady state from there on; None: they hold. [s]

    Examples
    --------
    >>> hc.Stage(start_s=0.5, duration_s=0.1, residual_pu=(0.4, 1.0, 1.0)).end_s
    0.6
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = CHECKED

    start_s: float
    duration_s: float
    residual_pu: tuple[float, ...]
    phase_jump_deg: tuple[float, ...] = ()
    current_pu: tuple[float, ...] = ()
    current_jump_deg: tuple[float, ...] = ()
    ramp_s: float = 0.0
    recovery_s: float | None = None

    def __post_init__(self) -> None:
        _require(self.duration_s > 0, f"duration_s is {self.duration_s}; it must be above zero")
        _require(min((*self.residual_pu, *self.current_pu), default=0.0) >= 0,
                 f"residual_pu {self.residual_pu} and current_pu {self.current_pu} must not be negative")  # fmt: skip
        _require(0 <= self.ramp_s < self.duration_s,
                 f"ramp_s is {self.ramp_s}; it must lie from 0 to below duration_s, {self.duration_s}")  # fmt: skip
        _require(self.recovery_s is None or self.recovery_s > 0,
                 f"recovery_s is {self.recovery_s}; a time constant must be above zero")  # fmt: skip

    @property
    def end_s(self) -> float:
        """End of the stage, from the start of the capture. [s]"""
        return self.start_s + self.duration_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Transient:
    """A superimposed decaying oscillation: magnitude * exp(-t / decay) * sin(2 pi frequency t + angle).

    Attributes
    ----------
    start_s : from the start of the capture. [s]
    magnitudes_pu : of each phase at the start, relative to the peak of the nominal voltage; the sign is the
        direction of the first swing.
    frequency_hz : above zero. [Hz]
    decay_s : time constant, above zero. [s]
    angle_deg : 0 starts without a step, 90 with a full one. [degrees]
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = CHECKED

    start_s: float
    magnitudes_pu: tuple[float, ...]
    frequency_hz: float
    decay_s: float
    angle_deg: float = 0.0

    def __post_init__(self) -> None:
        _require(self.frequency_hz > 0, f"frequency_hz is {self.frequency_hz}; it must be above zero")
        _require(self.decay_s > 0, f"decay_s is {self.decay_s}; it must be above zero")


@dataclass(frozen=True, slots=True, kw_only=True)
class Impulse:
    """A superimposed double exponential: peak * n * (exp(-t / decay) - exp(-t / rise)), n such that it peaks at peak.

    Attributes
    ----------
    start_s : from the start of the capture. [s]
    peaks_pu : of each phase, relative to the peak of the nominal voltage, with its sign.
    rise_s : time constant of the front, above zero. [s]
    decay_s : time constant of the tail, above `rise_s`. [s]
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = CHECKED

    start_s: float
    peaks_pu: tuple[float, ...]
    rise_s: float
    decay_s: float

    def __post_init__(self) -> None:
        _require(0 < self.rise_s < self.decay_s,
                 f"rise_s is {self.rise_s}; it must lie between 0 and decay_s, {self.decay_s}")  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """The steady current.

    Attributes
    ----------
    current_a : RMS of the fundamental in each line conductor. [A]
    displacement_deg : angle by which it lags the conductor's voltage against neutral. Empty: in phase. [degrees]
    harmonics : of the current, relative to its fundamental.

    Examples
    --------
    >>> hc.Load(current_a=(60.0, 61.0, 59.0), displacement_deg=(25.0, 25.0, 25.0)).harmonics
    ()
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = CHECKED

    current_a: tuple[float, ...]
    displacement_deg: tuple[float, ...] = ()
    harmonics: tuple[Harmonic, ...] = ()

    def __post_init__(self) -> None:
        _require(min(self.current_a, default=0.0) > 0, f"current_a is {self.current_a}; each must be above zero")


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantisation:
    """The recorder's converter. Values beyond the range stay at the rails.

    Attributes
    ----------
    bits : 8 to 16 give int16 samples, 17 to 32 give int32. The lowest code of the sample type means "no sample".
    voltage_range_pu : full scale either way, relative to the peak of the nominal voltage.
    current_range_pu : full scale either way, relative to the peak of the load's largest steady current.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = CHECKED

    bits: int = 16
    voltage_range_pu: float = 2.0
    current_range_pu: float = 10.0

    def __post_init__(self) -> None:
        _require(8 <= self.bits <= 32, f"bits is {self.bits}; allowed are 8 to 32")
        _require(min(self.voltage_range_pu, self.current_range_pu) > 0,
                 f"voltage_range_pu {self.voltage_range_pu} and current_range_pu {self.current_range_pu} "
                 "must be above zero")  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class LostSpan:
    """A stretch of time of some channels.

    Attributes
    ----------
    start_s : from the start of the capture. [s]
    duration_s : above zero. [s]
    channels : names of the channels (``UA``, ``UBC``, ``IA`` …). Empty: all.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = CHECKED

    start_s: float
    duration_s: float
    channels: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        _require(self.duration_s > 0, f"duration_s is {self.duration_s}; it must be above zero")


@dataclass(frozen=True, slots=True, kw_only=True)
class Waveform:
    """One synthetic capture: what the conductors do and how the recorder sees it.

    Attributes
    ----------
    hookup : a key of `terms.HOOKUPS`. Voltages are described as they are measured: nothing forces the
        line-to-line voltages of a three-wire hookup to add up to zero.
    nominal_voltage_v : RMS voltage that 1 pu stands for, of the judged phases: to neutral, or line to line. [V]
    rate_hz : sampling rate. [Hz]
    duration_s : length. [s]
    nominal_frequency_hz : what the file states. [Hz]
    frequency_hz : at the start of the capture; None: the nominal frequency. [Hz]
    drift_hz_per_s : steady change of the frequency. [Hz/s]
    phase_deg : angle of phase A (to neutral) at the start of the capture; 0 is a rising zero crossing. [degrees]
    magnitudes_pu : steady fundamental voltage of each phase. Empty: 1.
    angle_errors_deg : of each phase against its symmetrical place, leading positive. Empty: 0. [degrees]
    harmonics, interharmonics : of the voltages.
    stages : in order of time, not overlapping.
    transients, impulses : superimposed on the voltages.
    dc_pu : constant part of each voltage, relative to the nominal voltage.
    snr_db : white noise on each channel: RMS of its steady fundamental over RMS of the noise; None: no noise. [dB]
    load : None: no current channels.
    quantisation : None: float32 samples.
    missing : spans without samples (missing code, or NaN in float32).
    flat : spans that repeat their first sample.

    Examples
    --------
    >>> hc.Waveform(hookup="four-wire", nominal_voltage_v=230.0, rate_hz=6400.0, duration_s=2.0).n_samples
    12800
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = CHECKED

    hookup: str
    nominal_voltage_v: float
    rate_hz: float
    duration_s: float
    nominal_frequency_hz: float = 50.0
    frequency_hz: float | None = None
    drift_hz_per_s: float = 0.0
    phase_deg: float = 0.0
    magnitudes_pu: tuple[float, ...] = ()
    angle_errors_deg: tuple[float, ...] = ()
    harmonics: tuple[Harmonic, ...] = ()
    interharmonics: tuple[Interharmonic, ...] = ()
    stages: tuple[Stage, ...] = ()
    transients: tuple[Transient, ...] = ()
    impulses: tuple[Impulse, ...] = ()
    dc_pu: float = 0.0
    snr_db: float | None = None
    load: Load | None = None
    quantisation: Quantisation | None = None
    missing: tuple[LostSpan, ...] = ()
    flat: tuple[LostSpan, ...] = ()

    def __post_init__(self) -> None:
        _require(self.hookup in HOOKUPS, f"hookup is {self.hookup!r}; allowed are {', '.join(HOOKUPS)}")
        for key in ("nominal_voltage_v", "rate_hz", "duration_s", "nominal_frequency_hz"):
            _require(getattr(self, key) > 0, f"{key} is {getattr(self, key)}; it must be above zero")
        last_hz = self.initial_frequency_hz + self.drift_hz_per_s * self.duration_s
        _require(min(self.initial_frequency_hz, last_hz) > 0,
                 f"the frequency goes from {self.initial_frequency_hz} to {last_hz} Hz; "
                 "it must stay above zero")  # fmt: skip
        _require(self.n_samples > 0, f"{self.duration_s} s at {self.rate_hz} Hz hold no sample")
        _require(min(self.magnitudes_pu, default=0.0) >= 0, f"magnitudes_pu {self.magnitudes_pu} must not be negative")
        load_harmonics = () if self.load is None else self.load.harmonics
        for orders in ([one.order for one in self.harmonics], [one.order for one in load_harmonics]):
            _require(len(set(orders)) == len(orders), f"orders of harmonics are {orders}; each may stand there once")
        self._check_phases()
        for earlier, later in pairwise(self.stages):
            _require(later.start_s >= earlier.end_s - EDGE_TOLERANCE_S,
                     f"the stage at {later.start_s} s starts before the one at {earlier.start_s} s ends")  # fmt: skip
        names = self.channel_names
        for span in (*self.missing, *self.flat):
            for name in span.channels:
                _require(name in names, f"channel {name!r} of a span is unknown; there are {', '.join(names)}")

    def _check_phases(self) -> None:
        n = len(self.phases)
        optional = [("magnitudes_pu", self.magnitudes_pu), ("angle_errors_deg", self.angle_errors_deg)]
        needed = [("magnitudes_pu of a transient", transient.magnitudes_pu) for transient in self.transients]
        needed += [("peaks_pu of an impulse", impulse.peaks_pu) for impulse in self.impulses]
        for stage in self.stages:
            needed.append(("residual_pu", stage.residual_pu))
            optional += [(key, getattr(stage, key)) for key in ("phase_jump_deg", "current_pu", "current_jump_deg")]
            _require(self.load is not None or not (stage.current_pu or stage.current_jump_deg),
                     "a stage has current_pu or current_jump_deg, but there is no load")  # fmt: skip
        if self.load is not None:
            needed.append(("current_a", self.load.current_a))
            optional.append(("displacement_deg", self.load.displacement_deg))
        needed += [(key, values) for key, values in optional if values]
        for key, values in needed:
            _require(len(values) == n, f"{key} has {len(values)} values; {self.hookup} has {n} phases")

    @property
    def phases(self) -> tuple[str, ...]:
        """The judged phases, one voltage channel each."""
        return HOOKUPS[self.hookup].judged_phases

    @property
    def conductors(self) -> tuple[str, ...]:
        """The line conductors, one current channel each where there is a load."""
        return LINE_PHASES if HOOKUPS[self.hookup].line_to_line else self.phases

    @property
    def channel_names(self) -> tuple[str, ...]:
        """Names of the channels: voltages, then currents."""
        currents = () if self.load is None else self.conductors
        return (*(f"U{phase}" for phase in self.phases), *(f"I{phase}" for phase in currents))

    @property
    def n_samples(self) -> int:
        """Samples of each channel."""
        return round(self.duration_s * self.rate_hz)

    @property
    def initial_frequency_hz(self) -> float:
        """Frequency at the start of the capture. [Hz]"""
        return self.nominal_frequency_hz if self.frequency_hz is None else self.frequency_hz

    @property
    def steady_pu(self) -> tuple[float, ...]:
        """Steady fundamental voltage of each phase, relative to the nominal voltage."""
        return self.magnitudes_pu or (1.0,) * len(self.phases)


def from_table(kind: type[Parameters], table: Mapping[str, Any], *, place: str) -> Parameters:
    """A dataclass from a table of a TOML file, whose keys are the attributes of the class.

    Parameters
    ----------
    kind : `Waveform` or another class of this module, or a dataclass with attributes of such classes.
    table : as `tomllib` gives it.
    place : where the table stands, for messages.

    Returns
    -------
    An object of that class.

    Raises
    ------
    ConfigError : a key is unknown, missing or has a value that is not allowed; the message names each.
    """
    from pydantic import TypeAdapter, ValidationError

    try:
        return TypeAdapter(kind).validate_python(dict(table))
    except ValidationError as error:
        faults = (": ".join(filter(None, (".".join(map(str, one["loc"])), one["msg"]))) for one in error.errors())
        raise ConfigError(f"{place}: {'; '.join(faults)}") from error
