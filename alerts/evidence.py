"""Evidence in words, for people. Programs get the names and numbers as they are."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, tzinfo
from types import MappingProxyType
from typing import Final, NamedTuple

from alerts.alert import Evidence


class _Interval(NamedTuple):
    """Two numbers that say one thing together."""

    low: str
    high: str
    label: str


_INTERVALS: Final = (
    _Interval("gravity_low_sg", "gravity_high_sg", "gravity, 80 % interval"),
    _Interval("abv_low_percent", "abv_high_percent", "alcohol, 80 % interval"),
    _Interval("wanted_low_c", "wanted_high_c", "wanted range"),
    _Interval("usual_low_c", "usual_high_c", "usual band"),
    _Interval("expected_attenuation_low", "expected_attenuation_high", "attenuation expected of the yeast"),
)

_LABELS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "gravity_sg": "gravity believed",
        "rate_points_per_day": "falls by",
        "rate_low_points_per_day": "falls at least by",
        "peak_rate_points_per_day": "fell at its fastest by",
        "rate_before_points_per_day": "fell before by",
        "fallen_points": "fallen since by",
        "points_above_expected": "above what is expected",
        "left_points": "left to go by the forecast",
        "expected_attenuation_low": "attenuation expected at least",
        "probability_started": "probability that it has started",
        "probability_still": "probability that it stands still",
        "probability_attenuated": "probability that the yeast's range is reached",
        "abv_percent": "alcohol by volume",
        "sustained_h": "held for",
        "hours_after_pitching": "after pitching",
        "waited_h": "waited for",
        "cooled_by_c": "cooled by",
        "beyond_c": "beyond the range by",
        "planned_change": "planned change under way",
        "slope_c_per_h": "trend of the last day",
        "sum_c_h": "departures add up to",
        "decision_c_h": "told from",
        "hours_to_edge": "until the edge of the range",
        "silent_h": "silent for",
        "usual_interval_min": "usually heard every",
        "silent_since_alert_h": "silent further for",
        "span_deg": "angle has kept within",
        "limit_deg": "counts as still within",
        "usual_span_deg": "angle usually keeps within",
        "limit_h": "told from",
        "limit_c": "told from",
        "battery_v": "voltage",
        "battery_percent": "charge reported",
        "low_v": "low at",
        "empty_v": "empty at",
        "highest_v": "highest voltage seen",
        "loss_mv_per_day": "loses",
        "cautious_loss_mv_per_day": "loses, cautiously reckoned",
        "loss_percent_per_day": "loses",
        "cautious_loss_percent_per_day": "loses, cautiously reckoned",
        "lasts_until": "lasts until",
        "needed_until": "needed until",
        "needed_until_from": "which is known from",
        "watched_h": "watched for",
        "misfit_sigma": "samples differ from the curve by",
        "off_in_lag_points": "off before the start by",
        "bias_points": "float believed to read off by",
        "float_reads_sg": "the float shows",
        "original_gravity_sg": "original gravity",
        "attenuation_limit": "attenuation with nothing left",
        "float_mean_c": "float, on average",
        "probe_mean_c": "probe, on average",
        "compared_h": "compared over",
        "difference_c": "difference",
        "standard_error_c": "its standard error",
        "raised": "told of",
    }
)

_UNITS: Final[tuple[tuple[str, str, int | None], ...]] = (
    ("_points_per_day", "points a day", 1),
    ("_c_per_h", "°C an hour", 3),
    ("_mv_per_day", "mV a day", 0),
    ("_percent_per_day", "% a day", 1),
    ("_points", "points", 1),
    ("points_above_expected", "points", 1),
    ("_percent", "%", 1),
    ("_sigma", "times what is uncertain", 1),
    ("_c_h", "degree hours", 1),
    ("_deg", "degrees", 2),
    ("_min", "minutes", None),
    ("hours_after_pitching", "hours", 1),
    ("hours_to_edge", "hours", 1),
    ("_sg", "", 4),
    ("_c", "°C", 1),
    ("_h", "hours", 1),
    ("_v", "V", 2),
)


_TIMES: Final = frozenset({"raised", "lasts_until", "needed_until"})  # ISO 8601 text


def in_words(evidence: Evidence, zone: tzinfo = UTC) -> tuple[str, ...]:
    """Each number of the evidence as a short phrase with its unit, in the order given; what is unknown is left out.

    Parameters
    ----------
    zone : of the times in it
    """
    known = {name: _local(name, value, zone) for name, value in evidence.items() if value is not None}
    intervals = {each.low: each for each in _INTERVALS if each.low in known and each.high in known}
    closed = {each.high for each in intervals.values()}
    return tuple(
        _interval(intervals[name], known) if name in intervals else _phrase(name, value)
        for name, value in known.items()
        if name not in closed
    )


def clock(time: datetime, zone: tzinfo = UTC) -> str:
    """A time as people read it, with its zone."""
    return f"{time.astimezone(zone):%Y-%m-%d %H:%M %Z}"


def _local(name: str, value: float | int | str | bool, zone: tzinfo) -> float | int | str | bool:
    return clock(datetime.fromisoformat(value), zone) if name in _TIMES and isinstance(value, str) else value


def _interval(interval: _Interval, known: Evidence) -> str:
    low, _ = _number(interval.low, known[interval.low])
    high, unit = _number(interval.high, known[interval.high])
    return f"{interval.label}: {low} to {high} {unit}".rstrip()


def _phrase(name: str, value: float | int | str | bool | None) -> str:
    number, unit = _number(name, value)
    return f"{_LABELS.get(name, _bare(name))}: {number} {unit}".rstrip()


def _number(name: str, value: float | int | str | bool | None) -> tuple[str, str]:
    """The value, and its unit."""
    if isinstance(value, bool):
        return ("yes" if value else "no"), ""
    if not isinstance(value, int | float):
        return str(value), ""
    if name.startswith("probability") or "attenuation" in name:
        return f"{100 * value:.{0 if name.startswith('probability') else 1}f}", "%"
    for suffix, unit, digits in _UNITS:
        if name.endswith(suffix):
            return (f"{value:.3g}" if digits is None else f"{value:.{digits}f}"), unit
    return f"{value:g}", ""


def _bare(name: str) -> str:
    """A name that says enough by itself, without its unit."""
    suffix = next((suffix for suffix, _, _ in _UNITS if name.endswith(suffix)), "")
    return name.removesuffix(suffix).replace("_", " ")
