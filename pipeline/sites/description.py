"""Channels as a site's table describes them: a pure function from a capture's header to the header that is meant."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from halfcycle.pipeline.capture import Channel, Header
from halfcycle.pipeline.channel_table import ChannelRule, RuleMatch, rule_for
from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.terms import Quantity, quantity_of_unit

_UNITS = {"voltage": "V", "current": "A"}


def described(header: Header, table: Mapping[str, ChannelRule]) -> Header:
    """A capture's header, its channels as a table says.

    Parameters
    ----------
    header : of the capture, read with all quantities: a channel that the table makes a voltage was none before.
    table : rules by exact name or pattern, see `halfcycle.pipeline.channel_table`. Other channels stay as they are.

    Returns
    -------
    Header with as many channels, in the same order. One that becomes a voltage or a current is in V or A; one that is
    not to be used is of quantity ``other``. What the table names and the capture has not is in the notes.

    Raises
    ------
    ConfigError : a unit contradicts the channel: one other than V or A where the file gave volts or amperes already, or
        none for a channel in a unit that is neither.
    """
    if not table:
        return header
    matches = [rule_for(channel.name, table) for channel in header.channels]
    pairs = list(zip(header.channels, matches, strict=True))
    channels = tuple(channel if match is None else _described(channel, match) for channel, match in pairs)
    notes = list(header.notes)
    if missing := unmatched(header, table):
        notes.append(f"described in the table of the site, but absent from the capture: {', '.join(missing)}")
    assumed = [old.name for old, match in pairs if match is not None and _is_assumed(old, match)]
    if assumed:
        notes.append(f"without a unit, taken as V or A by the table of the site: {', '.join(assumed)}")
    idle = [
        new.name for new, match in zip(channels, matches, strict=True)
        if match is not None and match.rule.use and match.rule.quantity is None and new.quantity == "other"
    ]  # fmt: skip
    if idle:
        notes.append(f"described as neither voltage nor current, so not judged: {', '.join(idle)}")
    return replace(header, channels=channels, notes=tuple(notes))


def unmatched(header: Header, table: Mapping[str, ChannelRule]) -> tuple[str, ...]:
    """Names and patterns of a table that no channel of a capture falls under, in the table's order."""
    used = {match.key for channel in header.channels if (match := rule_for(channel.name, table)) is not None}
    return tuple(key for key in table if key not in used)


def _described(channel: Channel, match: RuleMatch) -> Channel:
    rule = match.rule
    if not rule.use:
        return replace(channel, quantity="other", phase="", point="")
    quantity, factor = _quantity(channel, match)
    scale = channel.scale * rule.scale * factor
    offset = (channel.offset * rule.scale + rule.offset) * factor
    unit = _UNITS.get(quantity, channel.unit if rule.unit is None else rule.unit)
    return replace(
        channel,
        quantity=quantity,
        phase=channel.phase if match.phase is None else match.phase,
        unit=unit,
        scale=scale,
        offset=offset,
        point=channel.point if match.point is None else match.point,
        rated=None if channel.rated is None else channel.rated * factor,
    )


def _quantity(channel: Channel, match: RuleMatch) -> tuple[Quantity, float]:
    """What the channel is, and the factor that takes its values to V or A."""
    rule = match.rule
    if rule.unit is None:
        quantity = rule.quantity or channel.quantity
        was_other = channel.quantity == "other" and channel.unit.strip()
        if quantity != "other" and was_other and quantity_of_unit(channel.unit)[0] != quantity:
            raise ConfigError(f"channel {channel.name!r} (under {match.key!r}) is in {channel.unit!r} and described as "
                              f"{quantity}: give the unit of values times scale, such as V or kA")  # fmt: skip
        return quantity, 1.0
    by_unit, factor = quantity_of_unit(rule.unit)
    if rule.quantity == "other":
        return "other", 1.0
    if channel.quantity != "other" and factor != 1.0:
        raise ConfigError(
            f"channel {channel.name!r} (under {match.key!r}) is in {channel.unit} already, as its file states, but "
            f"described in {rule.unit}: give a scale if the values are wrong"
        )  # fmt: skip
    return by_unit, factor


def _is_assumed(channel: Channel, match: RuleMatch) -> bool:
    rule = match.rule
    return rule.use and rule.unit is None and rule.quantity in _UNITS and not channel.unit.strip()
