"""The course of a batch as a picture needs it: few estimates, and few readings of its probe, out of very many."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, RowMapping, Select, String, select, type_coerce

from fermentation.estimate import Estimate
from gylewatch.values import BatchId, VesselId
from storage.part import Part
from storage.readings import in_period
from storage.records import ProbeCourse
from storage.schema import EstimateRow, ProbeReadingRow
from storage.stored import estimate_from_columns, probe_reading_from_columns
from storage.thinning import ends_and_extremes, gaps

# Two months at one a minute are 86,400 rows. Five numbers of each fit into 4 MB; whole estimates would take more memory
# than the rest of the service.
_ROWS_AT_ONCE = 5_000
# Of the points, those that stand at the two sides of gaps.
_GAP_SHARE = 8
# Each stretch keeps its lowest and highest gravity, temperature, and the outer ends of its interval.
_KEEPS = 6
_PROBE_KEEPS = 2  # lowest and highest temperature


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """Estimates of a batch, thinned, in order of time, and where nothing came for hours."""

    estimates: tuple[Estimate, ...]
    gaps: tuple[tuple[datetime, datetime], ...]  # from the last estimate before to the first one after


class Courses(Part):
    """Reads columns first and whole estimates only of the rows that are kept."""

    def course(
        self, batch_id: BatchId, *, at_most: int, since: datetime | None = None, until: datetime | None = None
    ) -> Course:
        """The estimates of a batch with ``since <= time < until``, thinned.

        Parameters
        ----------
        at_most : 8 or more; no more estimates than this

        Raises
        ------
        ValueError
            `at_most` is below 8.
        """
        row = EstimateRow
        rows, gaps_found = self._thinned(
            select(row).where(row.batch_id == batch_id),
            row.time,
            (row.gravity_sg, row.gravity_low_sg, row.gravity_high_sg, row.temperature_c),
            extremes=lambda g, low, high, warm: (g, -g, low, -high, warm, -warm),
            keeps=_KEEPS,
            at_most=at_most,
            period=(since, until),
        )
        return Course(estimates=tuple(estimate_from_columns(each) for each in rows), gaps=gaps_found)

    def probe_course(
        self, vessel: VesselId, *, at_most: int, since: datetime | None = None, until: datetime | None = None
    ) -> ProbeCourse:
        """What was measured in a vessel with ``since <= time < until``, thinned.

        Parameters
        ----------
        at_most : 4 or more; no more readings than this

        Raises
        ------
        ValueError
            `at_most` is below 4.
        """
        row = ProbeReadingRow
        rows, gaps_found = self._thinned(
            select(row.__table__).where(row.vessel_id == vessel),
            row.time,
            (row.temperature_c,),
            extremes=lambda warm: (warm, -warm),
            keeps=_PROBE_KEEPS,
            at_most=at_most,
            period=(since, until),
        )
        return ProbeCourse(readings=tuple(probe_reading_from_columns(each) for each in rows), gaps=gaps_found)

    def _thinned(
        self,
        every: Select[Any],
        time: Any,
        columns: tuple[Any, ...],
        *,
        extremes: Callable[..., tuple[NDArray[np.float64], ...]],
        keeps: int,
        at_most: int,
        period: tuple[datetime | None, datetime | None],
    ) -> tuple[Sequence[RowMapping], tuple[tuple[datetime, datetime], ...]]:
        """Of the rows of `every`, those that the extremes of a stretch keep, and where nothing came for hours.

        extremes : of the columns, (n,) each, what is to be as low as possible; `keeps` of them
        """
        if at_most < keeps + 2:
            raise ValueError(f"{at_most} points are too few for a course; ask for {keeps + 2} or more")
        # As the driver gives it: making 86,400 aware times would take longer than everything else.
        thin = in_period(every.with_only_columns(type_coerce(time, String), *columns), time, *period)
        with self._database.reading() as connection:
            times, values = _read_columns(connection, thin.order_by(time), len(columns))
            kept, breaks = _kept(times, np.column_stack(extremes(*values)), at_most)
            if len(kept) < len(times):
                query = every.where(time.in_(_moments(times[kept])))
            else:
                query = in_period(every, time, *period)
            rows = connection.execute(query.order_by(time)).mappings().all()
        return rows, _ends(times, breaks)


def _kept(
    times: NDArray[np.datetime64], extremes: NDArray[np.float64], at_most: int
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """The rows to keep, and those after which nothing came for hours; of each such gap both sides are kept."""
    breaks = gaps(times, max(1, at_most // _GAP_SHARE))
    beside = np.unique(np.concatenate([breaks, breaks + 1]))
    if not len(times):
        return beside, breaks
    room = max(extremes.shape[1] + 2, at_most - len(beside))
    return np.union1d(ends_and_extremes(extremes, room), beside)[:at_most], breaks


def _ends(times: NDArray[np.datetime64], breaks: NDArray[np.intp]) -> tuple[tuple[datetime, datetime], ...]:
    return tuple((_moment(times[row]), _moment(times[row + 1])) for row in breaks)


def _read_columns(
    connection: Connection, query: Select[Any], width: int
) -> tuple[NDArray[np.datetime64], NDArray[np.float64]]:
    """(n,) times and (width, n) columns of a query for a time, as the driver gives it, and `width` numbers."""
    times: list[NDArray[np.datetime64]] = []
    values: list[NDArray[np.float64]] = []
    for part in connection.execution_options(stream_results=True).execute(query).partitions(_ROWS_AT_ONCE):
        time, *numbers = zip(*part, strict=True)
        times.append(np.array([_bare(each) for each in time], dtype="datetime64[us]"))
        values.append(np.array(numbers, dtype=np.float64))
    if not times:
        return np.zeros(0, dtype="datetime64[us]"), np.zeros((width, 0))
    return np.concatenate(times), np.concatenate(values, axis=1)


def _bare(time: Any) -> Any:
    """SQLite's driver gives text that numpy reads, PostgreSQL's aware times."""
    return time.astimezone(UTC).replace(tzinfo=None) if isinstance(time, datetime) else time


def _moments(times: NDArray[np.datetime64]) -> list[datetime]:
    return [_moment(time) for time in times]


def _moment(time: np.datetime64) -> datetime:
    moment: datetime = time.astype("datetime64[us]").item()
    return moment.replace(tzinfo=UTC)
