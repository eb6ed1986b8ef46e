"""What a detector gives: findings of one measuring point, in sample positions and channel numbers."""

from __future__ import annotations

from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class ChannelPart:
    """One channel's part in a finding: when [samples], and its most extreme value [unit of the finding]."""

    channel: int
    start: float
    stop: float
    extreme: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One event as a detector sees it; what does not apply to its kind is None.

    Attributes
    ----------
    kind : one of `terms.EVENT_KINDS`, or a detector of another distribution's own.
    category : the IEEE 1159 category in words; "" where classification by duration is left to the catalogue.
    start, stop : [samples from the record's start], fractional; where `open_stop`, the end of what was seen.
    magnitude, magnitude_unit : what the kind is measured by: residual voltage, peak, share … and its unit.
    parts : each channel that takes part, in order of channel.
    open_start, open_stop : under way at the first or last sample seen.
    flags : sum of the marks of `measures.quality` in it.
    refined_start : a start finer than the measure's window. [samples]
    reference_v : what 1 pu stands for. [V]; of currents [A]
    polarity : of an impulse or of an oscillation's first peak: +1 where it adds to the voltage there, -1 where not.
    rise_s, width_s : 10-90 % rise and width at 50 % of an impulse. [s]
    oscillation_hz, decay_s : dominating frequency of an oscillation and time constant of its decay. [Hz], [s]
    n_modes : oscillating modes found.
    energy_pu2s : integral of the squared residue. [pu² s]
    repeats : cycles on which it came again at the same point on wave.
    unseen : what the sampling rate could not have seen, in words.
    of_current : the channels are currents.
    before, after : steady values before and after a change. [unit of the finding]
    notes : anything else, in words.

    Examples
    --------
    >>> wave = np.sin(np.pi * np.arange(6400) / 64) + 0.5 * (np.arange(6400) == 3000)
    >>> (one,) = hc.find_transients(wave, rate_hz=6400, frequency_hz=50, nominal_peak=1)
    >>> one.kind, one.polarity, abs(one.start - 3000) < 2
    ('impulsive_transient', 1, True)
    """

    kind: str
    category: str
    start: float
    stop: float
    magnitude: float
    magnitude_unit: str
    parts: tuple[ChannelPart, ...]
    open_start: bool = False
    open_stop: bool = False
    flags: int = 0
    refined_start: float | None = None
    reference_v: float | None = None
    polarity: int | None = None
    rise_s: float | None = None
    width_s: float | None = None
    oscillation_hz: float | None = None
    decay_s: float | None = None
    n_modes: int | None = None
    energy_pu2s: float | None = None
    repeats: int | None = None
    unseen: str | None = None
    of_current: bool = False
    before: float | None = None
    after: float | None = None
    notes: str = ""

    @property
    def is_of_current(self) -> bool:
        """Whether the channels are currents, said or told from what is measured."""
        return self.of_current or self.magnitude_unit == "A" or self.kind == "inrush"

    def moved(self, by: float) -> Finding:
        """The finding as seen from another origin. by: samples."""
        parts = tuple(replace(part, start=part.start + by, stop=part.stop + by) for part in self.parts)
        refined = None if self.refined_start is None else self.refined_start + by
        return replace(self, start=self.start + by, stop=self.stop + by, parts=parts, refined_start=refined)
