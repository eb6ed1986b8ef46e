"""States of the status channels, as contacts of breakers and relays give them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.readers.comtrade.ascii_rows import ascii_rows
from halfcycle.pipeline.readers.comtrade.binary_rows import binary_rows
from halfcycle.pipeline.readers.comtrade.configuration import Configuration
from halfcycle.pipeline.readers.comtrade.sources import DataPart


def states_of(data: DataPart, configuration: Configuration) -> npt.NDArray[np.bool_]:
    """Of all status channels in all rows, shape (n_channels, n_rows).

    Raises
    ------
    MalformedRecord : the data are no rows of the configuration's channels.
    ReadError : the file cannot be read.
    """
    n_analog, n = len(configuration.analog), len(configuration.digital)
    if configuration.data_kind != "ASCII":
        return binary_rows(data, (), configuration=configuration).states(n)
    rows = ascii_rows(data, range(n_analog, n_analog + n), configuration=configuration)
    states: npt.NDArray[np.bool_] = rows.values(first_row=0, n_rows=rows.n_rows) != 0
    return states
