"""Tables of sites: what a person declares, matched to captures."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

from halfcycle.pipeline.capture import Header
from halfcycle.pipeline.config import load_sites, load_thresholds
from halfcycle.pipeline.records.archive import site_of
from halfcycle.pipeline.settings import Site, Thresholds
from halfcycle.pipeline.sites.account import Declared
from halfcycle.pipeline.sites.description import described
from halfcycle.pipeline.store.partitions import day_of


@dataclass(frozen=True, slots=True)
class SiteTable:
    """Declared sites, and which captures are theirs.

    Attributes
    ----------
    sites : a capture belongs to the first one that lists its station, has it for a name, or has a pattern in `files`
        that the end of the file's path matches.
    """

    sites: tuple[Site, ...] = ()

    @classmethod
    def at(cls, path: Path | None) -> SiteTable:
        """The table of a file, or one without sites.

        Raises
        ------
        ConfigError : as `config.load_sites`.
        """
        return cls() if path is None else cls(load_sites(path))

    def site(self, header: Header, path: Path) -> Site | None:
        """The declared site of a capture, or None."""
        for site in self.sites:
            if header.station and header.station in (site.name, *site.stations):
                return site
            if any(path.match(pattern) for pattern in site.files):
                return site
        return None

    def name_of(self, header: Header, path: Path) -> str:
        """The name of a capture's site: as declared, else its station, else the file's own name."""
        site = self.site(header, path)
        return site_of(header, path) if site is None else site.name

    def named(self, name: str) -> Site | None:
        """The declared site of a name, or None."""
        return next((one for one in self.sites if one.name == name), None)

    def declared(self, name: str, otherwise: Declared) -> Declared:
        """What is declared of a site by its name; what its table leaves out is as declared for all."""
        site = self.named(name)
        if site is None:
            return otherwise
        hertz = site.nominal_frequency_hz
        return Declared(
            otherwise.nominal_voltage_v if site.nominal_voltage_v is None else site.nominal_voltage_v,
            otherwise.nominal_frequency_hz if hertz is None else float(hertz),
            site.hookup or otherwise.hookup,
            site.clamps_checked or otherwise.clamps_checked,
        )

    def thresholds_of(self, name: str) -> Thresholds | None:
        """The threshold profile that a site's table names, or None."""
        site = self.named(name)
        if site is None or "thresholds" not in site.model_fields_set:
            return None
        return _profile(site.thresholds)

    def described(self, header: Header, path: Path) -> Header:
        """A capture's header in primary units, its channels as the site's table says."""
        site = self.site(header, path)
        return header if site is None else of_site(header, site)


@cache
def _profile(name: str) -> Thresholds:
    """A threshold profile; asked for with each record, so read once."""
    return load_thresholds(name)


def of_site(header: Header, site: Site) -> Header:
    """A header whose channels are as the site's table says for its day, with the transformer ratios in their scales.

    Raises
    ------
    ConfigError : the table contradicts a channel.
    """
    then = site.on(day_of(header.start_ns))
    return _in_primary_units(described(header, then.channels), then)


def _in_primary_units(header: Header, site: Site) -> Header:
    ratios = {"voltage": site.voltage_ratio, "current": site.current_ratio, "other": 1.0}
    if site.voltage_ratio == 1.0 and site.current_ratio == 1.0:
        return header
    channels = tuple(
        replace(
            channel, scale=channel.scale * ratios[channel.quantity], offset=channel.offset * ratios[channel.quantity]
        )
        for channel in header.channels
    )
    return replace(header, channels=channels)
