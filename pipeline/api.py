"""Screening and measuring a folder from Python, with results that become pandas data frames.

The command line offers the same with its files and words; both call `screening.screen` and `survey.road.measure`.
"""

from __future__ import annotations

from collections.abc import Iterable
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING

from halfcycle.pipeline.catalogue.judge import Terms
from halfcycle.pipeline.config import load_thresholds
from halfcycle.pipeline.detectors.registry import choose
from halfcycle.pipeline.quantities import chosen_quantities
from halfcycle.pipeline.screening import Screening
from halfcycle.pipeline.screening import screen as screen_files
from halfcycle.pipeline.sites.table import SiteTable
from halfcycle.pipeline.survey.compliance import load_limit_profile
from halfcycle.pipeline.survey.files import Measured
from halfcycle.pipeline.survey.measure import Survey
from halfcycle.pipeline.survey.road import measure as measure_files

if TYPE_CHECKING:
    from halfcycle.pipeline.catalogue.uncertainty import Wanted

Places = str | PathLike[str] | Iterable[str | PathLike[str]]
"""A file or folder, or several."""


def screen(
    paths: Places,
    *,
    nominal_voltage_v: float | None = None,
    nominal_frequency_hz: float | None = None,
    hookup: str | None = None,
    thresholds: str = "ieee-1159",
    detect: Iterable[str] = (),
    explain: bool = False,
    uncertainty: Wanted = "none",
    sites: str | PathLike[str] | None = None,
    strict: bool = False,
    workers: int = 1,
) -> Screening:
    """Find the events in a folder of captures, as ``halfcycle screen`` does.

    Parameters
    ----------
    paths : files, or folders that are searched through all levels; one or several.
    nominal_voltage_v, nominal_frequency_hz : declared; None: stated by the files, or inferred. [V], [Hz]
    hookup : how the recorder was connected, a name of ``halfcycle hookup``; None: inferred from the channels.
    thresholds : ``ieee-1159``, ``iec-61000-4-30``, or a TOML file.
    detect : names of additional detectors, such as ``transient``.
    explain : name cause, side and dip type of each event; reads the currents.
    uncertainty : ``standard`` adds standard uncertainties, ``none`` does not.
    sites : TOML file of ``[[sites]]``.
    strict : reject files that would have to be repaired.
    workers : processes. More than one needs the ``if __name__ == "__main__"`` guard of multiprocessing.

    Returns
    -------
    Screening. Files that cannot be read are in `set_aside` with their reasons; the rest goes on.

    Raises
    ------
    ReadError : a path does not exist.
    ConfigError : an argument is unknown or out of range.

    Examples
    --------
    >>> import halfcycle as hc
    >>> found = hc.screen("demo-fleet/store/waveforms", explain=True)
    >>> frame = found.to_pandas()
    >>> frame.loc[frame["site"] == "Sorrel Mill", ["kind", "category", "cause"]].iloc[0].to_list()
    ['sag', 'instantaneous sag', 'fault']
    """
    terms = Terms(
        load_thresholds(thresholds), nominal_voltage_v, nominal_frequency_hz, hookup,
        choose({name: {} for name in detect}), explain, uncertainty=uncertainty,
    )  # fmt: skip
    return screen_files(_listed(paths), terms=terms, workers=workers, strict=strict, sites=_table(sites))


def measure(
    paths: Places,
    *,
    interval_s: float = 600.0,
    quantities: Iterable[str] = (),
    limits: str | None = None,
    nominal_voltage_v: float | None = None,
    nominal_frequency_hz: float | None = None,
    hookup: str | None = None,
    demand_current_a: float | None = None,
    sites: str | PathLike[str] | None = None,
    strict: bool = False,
    workers: int = 1,
) -> Measured:
    """Measure the quantities of a survey in a folder of captures, as ``halfcycle measure`` does.

    Parameters
    ----------
    paths : files, or folders that are searched through all levels; one or several. Trends are judged as they are.
    interval_s : intervals of the UTC clock; Pst needs 600 s, Plt 7200 s. [s]
    quantities : symbols or families of ``halfcycle measure --list``, or ``all``; none: the usual ones.
    limits : a limit profile to judge by: its name, or a TOML file.
    nominal_voltage_v, nominal_frequency_hz, hookup, sites, strict, workers : as for `screen`.
    demand_current_a : maximum demand load current, for the total demand distortion. [A]

    Returns
    -------
    Measured. Its `assessments` hold the verdicts, by site and point.

    Raises
    ------
    ReadError : a path does not exist.
    ConfigError : an argument is unknown or out of range.

    Examples
    --------
    >>> import halfcycle as hc
    >>> found = hc.measure("demo-fleet/store/waveforms/site=Sorrel Mill", interval_s=10, quantities=["u_rms"])
    >>> frame = found.to_pandas()
    >>> [name for name in frame.columns if name.startswith("u_rms")][:3]
    ['u_rms_a', 'u_rms_a_min', 'u_rms_a_max']
    """
    survey = Survey(
        chosen_quantities(quantities), interval_s, nominal_voltage_v, nominal_frequency_hz, demand_current_a
    )
    return measure_files(
        _listed(paths), survey, profile=None if limits is None else load_limit_profile(limits), hookup=hookup,
        sites=_table(sites), workers=workers, strict=strict,
    )  # fmt: skip


def _listed(paths: Places) -> list[Path]:
    return [Path(paths)] if isinstance(paths, str | PathLike) else [Path(path) for path in paths]


def _table(sites: str | PathLike[str] | None) -> SiteTable:
    return SiteTable.at(None if sites is None else Path(sites))
