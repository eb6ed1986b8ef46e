"""Captures handed on in another format, each checked by reading back what was written."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import Capture, Channel
from halfcycle.pipeline.errors import ConfigError, StoreError
from halfcycle.pipeline.readers import read_captures
from halfcycle.pipeline.writers.comtrade import DataKind, Revision, write_comtrade
from halfcycle.pipeline.writers.delimited import write_delimited
from halfcycle.pipeline.writers.matlab import write_mat
from halfcycle.pipeline.writers.numpy_archive import write_npz
from halfcycle.pipeline.writers.parquet import write_waveform_parquet

F64 = npt.NDArray[np.float64]
Write = Callable[[Sequence[Capture], Path], object]

_COUNTS: Final = {"BINARY": 32_000, "ASCII": 90_000, "BINARY32": 2_000_000_000}
_ROUNDED: Final = 0.51  # of a count: rounding is off by half of one at most
_EXACT: Final = 1e-6  # of the largest value: seven digits, which float32 and text keep
_OWN_KIND: Final[dict[str, tuple[DataKind, Revision]]] = {
    "int16": ("BINARY", 1999),
    "int32": ("BINARY32", 2013),
    "float32": ("FLOAT32", 2013),
}


@dataclass(frozen=True, slots=True)
class Exported:
    """A file that was written.

    Attributes
    ----------
    path : of the file that describes it.
    n_captures : in it.
    largest_error : over all channels, of the samples read back against those written, as a share of the channel's
        largest value; 0 where they are the same to the last digit of float64. [pu]
    left_out : names of channels whose unit the format does not have.
    """

    path: Path
    n_captures: int
    largest_error: float
    left_out: tuple[str, ...] = ()


def export(
    captures: Iterable[Capture],
    out: Path | str,
    *,
    data: DataKind | None = None,
    revision: Revision | None = None,
    separator: str = ",",
    decimal: str = ".",
) -> list[Exported]:
    """Write captures in the format that a file's ending names.

    Parameters
    ----------
    captures : in order.
    out : ends in .pqd (all captures in one file), .cfg, .cff, .parquet, .csv, .npz or .mat (one capture a file: several
        are numbered, ``night-001.cfg``).
    data, revision : of COMTRADE; None: those that hold the samples as they are. Other data is rounded to steps of
        1/32000 (BINARY) or 1/90000 (ASCII) of the channel's largest value, or finer.
    separator, decimal : of delimited text.

    Returns
    -------
    What was written, with the largest error found by reading it back.

    Raises
    ------
    ConfigError : an unknown ending, or options that do not fit it.
    StoreError : a format that cannot hold a capture, samples that come back different by more than its resolution,
        or a file that cannot be written.

    Examples
    --------
    >>> wave = hc.Waveform(hookup="four-wire", nominal_voltage_v=230.0, rate_hz=6400.0, duration_s=0.5)
    >>> written = hc.export([hc.synthesise(wave, start_ns=0).capture], "week.pqd")
    >>> written[0].path.name, written[0].largest_error
    ('week.pqd', 0.0)
    """
    out = Path(out)
    write, together = _writer(out, data, revision, separator, decimal)
    every = list(captures)
    if not every:
        raise ConfigError("there is no capture to export")
    left_out: tuple[str, ...] = ()
    if together:
        every, left_out = _for_pqdif(every)
    resolution = _ROUNDED / _COUNTS[data] + _EXACT if data in _COUNTS else _EXACT
    groups = [every] if together else [[capture] for capture in every]
    width = max(3, len(str(len(groups))))
    paths = [out] if len(groups) == 1 else [out.with_stem(f"{out.stem}-{i + 1:0{width}d}") for i in range(len(groups))]
    out.parent.mkdir(parents=True, exist_ok=True)
    return [
        replace(_written(group, path, write, resolution), left_out=left_out)
        for group, path in zip(groups, paths, strict=True)
    ]


def _for_pqdif(captures: Sequence[Capture]) -> tuple[list[Capture], tuple[str, ...]]:
    """Captures as PQDIF can hold them, in order of start; and the names of channels that it cannot hold.

    Missing samples are marked in real numbers only: whole numbers with some become float32.
    """
    from halfcycle.pipeline.writers.pqdif import holds

    fitting: list[Capture] = []
    left_out: dict[str, None] = {}
    for capture in sorted(captures, key=lambda one: one.header.start_ns):
        channels = capture.header.channels
        kept = [i for i, channel in enumerate(channels) if holds(channel)]
        left_out.update(dict.fromkeys(channel.name for channel in channels if not holds(channel)))
        if not kept:
            continue
        header = replace(capture.header, channels=tuple(channels[i] for i in kept))
        fitted = Capture(header, capture.samples[kept] if len(kept) < len(channels) else capture.samples)
        fitting.append(_as_real(fitted) if _has_codes(fitted) else fitted)
    if not fitting:
        raise StoreError(f"PQDIF has no unit for any channel: {', '.join(left_out)}")
    return fitting, tuple(left_out)


def _has_codes(capture: Capture) -> bool:
    """Whether samples are marked as missing by a whole number."""
    codes = [channel.missing_code for channel in capture.header.channels]
    return capture.samples.dtype.kind == "i" and any(
        code is not None and bool((row == code).any()) for row, code in zip(capture.samples, codes, strict=True)
    )


def _as_real(capture: Capture) -> Capture:
    """The capture in float32, missing samples as NaN."""
    channels = tuple(
        replace(channel, scale=1.0, offset=0.0, missing_code=None, rail_low=None, rail_high=None)
        for channel in capture.header.channels
    )
    values = np.stack([capture.physical(i).astype(np.float32) for i in range(len(channels))])
    return Capture(replace(capture.header, channels=channels, sample_type="float32"), values)


def _writer(
    out: Path, data: DataKind | None, revision: Revision | None, separator: str, decimal: str
) -> tuple[Write, bool]:
    """How files of an ending are written, and whether one holds all captures."""
    ending = out.suffix.lower()
    if ending not in (".cfg", ".cff") and (data is not None or revision is not None):
        raise ConfigError(
            f"data and revision apply to COMTRADE (.cfg, .cff) only; the extension is {ending or 'missing'}"
        )
    if ending != ".csv" and (separator, decimal) != (",", "."):
        raise ConfigError(
            f"separator and decimal mark apply to text (.csv) only; the extension is {ending or 'missing'}"
        )
    if ending == ".pqd":
        from halfcycle.pipeline.writers.pqdif import write_pqdif

        return write_pqdif, True
    single: dict[str, Callable[[Capture, Path], object]] = {
        ".cfg": partial(_comtrade, data=data, revision=revision),
        ".cff": partial(_comtrade, data=data, revision=revision or 2013),
        ".parquet": write_waveform_parquet,
        ".csv": partial(write_delimited, separator=separator, decimal=decimal),
        ".npz": write_npz,
        ".mat": write_mat,
    }
    if ending not in single:
        raise ConfigError(f"{out.name}: allowed extensions are .pqd, {', '.join(single)}")
    write_one = single[ending]
    return lambda captures, path: write_one(captures[0], path), False


def _comtrade(capture: Capture, path: Path, *, data: DataKind | None, revision: Revision | None) -> None:
    kind, least = _OWN_KIND[capture.header.sample_type]
    wanted = kind if data is None else data
    if data is not None and data != "FLOAT32" and _needs_rounding(capture, data):
        capture = quantised(capture, _COUNTS[data])
    if revision is None:
        revision = 2013 if wanted in ("BINARY32", "FLOAT32") else least if data is None else 1999
    write_comtrade(capture, path, data=wanted, revision=revision)


def _needs_rounding(capture: Capture, data: DataKind) -> bool:
    if capture.header.sample_type == "float32":
        return True
    return capture.header.sample_type == "int32" and data != "BINARY32"


def quantised(capture: Capture, counts: int) -> Capture:
    """A capture whose largest value of each channel is so many counts; missing samples get a code of their own.

    Parameters
    ----------
    capture : of any sample type.
    counts : up to 32767 give int16 samples, more give int32.
    """
    kind: type[np.int16 | np.int32] = np.int16 if counts <= np.iinfo(np.int16).max else np.int32
    code = int(np.iinfo(kind).min)
    rows, channels = [], []
    for i, channel in enumerate(capture.header.channels):
        values = np.asarray(capture.physical(i), np.float64)
        largest = float(np.nanmax(np.abs(values), initial=0.0))
        scale = largest / counts or 1.0
        missing = ~np.isfinite(values)
        rows.append(np.where(missing, code, np.rint(np.where(missing, 0.0, values) / scale)).astype(kind))
        channels.append(_rescaled(channel, scale, code))
    header = replace(capture.header, channels=tuple(channels), sample_type=np.dtype(kind).name)
    return Capture(header, np.stack(rows) if rows else np.zeros((0, capture.header.n_samples), kind))


def _rescaled(channel: Channel, scale: float, code: int) -> Channel:
    return replace(channel, scale=scale, offset=0.0, missing_code=code, rail_low=None, rail_high=None)


def _written(captures: Sequence[Capture], path: Path, write: Write, resolution: float) -> Exported:
    """Write beside the place, read back, and put the files there: the one that describes the others last."""
    with tempfile.TemporaryDirectory(prefix=".aside-", dir=path.parent) as folder:
        aside = Path(folder) / path.name
        write(captures, aside)
        error = _largest_error(captures, list(read_captures(aside)))
        if error > resolution:
            raise StoreError(
                f"{path.name}: samples read back differ by {error:.2g} of the largest value, beyond the resolution "
                f"of the format, {resolution:.2g}; nothing was written"
            )
        files = sorted(Path(folder).iterdir(), key=lambda file: file.name == path.name)
        try:
            for file in files:
                os.replace(file, path.parent / file.name)
        except OSError as problem:
            raise StoreError(f"{path}: cannot be written ({problem.strerror or problem})") from problem
    return Exported(path, len(captures), error)


def _largest_error(captures: Sequence[Capture], again: Sequence[Capture]) -> float:
    """Largest difference of samples, as a share of each channel's largest value.

    Raises
    ------
    StoreError : what was read back has other channels or another number of samples.
    """
    if len(captures) == 1:  # a reader may give it in parts, and name its channels by the format's rules
        return _error_of(captures, again)
    written, found = _by_channels(captures), _by_channels(again)
    if written.keys() != found.keys():
        raise StoreError("channels were read back under other names than those written")
    return max(_error_of(some, found[names]) for names, some in written.items())


def _by_channels(captures: Sequence[Capture]) -> dict[tuple[str, ...], list[Capture]]:
    """Captures of the same station and channels together, in order of start."""
    groups: dict[tuple[str, ...], list[Capture]] = {}
    for capture in sorted(captures, key=lambda one: one.header.start_ns):
        names = (capture.header.station, *(channel.name for channel in capture.header.channels))
        groups.setdefault(names, []).append(capture)
    return groups


def _error_of(captures: Sequence[Capture], again: Sequence[Capture]) -> float:
    """Of captures with the same channels, joined in order."""
    lengths = [sum(one.header.n_samples for one in some) for some in (captures, again)]
    if lengths[0] != lengths[1] or not again:
        raise StoreError(f"{lengths[0]} samples were written and {lengths[1]} read back")
    worst = 0.0
    for i in range(captures[0].samples.shape[0]):
        first, second = (_joined(some, i) for some in (captures, again))
        largest = float(np.nanmax(np.abs(first), initial=0.0))
        if (np.isnan(first) != np.isnan(second)).any():
            raise StoreError(f"{captures[0].header.channels[i].name}: missing samples were not read back as such")
        apart = float(np.nanmax(np.abs(first - second), initial=0.0))
        worst = max(worst, apart / largest if largest else apart)
    return worst


def _joined(captures: Sequence[Capture], i: int) -> F64:
    if any(i >= capture.samples.shape[0] for capture in captures):
        raise StoreError(f"channel {i + 1} was not read back")
    return np.concatenate([np.asarray(capture.physical(i), np.float64) for capture in captures])
