"""The spectrum of a transient: of what the waveform differs by from the cycle before, over the transient's own time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.locales import number, scaled
from halfcycle.pipeline.measures.residue import cycle_residue
from halfcycle.pipeline.report.drawing import (
    INK,
    LIMIT,
    MUTED,
    Axes,
    document,
    line_of,
    phase_colour,
    phase_dash,
    text_of,
)
from halfcycle.pipeline.report.slice import Slice

F64 = npt.NDArray[np.float64]

KINDS: Final = frozenset({"impulsive_transient", "oscillatory_transient", "notching"})
_LEAST_CYCLES: Final = 1.0  # of the window: it resolves the power frequency itself
_LOWEST_ORDER: Final = 3.0  # below it the change of the fundamental itself prevails
_WIDTH, _HEIGHT = 900.0, 170.0


@dataclass(frozen=True, slots=True)
class Spectrum:
    """Amplitudes of a transient by frequency.

    Attributes
    ----------
    frequencies_hz : shape (n,). Above the third harmonic, below which the fundamental's own change prevails. [Hz]
    amplitudes : shape (n_voltages, n). Peak of a sine that would give the same bin. [unit of the channel]
    window_s : that was looked at, from the event's start. [s]
    """

    frequencies_hz: F64
    amplitudes: F64
    window_s: float


def spectrum_of(event: Event, cut: Slice, *, nominal: float) -> Spectrum | None:
    """The spectrum of a transient's voltages; None for events of other kinds, or where a sample of it is missing.

    Parameters
    ----------
    event : says what and when.
    cut : at least a cycle of it before the event.
    nominal : frequency. [Hz]
    """
    if event.kind not in KINDS or not cut.voltages:
        return None
    cycle = cut.rate_hz / (event.frequency_hz or nominal)
    first = max(round(-cut.start), 0)
    stop = min(first + round(max(cut.stop_event, _LEAST_CYCLES * cycle)), cut.n)
    rows = np.stack([cut.physical(i) for i in cut.voltages])[:, :stop]
    if first < cycle or stop - first < 16 or not np.isfinite(rows[:, max(first - round(cycle) - 1, 0) :]).all():
        return None
    try:
        residue = cycle_residue(np.nan_to_num(rows), cycle=cycle)[:, first:stop]
    except SignalError:
        return None
    taper = np.hanning(residue.shape[1])
    amplitudes: F64 = 2 * np.abs(np.fft.rfft(residue * taper)) / taper.sum()
    hertz: F64 = np.fft.rfftfreq(residue.shape[1], 1 / cut.rate_hz).astype(np.float64)
    kept = hertz > _LOWEST_ORDER * nominal
    if not kept.any():
        return None
    return Spectrum(hertz[kept], amplitudes[:, kept], (stop - first) / cut.rate_hz)


def spectrum_words(event: Event, found: Spectrum) -> str:
    """What the spectrum shows, in a sentence. event: whose row may name a frequency."""
    channel, at = np.unravel_index(int(found.amplitudes.argmax()), found.amplitudes.shape)
    size = scaled(float(found.amplitudes[channel, at]), "V", digits=3)
    text = (
        "Spectrum of the difference between the voltage and its preceding cycle, over "
        f"{number(found.window_s * 1e3, '.3g')} ms "
        f"and above the third harmonic: the largest part, {size}, lies at {number(found.frequencies_hz[at], '.4g')} Hz."
    )
    if event.oscillation_hz is not None:
        text += f" The ringing was measured at {number(event.oscillation_hz, '.4g')} Hz (dashed)."
    return text


def spectrum_svg(event: Event, cut: Slice, found: Spectrum, *, width: float = _WIDTH) -> str:
    """A drawing of a spectrum.

    Parameters
    ----------
    event : whose ringing is marked, where it was measured.
    cut : gives the phases.
    found : the spectrum.
    width : of the drawing. [px]
    """
    largest = float(found.amplitudes.max(initial=0.0))
    per, unit = (1000.0, "kV") if largest >= 2000 else (1.0, "V")
    highest = largest / per * 1.1 or 1.0
    axes = Axes(
        74 if width > 600 else 50, 26, width - (186 if width > 600 else 112), _HEIGHT, 0,
        float(found.frequencies_hz[-1]) / 1000, 0, highest, columns=220,
    )  # fmt: skip
    axes.frame(y_name=f"amplitude [{unit}]", x_name="frequency [kHz]")
    labels: list[str] = []
    for row, i in zip(found.amplitudes, cut.voltages, strict=True):
        phase = cut.channels[i].phase
        axes.curve(found.frequencies_hz / 1000, row / per, phase_colour(phase), width=1.6, dash=phase_dash(phase))
        y = axes.top + 14 + 17 * len(labels)
        x = axes.left + axes.width + 8
        axes.parts.append(line_of(x, y - 4, x + 16, y - 4, phase_colour(phase), width=2, dash=phase_dash(phase)))
        axes.parts.append(text_of(x + 20, y, "U" + (phase or cut.channels[i].name)[:6], size=11, weight="bold",
                                  colour=phase_colour(phase)))  # fmt: skip
        labels.append(phase)
    if event.oscillation_hz is not None and event.oscillation_hz / 1000 <= axes.x1:
        x = axes.x(event.oscillation_hz / 1000)
        axes.parts.append(line_of(x, axes.top, x, axes.top + axes.height, LIMIT, width=1.5, dash="5 4"))
        near_end = x > axes.left + 0.7 * axes.width
        words = f"{number(event.oscillation_hz, '.4g')} Hz"
        axes.parts.append(text_of(x + (-5 if near_end else 5), axes.top + 13, words, size=11, colour=INK,
                                  anchor="end" if near_end else "start"))  # fmt: skip
    if not labels:
        axes.parts.append(text_of(axes.left + 8, axes.top + 16, "no voltage", size=11, colour=MUTED))
    return document(axes.parts, width=width, height=axes.top + axes.height + 44, label=spectrum_words(event, found))
