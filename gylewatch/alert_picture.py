"""The small picture of an alert: the last days of its batch, read from the store when the message goes out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Final

import numpy as np
import structlog

from alerts.alert import Kind
from alerts.delivery.picture import WIDTH, Band, FloatArray, Ink, Line, Picture, draw
from alerts.evidence import clock
from alerts.notice import Message, Notice
from alerts.probe_rules import DISAGREE
from gylewatch.errors import NotFound
from gylewatch.units import POINT_SG
from gylewatch.values import Batch
from storage.courses import Course
from storage.store import Store
from storage.thinning import gaps
from web.drawing import ticks

SHOWN: Final = timedelta(days=5)  # a usual fermentation from start to plateau
_SHORTEST: Final = timedelta(hours=6)
_POINTS: Final = 4 * WIDTH  # the extremes between two columns are kept
_PROBE_READINGS: Final = 10_000
_OF_TEMPERATURE: Final = frozenset({Kind.TEMPERATURE_DRIFT, Kind.TEMPERATURE_OUT_OF_RANGE})

_log = structlog.get_logger(__name__)


def picture_maker(store: Store, zone: tzinfo = UTC) -> Callable[[Message], Picture | None]:
    """A function that makes the picture of a message; None where there is nothing to show. Never raises.

    Parameters
    ----------
    zone : of the times and midnights of the picture
    """

    def make(message: Message) -> Picture | None:
        try:
            return alert_picture(store, message, zone)
        except Exception:
            # An ornament: whatever goes wrong with it, the message must go out.
            _log.exception("a picture could not be made; its message goes without")
            return None

    return make


def alert_picture(store: Store, message: Message, zone: tzinfo = UTC) -> Picture | None:
    """The gravity of the last days; for what concerns the temperature, that."""
    if not isinstance(message, Notice):
        return None
    try:
        batch = store.batch(message.batch_id).batch
    except NotFound:  # a trial, or a batch that was removed meanwhile
        return None
    course = store.course(message.batch_id, at_most=_POINTS, since=message.time - SHOWN)
    if not course.estimates:
        return None
    if message.alert.kind in _OF_TEMPERATURE or message.alert.cause == DISAGREE:
        return _warmth(store, batch, _Columns(course, zone))
    return _gravity(_Columns(course, zone))


def _gravity(sheet: _Columns) -> Picture:
    rows = sheet.course.estimates
    middle = sheet.of([row.gravity_sg for row in rows])
    low, high = sheet.of([row.gravity_low_sg for row in rows]), sheet.of([row.gravity_high_sg for row in rows])
    levels = _levels(low, high, least=20 * POINT_SG)
    png = draw(
        [Band(low=low, high=high, ink=Ink.BAND)],
        [Line(values=middle, ink=Ink.GRAVITY)],
        levels=levels,
        columns=sheet.midnights(),
        least=20 * POINT_SG,
    )
    first, last = rows[0].gravity_sg, rows[-1].gravity_sg
    caption = (
        f"Picture: gravity with its 80 % interval, {sheet.period()}: {first:.4f} at the beginning, {last:.4f} at the "
        f"end. Level lines at {_listed(levels, 3)}, upright lines at midnight."
    )
    return Picture(png=png, caption=caption)


def _warmth(store: Store, batch: Batch, sheet: _Columns) -> Picture:
    warmth = sheet.of([row.temperature_c for row in sheet.course.estimates])
    wanted = np.array([batch.wanted_temperature_c(time) for time in sheet.times()])
    lines, beside = [Line(values=warmth, ink=Ink.WARMTH)], ""
    probe = store.probe_readings(batch.vessel, since=sheet.start, limit=_PROBE_READINGS)
    if probe:
        times = [each.time for each in probe]
        values = sheet.series(times, [each.temperature_c for each in probe], _silences(times))
        lines.append(Line(values=values, ink=Ink.PROBE))
        beside = f", black: probe {probe[-1].probe}"
    levels = _levels(wanted[:, 0], wanted[:, 1], least=4.0, also=warmth)
    png = draw(
        [Band(low=wanted[:, 0], high=wanted[:, 1], ink=Ink.WANTED)],
        lines,
        levels=levels,
        columns=sheet.midnights(),
        least=4.0,
    )
    low, high = float(np.nanmin(warmth)), float(np.nanmax(warmth))
    caption = (
        f"Picture: temperature (brown: float{beside}) and the wanted range (green), {sheet.period()}: the float "
        f"between {low:.1f} and {high:.1f} °C. Level lines at {_listed(levels, 1)} °C, upright lines at midnight."
    )
    return Picture(png=png, caption=caption)


def _silences(times: Sequence[datetime]) -> list[tuple[datetime, datetime]]:
    bare = np.array([time.replace(tzinfo=None) for time in times], dtype="datetime64[us]")
    return [(times[row], times[row + 1]) for row in gaps(bare, WIDTH)]


def _levels(low: FloatArray, high: FloatArray, *, least: float, also: FloatArray | None = None) -> Sequence[float]:
    """Round values across the series."""
    both = np.concatenate([low, high, *(() if also is None else (also,))])
    bottom, top = float(np.nanmin(both)), float(np.nanmax(both))
    spare = max(0.0, least - (top - bottom)) / 2
    return ticks(bottom - spare, top + spare, 4)


def _listed(levels: Sequence[float], digits: int) -> str:
    *first, last = (f"{level:.{digits}f}" for level in levels)
    return f"{', '.join(first)} and {last}" if first else last


class _Columns:
    """The time of each column, and series as one value for each."""

    def __init__(self, course: Course, zone: tzinfo) -> None:
        self.course = course
        self._zone = zone
        self.start = course.estimates[0].time
        self._end = max(course.estimates[-1].time, self.start + _SHORTEST)
        self.seconds = np.linspace(self.start.timestamp(), self._end.timestamp(), WIDTH)

    def of(self, values: Sequence[float]) -> FloatArray:
        """The series at each column; not a number before, after and within hours without readings."""
        found = self.series([row.time for row in self.course.estimates], values, self.course.gaps)
        if len(values) == 1:
            found[0] = values[0]
        return found

    def series(
        self, times: Sequence[datetime], values: Sequence[float], silences: Sequence[tuple[datetime, datetime]]
    ) -> FloatArray:
        """Any series in the same way; `silences` are from the last value before to the first one after."""
        at = np.array([time.timestamp() for time in times])
        found = np.interp(self.seconds, at, values, left=np.nan, right=np.nan)
        for begin, end in silences:
            found[(self.seconds > begin.timestamp()) & (self.seconds < end.timestamp())] = np.nan
        return found

    def times(self) -> list[datetime]:
        return [datetime.fromtimestamp(second, tz=UTC) for second in self.seconds]

    def midnights(self) -> list[int]:
        days = np.array([time.astimezone(self._zone).toordinal() for time in self.times()])
        return [int(column) + 1 for column in np.flatnonzero(np.diff(days))]

    def period(self) -> str:
        begin, end = (clock(time, self._zone) for time in (self.start, self.course.estimates[-1].time))
        return f"{begin} to {end}"
