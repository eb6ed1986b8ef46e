"""Families of a channel's harmonics: subgroups, groups, smoothed or not, gaps between them, angles, powers."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.measures.harmonic_indices import smoothed_groups
from halfcycle.pipeline.measures.harmonic_spectra import parts_at_crossing
from halfcycle.pipeline.measures.power import harmonic_powers
from halfcycle.pipeline.survey.blocks import Blocks

F64 = npt.NDArray[np.float64]
C64 = npt.NDArray[np.complex64]
Values = npt.NDArray[np.floating]

_WINDOW_S = 0.2  # nominal length of a block
_LONGEST_GAP_S = 0.3  # from the start of one block to that of the next: beyond, smoothing begins anew


@dataclass(slots=True)
class Smoothing:
    """The low-pass of 1.5 s of one family of a channel, carried from some blocks to the next."""

    _last: F64 | None = None
    _last_ns: int = 0

    def of(self, values: Values, starts_ns: npt.NDArray[np.int64]) -> F64:
        """Smoothed values; it begins anew after a gap. values: (n_blocks, n_orders); starts_ns: (n_blocks,)."""
        apart = np.diff(starts_ns, prepend=self._last_ns)
        anew = np.flatnonzero((apart > _LONGEST_GAP_S * 1e9) | (apart < 0))
        edges = [0, *anew[anew > 0].tolist(), starts_ns.size]
        found = np.empty(values.shape)
        for a, b in pairwise(edges):
            before = None if a in anew else self._last
            found[a:b] = smoothed_groups(values[a:b], window_s=_WINDOW_S, before=before)
            self._last = found[b - 1]
        self._last_ns = int(starts_ns[-1])
        return found


def orders_of_channel(family: str, blocks: Blocks, c: int, smoothing: Smoothing) -> Values:
    """A family of a voltage or a current.

    Parameters
    ----------
    family : of `quantities`, such as ``uh``.
    blocks : with spectra, and groups where the family needs them.
    c : its channel.
    smoothing : of this family and channel.

    Returns
    -------
    shape (n_blocks, n_orders); of angles (2, n_blocks, n_orders), the parts of complex numbers that point at them.
    """
    spectra, kind = blocks.spectra, family[1:]
    if spectra is None:
        raise ValueError(f"{family} needs spectra")
    if kind == "ha":
        return parts_at_crossing(spectra.phasors[c])
    of_kind = {
        "h": spectra.harmonics, "hs": spectra.harmonics, "ih": spectra.interharmonics, "g": spectra.groups,
        "gs": spectra.groups, "ig": spectra.gaps,
    }[kind]  # fmt: skip
    if of_kind is None:
        raise ValueError(f"{family} needs groups")
    return smoothing.of(of_kind[c], blocks.starts_ns) if kind in ("hs", "gs") else of_kind[c]


def powers_of_orders(family: str, blocks: Blocks, u: int, i: int) -> Values:
    """Active (``ph``) or reactive power (``qh``) of each order of a voltage and a current, (n_blocks, n_orders).

    Source: see `harmonic_powers`.
    """
    if blocks.spectra is None:
        raise ValueError(f"{family} needs spectra")
    p, q = harmonic_powers(blocks.spectra.phasors[u], blocks.spectra.phasors[i])
    return p if family == "ph" else q
