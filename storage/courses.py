"""The course of a batch as a picture needs it: few estimates out of very many."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, Select, String, select, type_coerce

from fermentation.estimate import Estimate
from gylewatch.values import BatchId
from storage.part import Part
from storage.readings import in_period
from storage.schema import EstimateRow
from storage.stored import estimate_from_columns
from storage.thinning import ends_and_extremes, gaps

# Two months at one a minute are 86,400 rows. Five numbers of each fit into 4 MB; whole estimates would take more memory
# than the rest of the service.
_ROWS_AT_ONCE = 5_000
# Of the points, those that stand at the two sides of gaps.
_GAP_SHARE = 8
# Each stretch keeps its lowest and highest gravity, temperature, and the outer ends of its interval.
_KEEPS = 6


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
        if at_most < _KEEPS + 2:
            raise ValueError(f"{at_most} points are too few for a course; ask for {_KEEPS + 2} or more")
        with self._database.reading() as connection:
            times, columns = _read_columns(connection, batch_id, since, until)
            breaks = gaps(times, max(1, at_most // _GAP_SHARE))
            beside = np.unique(np.concatenate([breaks, breaks + 1]))
            room = max(_KEEPS + 2, at_most - len(beside))
            kept = np.union1d(ends_and_extremes(columns, room), beside)[:at_most] if len(times) else beside
            query = select(EstimateRow).where(EstimateRow.batch_id == batch_id)
            if len(kept) < len(times):
                query = query.where(EstimateRow.time.in_([_moment(time) for time in times[kept]]))
            else:
                query = in_period(query, EstimateRow.time, since, until)
            rows = connection.execute(query.order_by(EstimateRow.time)).mappings().all()
        return Course(
            estimates=tuple(estimate_from_columns(row) for row in rows),
            gaps=tuple((_moment(times[row]), _moment(times[row + 1])) for row in breaks),
        )


def _read_columns(
    connection: Connection, batch_id: BatchId, since: datetime | None, until: datetime | None
) -> tuple[NDArray[np.datetime64], NDArray[np.float64]]:
    """(n,) times and (n, 6) columns of which the lowest values are kept."""
    row = EstimateRow
    # As the driver gives it: making 86,400 aware times would take longer than everything else.
    columns: tuple[Any, ...] = (
        type_coerce(row.time, String),
        row.gravity_sg,
        row.gravity_low_sg,
        row.gravity_high_sg,
        row.temperature_c,
    )
    query: Select[Any] = select(*columns).where(row.batch_id == batch_id)
    query = in_period(query, row.time, since, until).order_by(row.time)
    times: list[NDArray[np.datetime64]] = []
    values: list[NDArray[np.float64]] = []
    for part in connection.execution_options(stream_results=True).execute(query).partitions(_ROWS_AT_ONCE):
        time, *numbers = zip(*part, strict=True)
        times.append(np.array([_bare(each) for each in time], dtype="datetime64[us]"))
        values.append(np.array(numbers, dtype=np.float64))
    if not times:
        return np.zeros(0, dtype="datetime64[us]"), np.zeros((0, _KEEPS))
    gravity, low, high, warmth = np.concatenate(values, axis=1)
    return np.concatenate(times), np.column_stack([gravity, -gravity, low, -high, warmth, -warmth])


def _bare(time: Any) -> Any:
    """SQLite's driver gives text that numpy reads, PostgreSQL's aware times."""
    return time.astimezone(UTC).replace(tzinfo=None) if isinstance(time, datetime) else time


def _moment(time: np.datetime64) -> datetime:
    moment: datetime = time.astype("datetime64[us]").item()
    return moment.replace(tzinfo=UTC)
