"""Drafts of tables of sites, each line with its evidence, for a person to check."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from halfcycle.pipeline.capture import Header
from halfcycle.pipeline.sites.account import Account, same_words
from halfcycle.pipeline.sites.identify import SURE, ChannelDraft


@dataclass(frozen=True, slots=True)
class Recorder:
    """A recorder as its files show it.

    Attributes
    ----------
    account : of its site.
    header : of one of its captures.
    paths : of its files.
    hookup : inferred from the channels, of its first point.
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
        "# Draft of the sites, from their recordings. Check each line, above all the inferred ones, then",
        "# pass the file to screen, measure, inspect or export with --sites; a fleet takes the same tables.",
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
        lines.append(f"# nominal_voltage_v = ...      # {'several' if values else 'unknown'}: V of the judged voltages")
    if account.nominal_frequency_hz is not None:
        lines.append(f"nominal_frequency_hz = {account.nominal_frequency_hz:g}      # {account.frequency_kind}")
    if recorder.hookup is not None:
        how = "declared" if account.hookup else "inferred from the channels"
        lines.append(f"hookup = {_text(recorder.hookup)}      # {how}")
    if header.station:
        lines.append(f"stations = [{_text(header.station)}]")
    else:
        folder = recorder.paths[0].parent.name
        endings = sorted({path.suffix for path in recorder.paths})
        patterns = [f"{folder}/*{ending}" if folder else f"*{ending}" for ending in endings]
        lines.append(f"files = [{', '.join(_text(one) for one in patterns)}]      # the files name no station")
    lines += [
        "voltage_ratio = 1.0      # multiplies the values in the files; 1 for primary values",
        "current_ratio = 1.0",
        'time_zone = "UTC"',
    ]
    lines += [f"# wiring: {finding}" for finding in recorder.findings]
    drafted = [line for draft in recorder.drafts for line in _drafted_channel(draft)]
    return [*lines, *(drafted or _channels(header))]


def _channels(header: Header) -> list[str]:
    """The channels as they were understood, as comments: without its mark, and changed, a line says otherwise."""
    lines = ["# channels as interpreted:"]
    for channel in header.channels:
        values = {
            "quantity": channel.quantity, "phase": channel.phase, "unit": channel.unit, "point": channel.point,
        }  # fmt: skip
        lines.append(f"# channels.{_text(channel.name)} = {_inline(values)}")
    return lines


def _drafted_channel(draft: ChannelDraft) -> list[str]:
    """A channel that the files do not name; in use only where the draft is sure."""
    told = f"# confidence {100 * draft.confidence:.0f} %: {'; '.join(draft.evidence)}"
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
