"""Captures as NumPy archives: raw arrays, and a TOML description beside them that says what they are."""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from halfcycle.pipeline.capture import Capture, Header
from halfcycle.pipeline.errors import StoreError


def write_npz(capture: Capture, path: Path) -> None:
    """Write the raw samples as one array a channel, and the description ``<name>.toml`` beside them.

    Parameters
    ----------
    capture : to be written.
    path : of the archive; an existing one, and its description, are replaced.

    Raises
    ------
    StoreError : a file cannot be written.
    """
    from halfcycle.pipeline.waveform_table import column_names

    names = column_names(capture.header.channels)
    try:
        with zipfile.ZipFile(path, "w") as archive:
            for name, row in zip(names, capture.samples, strict=True):
                content = io.BytesIO()
                np.lib.format.write_array(content, np.ascontiguousarray(row), allow_pickle=False)  # type: ignore[no-untyped-call,unused-ignore]
                # A fixed date, so that the same capture gives the same bytes.
                archive.writestr(zipfile.ZipInfo(f"{name}.npy", (1980, 1, 1, 0, 0, 0)), content.getvalue())
    except OSError as error:
        raise StoreError(f"{path.name} cannot be written ({error.strerror or error})") from error
    write_description(capture.header, names=names, path=path)


def write_description(header: Header, *, names: Sequence[str], path: Path) -> None:
    """Write the description beside a file of raw arrays.

    Parameters
    ----------
    header : of the capture.
    names : the array of each channel.
    path : of the data file; the description's name has ``.toml`` behind it.

    Raises
    ------
    StoreError : the description cannot be written.
    """
    statements: dict[str, object] = {
        "rate_hz": float(header.rate_hz),
        "start": np.datetime64(header.start_ns, "ns"),
        "nominal_frequency_hz": header.nominal_frequency_hz,
        "trigger": None if header.trigger_ns is None else np.datetime64(header.trigger_ns, "ns"),
    }
    lines = [f"station = {_toml(header.station)}"] if header.station else []
    lines += [f"{key} = {_toml(value)}" for key, value in statements.items() if value is not None]
    for name, channel in zip(names, header.channels, strict=True):
        lines += ["", f"[channels.{_toml(name)}]"]
        fields = {key: getattr(channel, key) for key in channel.__dataclass_fields__ if key != "name"}
        lines += [f"{key} = {_toml(value)}" for key, value in fields.items() if value is not None]
    beside = path.with_name(path.name + ".toml")
    try:
        beside.write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")
    except OSError as error:
        raise StoreError(f"{beside.name} cannot be written ({error.strerror or error})") from error


def _toml(value: object) -> str:
    if isinstance(value, np.datetime64):
        text = str(value)
        return f"{text[:-3]}Z" if text.endswith("000") else f'"{text}Z"'  # TOML's own times may end at microseconds
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007F")
    return repr(value)
