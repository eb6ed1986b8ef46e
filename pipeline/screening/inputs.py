"""Which files were judged together: a row depends on them, and on no other file of the screening."""

from __future__ import annotations

from collections.abc import Hashable, Iterable
from dataclasses import dataclass
from pathlib import Path

from halfcycle.pipeline.sites.account import Account


@dataclass(frozen=True, slots=True)
class Owned:
    """The files of one record, and what makes others belong to them: site, recorder (see `recorder_key`), account."""

    paths: tuple[Path, ...]
    site: str
    recorder: Hashable
    account: Account


@dataclass(frozen=True, slots=True)
class _Site:
    name: str


@dataclass(frozen=True, slots=True)
class _Recorder:
    key: Hashable


@dataclass(frozen=True, slots=True)
class RecorderFiles:
    """Files of one recorder, or of several whose sites have one name.

    Attributes
    ----------
    sites : names that their rows carry, in order.
    files : in order.
    """

    sites: tuple[str, ...]
    files: tuple[Path, ...]


def recorders_in(owned: Iterable[Owned], logs: Iterable[tuple[Path, str]]) -> tuple[RecorderFiles, ...]:
    """The files of a screening, grouped so that no row of one group depends on a file of another.

    Parameters
    ----------
    owned : of each record.
    logs : file and site of each log of RMS.

    Returns
    -------
    In order of their sites. Files are together whose records share a recorder, a site's name or a file.
    """
    groups: dict[Hashable, set[Hashable]] = {}

    def join(*keys: Hashable) -> None:
        joined = [groups.setdefault(key, {key}) for key in keys]
        whole = max(joined, key=len)  # the others move, so that no key moves often
        for group in joined:
            if group is not whole:
                whole |= group
                groups.update(dict.fromkeys(group, whole))

    for one in owned:
        join(_Recorder(one.recorder), _Site(one.site), _Site(one.account.site), *one.paths)
    for path, site in logs:
        join(_Site(site), path)
    found = []
    for group in {id(group): group for group in groups.values()}.values():
        sites = sorted(key.name for key in group if isinstance(key, _Site))
        found.append(RecorderFiles(tuple(sites), tuple(sorted(key for key in group if isinstance(key, Path)))))
    return tuple(sorted(found, key=lambda one: one.sites))
