"""A test message over each channel, and what became of it."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from alerts.delivery.channel import Channel, trial_notice
from gylewatch.errors import DeliveryError
from web.trial import ChannelTrial


def try_channels(channels: Iterable[Channel], now: datetime) -> tuple[ChannelTrial, ...]:
    """Send the test message; a channel that fails does not keep it from the others."""
    return tuple(ChannelTrial(channel=channel.name, problem=_problem(channel, now)) for channel in channels)


def _problem(channel: Channel, now: datetime) -> str | None:
    try:
        channel.deliver(trial_notice(now))
    except DeliveryError as error:
        return error.reason
    return None
