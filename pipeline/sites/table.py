"""Tables of sites: what a person declares, matched to captures; and drafts of such tables, with their evidence."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

from pipeline.capture import Header
from pipeline.config import Site, Thresholds, load_thresholds
from pipeline.records.archive import site_of
from pipeline.sites.account import Account, Declared, same_words
from pipeline.sites.description import described
from pipeline.sites.identify import SURE, ChannelDraft


@dataclass(frozen=True, slots=True)
class SiteTable:
    """Declared sites, and which captures are theirs.

    Attributes
    ----------
    sites : a capture belongs to the first one that lists its station, has it for a name, or has a pattern in `files`
        that the end of the file's path matches.
    """

    sites: tuple[Site, ...] = ()

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

    def declared(self, name: str, otherwise: Declared) -> Declared:
        """What is declared of a site by its name; what its table leaves out is as declared for all."""
        site = next((one for one in self.sites if one.name == name), None)
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
        site = next((one for one in self.sites if one.name == name), None)
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
    """A header whose channels are as the site's table says, with its transformer ratios in their scales.

    Raises
    ------
    ConfigError : the table contradicts a channel.
    """
    return _in_primary_units(described(header, site.channels), site)


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


@dataclass(frozen=True, slots=True)
class Recorder:
    """A recorder as its files show it.

    Attributes
    ----------
    account : of its site.
    header : of one of its captures.
    paths : of its files.
    hookup : told from the channels, of its first point.
    findings : about its wiring, in words.
    drafts : of its channels, where the files do not say what they are.
    """

    account: Account
    header: Header
    paths: tuple[Path, ...]
    hookup: str | None = None
    findings: tuple[str, ...] = ()
    drafts: tuple[ChannelDraft, ...] = ()


def drafted_tables(recorders: Sequence[Recorder]) -> str:
    """A TOML text with a ``[[sites]]`` table for each recorder, each line with its evidence as a comment."""
    head = [
        "# Sites as their recordings show them: a draft. Check each line, above all those that are inferred, and",
        "# give the file to screen, measure, inspect or export with --sites; a fleet takes the same tables.",
    ]
    names: dict[str, int] = {}
    return "\n".join([*head, *("\n".join(_table(one, _free(one, names))) for one in recorders)]) + "\n"


def _free(recorder: Recorder, names: dict[str, int]) -> str:
    """A name for a recorder's site that does as a folder's name and is not taken yet."""
    wanted = recorder.account.site if recorder.header.station else recorder.paths[0].parent.name
    plain = "".join("-" if sign in '/\\:*?"<>|=' or not sign.isprintable() else sign for sign in wanted).strip(" .")
    name = plain or "site"
    names[name] = names.get(name, 0) + 1
    return name if names[name] == 1 else f"{name} {names[name]}"


def _table(recorder: Recorder, name: str) -> list[str]:
    account, header = recorder.account, recorder.header
    lines = ["", f"# records: {account.n_records}; files: {len(recorder.paths)}", "[[sites]]", f"name = {_text(name)}"]
    for point in account.points:
        lines.append(f"# {point.name + ': ' if point.name else ''}{point.told}")
    for first, names in account.feeders.items():
        lines.append(f"# one measuring point: {', '.join(names)}: {same_words(first)}")
    values = {point.nominal_v for point in account.points if point.nominal_v is not None}
    if len(values) == 1:
        lines.append(f"nominal_voltage_v = {float(f'{values.pop():.7g}')!r}")
    else:
        lines.append(
            f"# nominal_voltage_v = ...      # {'several' if values else 'not told'}: V of the judged voltages"
        )
    if account.nominal_frequency_hz is not None:
        lines.append(f"nominal_frequency_hz = {account.nominal_frequency_hz:g}      # {account.frequency_kind}")
    if recorder.hookup is not None:
        how = "declared" if account.hookup else "told from the channels"
        lines.append(f"hookup = {_text(recorder.hookup)}      # {how}")
    if header.station:
        lines.append(f"stations = [{_text(header.station)}]")
    else:
        folder = recorder.paths[0].parent.name
        endings = sorted({path.suffix for path in recorder.paths})
        patterns = [f"{folder}/*{ending}" if folder else f"*{ending}" for ending in endings]
        lines.append(f"files = [{', '.join(_text(one) for one in patterns)}]      # they name no station")
    lines += [
        "voltage_ratio = 1.0      # times what the files hold; 1 where they hold primary values",
        "current_ratio = 1.0",
        'time_zone = "UTC"',
    ]
    lines += [f"# wiring: {finding}" for finding in recorder.findings]
    drafted = [line for draft in recorder.drafts for line in _drafted_channel(draft)]
    return [*lines, *(drafted or _channels(header))]


def _channels(header: Header) -> list[str]:
    """The channels as they were understood, as comments: without its mark, and changed, a line says otherwise."""
    lines = ["# channels as they are understood:"]
    for channel in header.channels:
        values = {
            "quantity": channel.quantity, "phase": channel.phase, "unit": channel.unit, "point": channel.point,
        }  # fmt: skip
        lines.append(f"# channels.{_text(channel.name)} = {_inline(values)}")
    return lines


def _drafted_channel(draft: ChannelDraft) -> list[str]:
    """A channel that the files do not name; in use only where the draft is sure."""
    told = f"# {draft.confidence:.0%} sure: {'; '.join(draft.evidence)}"
    name = f"channels.{_text(draft.name)}"
    if draft.quantity == "other" or not draft.phase:
        return [told, f"# {name} = {_inline({'quantity': 'other'})}"]
    quantity = draft.quantity or "voltage"
    unit = {"voltage": "V", "current": "A"}[quantity]
    values = {"quantity": quantity, "phase": draft.phase, "unit": unit, "point": draft.point}
    if draft.quantity is None:
        return [told, f'# {name} = {_inline(values)}      # or quantity = "current", unit = "A"']
    return [told, f"{'' if draft.confidence >= SURE else '# '}{name} = {_inline(values)}"]


def _inline(values: Mapping[str, str]) -> str:
    return "{ " + ", ".join(f"{key} = {_text(value)}" for key, value in values.items() if value) + " }"


def _text(value: str) -> str:
    """A text as TOML has it, in quotes."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
