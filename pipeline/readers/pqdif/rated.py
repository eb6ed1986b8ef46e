"""What the nominal value that a file states for a voltage stands for: the waveform is the judge.

Files state the nominal value of an instantaneous voltage as its RMS or as its peak, and of a phase voltage sometimes
that of the system, line to line. Common practice, no source: tagSeriesNominalQuantity of IEEE 1159.3 is seen as either.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import Channel, Header, SampleArray
from halfcycle.pipeline.readers.contract import Repair
from halfcycle.pipeline.readers.pqdif.channels import samples_series
from halfcycle.pipeline.readers.pqdif.logical import ChannelDefinition
from halfcycle.pipeline.terms import LINE_TO_LINE_PHASES

Meaning = Literal["rms", "peak"]

_TOLERANCE: Final = 0.08  # of a level; sqrt(2) and sqrt(3) are 22 % apart
_WINDOW_S: Final = 0.1  # whole cycles of 50 Hz and of 60 Hz
_LEAST_S: Final = 0.02
_LOOKED_AT: Final = 1 << 18  # samples


def meaning_of(stated: float, level_v: float, *, line_to_line: bool) -> Meaning | None:
    """Whether a stated nominal value is an RMS value or a peak; None where it fits neither.

    Parameters
    ----------
    stated : the value. [V]
    level_v : RMS voltage of the waveform. [V]
    line_to_line : whether the waveform is between phases; one that is not may state the system's voltage.
    """
    if not (stated > 0 and level_v > 0):
        return None
    systems = (1.0,) if line_to_line else (1.0, math.sqrt(3))
    expected: list[tuple[Meaning, float]] = [("rms", s) for s in systems] + [
        ("peak", s * math.sqrt(2)) for s in systems
    ]
    meaning, factor = min(expected, key=lambda pair: abs(math.log(stated / level_v / pair[1])))
    return meaning if abs(stated / level_v / factor - 1) <= _TOLERANCE else None


def level_of(u: npt.NDArray[np.float64], *, rate_hz: float) -> float:
    """The voltage of a waveform: the highest RMS over a tenth of a second, or that of a shorter one as a whole. [V]

    Parameters
    ----------
    u : shape (n_samples,), NaN where missing. [V]
    rate_hz : sampling rate. [Hz]

    Returns
    -------
    float; 0 where there is less than a cycle, or samples are missing everywhere.
    """
    if len(u) < _LEAST_S * rate_hz or len(u) < 4:
        return 0.0
    n = round(min(_WINDOW_S * rate_hz, len(u)))
    squares = np.square(u[: len(u) // n * n]).reshape(-1, n).mean(axis=1)
    squares = squares[np.isfinite(squares)]
    return math.sqrt(float(squares.max())) if len(squares) else 0.0


class RatedValues:
    """The rated values of a data source's voltages, each decided by the first capture that holds it and kept."""

    def __init__(self) -> None:
        self._decided: dict[int, tuple[float | None, str]] = {}

    def stated_in(
        self,
        header: Header,
        definitions: Sequence[tuple[int, ChannelDefinition]],
        first_samples: Callable[[int], SampleArray],
    ) -> Header:
        """A header with the rated values of its voltages, and notes on those that are not what they seem.

        The nominal values of currents are left out: no waveform tells whether they are true.

        Parameters
        ----------
        header : of a capture, without them.
        definitions : index and definition of each of its channels.
        first_samples : gives so many of its first samples; called where a channel is not decided yet.
        """
        stated = {
            i: nominal
            for i, (_, definition) in enumerate(definitions)
            if header.channels[i].quantity == "voltage" and (nominal := _nominal(definition)) is not None
        }
        if not stated:
            return header
        fresh = {i: nominal for i, nominal in stated.items() if definitions[i][0] not in self._decided}
        if fresh:
            self._decide(header, first_samples(min(header.n_samples, _LOOKED_AT)), fresh, definitions)
        found = {i: self._decided[definitions[i][0]] for i in stated}
        channels = tuple(
            replace(channel, rated=found[i][0]) if i in found else channel for i, channel in enumerate(header.channels)
        )
        names: dict[str, list[str]] = {}
        for i, (_, note) in found.items():
            if note:
                names.setdefault(note, []).append(header.channels[i].name or f"channel {i + 1}")
        notes = tuple(type(note)(f"{note}: {', '.join(those)}") for note, those in names.items())
        return replace(header, channels=channels, notes=(*header.notes, *notes))

    def _decide(
        self,
        header: Header,
        samples: SampleArray,
        stated: dict[int, float],
        definitions: Sequence[tuple[int, ChannelDefinition]],
    ) -> None:
        meanings: dict[int, Meaning | None] = {}
        for i, nominal in stated.items():
            level_v = level_of(_physical(samples[i], header.channels[i]), rate_hz=header.rate_hz)
            line_to_line = header.channels[i].phase in LINE_TO_LINE_PHASES
            meanings[i] = meaning_of(nominal, level_v, line_to_line=line_to_line)
        for i, nominal in stated.items():
            meaning = meanings[i]
            if meaning == "peak" and "rms" in meanings.values():
                meaning = None  # a deep sag looks like that
            if meaning is None:  # no fault of the file's: the whole capture may lie in a sag or an interruption
                decided: tuple[float | None, str] = (
                    None,
                    f"the nominal value of {nominal:g} V is neither the RMS nor the peak of the waveform, and is "
                    "ignored",
                )
            elif meaning == "peak":
                rms_v = nominal / math.sqrt(2)
                decided = (
                    rms_v,
                    Repair(
                        f"the nominal value of {nominal:g} V is the peak of the waveform; the rated value is "
                        f"{rms_v:.6g} V RMS"
                    ),
                )
            else:
                decided = nominal, ""
            self._decided[definitions[i][0]] = decided


def _nominal(definition: ChannelDefinition) -> float | None:
    i_samples = samples_series(definition)
    nominal = None if i_samples is None else definition.series[i_samples].nominal
    return nominal if nominal is not None and nominal > 0 else None


def _physical(samples: SampleArray, channel: Channel) -> npt.NDArray[np.float64]:
    """Samples of a channel in its unit, shape (n_samples,). [unit of the channel]"""
    with np.errstate(invalid="ignore"):
        values: npt.NDArray[np.float64] = samples.astype(np.float64)
    return values * channel.scale + channel.offset
