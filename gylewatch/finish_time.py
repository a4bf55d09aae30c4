"""How finely a forecast finish is told. Pure."""

from __future__ import annotations

from datetime import datetime, timedelta, tzinfo


def to_the_hour(time: datetime, zone: tzinfo) -> datetime:
    """`time` to the nearest full hour of `zone`, in that zone.

    The interval of a forecast is hours or days wide, and minutes would promise what nobody knows. Where clocks stand
    half an hour off those of UTC, the full hours of UTC would be told as half past.
    """
    return (time + timedelta(minutes=30)).astimezone(zone).replace(minute=0, second=0, microsecond=0)
