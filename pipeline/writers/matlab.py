"""Captures as MATLAB files (version 5): raw arrays, and a TOML description beside them that says what they are."""

from __future__ import annotations

import re
from io import BytesIO
from pathlib import Path
from typing import Final

from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.errors import StoreError
from halfcycle.pipeline.writers.numpy_archive import write_description

# The header's free text; the library puts the time of writing there, and equal captures shall give equal bytes.
_HEADER_TEXT: Final = b"MATLAB 5.0 MAT-file".ljust(116)
_LONGEST_NAME: Final = 31  # characters, in every MATLAB version since 5


def write_mat(capture: Capture, path: Path) -> None:
    """Write the raw samples as one column vector a channel, and the description ``<name>.toml`` beside them.

    Channels whose names MATLAB would refuse are renamed: letters, digits and underscores stay.

    Parameters
    ----------
    capture : to be written.
    path : of the file; an existing one, and its description, are replaced.

    Raises
    ------
    StoreError : a file cannot be written.
    """
    import scipy.io

    from halfcycle.pipeline.waveform_table import column_names

    names: list[str] = []
    for i, name in enumerate(column_names(capture.header.channels)):
        word = re.sub(r"[^A-Za-z0-9_]", "_", name)
        word = (word if word[:1].isalpha() else f"x{word}")[:_LONGEST_NAME]
        ending = f"_{i + 1}"
        names.append(word if word not in names else word[: _LONGEST_NAME - len(ending)] + ending)
    content = BytesIO()
    variables = dict(zip(names, capture.samples, strict=True))
    scipy.io.savemat(content, variables, oned_as="column")  # type: ignore[arg-type]  # takes streams
    content.getbuffer()[: len(_HEADER_TEXT)] = _HEADER_TEXT
    try:
        path.write_bytes(content.getbuffer())
    except OSError as error:
        raise StoreError(f"{path.name} cannot be written ({error.strerror or error})") from error
    write_description(capture.header, names=names, path=path)
