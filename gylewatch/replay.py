"""Runs the same course as the live service over recorded readings: CSV in, estimates and alerts out.

The clock is the data's: it stands at the newest time seen so far. Nothing later than that is used. Outputs appear
together at the end, or not at all.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import IO, Final

from alerts.delivery.mqtt_channel import payload
from alerts.settings import AlertSettings
from calibration.fit import fit_curve
from collector.admit import admit_slot
from collector.packet import Fields, Packet, Reason, Rejected, Source
from fermentation.estimate import Estimate
from gylewatch import pipeline
from gylewatch.batch_file import read_batch
from gylewatch.counting import counted
from gylewatch.data_time import passed
from gylewatch.errors import GylewatchError, InputError
from gylewatch.likely import mostly_too_hot_note
from gylewatch.outputs import Outputs
from gylewatch.samples_file import read_samples_of
from gylewatch.tables import read_readings, read_references
from gylewatch.values import Reading, Sample, natural_order, utc_text

ESTIMATES_HEADER: Final = (
    "time,gravity_sg,gravity_low_sg,gravity_high_sg,rate_points_per_day,apparent_attenuation,abv_percent,phase,"
    "final_gravity_sg,final_gravity_low_sg,final_gravity_high_sg,finish_time,finish_low,finish_high"
)

LONGEST_BATCH: Final = timedelta(days=3 * 365)
# A row from later than this was stamped by a faulty clock (sour beer ages for up to about three years: common practice,
# no source). Believing it would make every true row after it too old.


LEAP: Final = timedelta(hours=6)
# A row so far ahead of the newest one is believed when a second row confirms it: one faulty stamp would make every
# true row after it too late. Floats report every 15 to 60 minutes (common practice, no source); gaps last longer.
CONFIRMED_WITHIN: Final = timedelta(hours=48)
# Of the row it confirms: also a float that reports once a day is believed.

_WRONG_TIMES: Final = (Reason.TOO_OLD, Reason.IN_THE_FUTURE)

UNCONFIRMED: Final = "unconfirmed-time"
"""Counts rows that leapt ahead and that no second row confirmed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Inputs:
    """Everything a replay runs on, read and checked."""

    course: pipeline.Course
    fields: tuple[tuple[int, Fields], ...]  # row number and row, in the order of the file
    samples: tuple[Sample, ...]  # in order of time, each once
    repeated_samples: int
    readings_file: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """What a replay did, for the closing line."""

    readings: int
    estimates: int
    alerts: int
    refused: tuple[tuple[str, int], ...]  # reason and number of rows
    values_left_out: int  # readings with a battery or signal that cannot be true, kept without it
    too_hot: str  # a question, if most readings have a temperature that no yeast has
    points_left_out: tuple[str, ...]  # of the references, each with its reason
    early: int  # readings from before pitching
    late: int  # readings that came after a later one, and thus gave no estimate
    samples_left_out: tuple[str, ...]  # each with its reason
    repeated_samples: int  # rows that say word for word what another one says
    early_samples: int  # from before pitching
    unused_samples: int  # later than the last reading
    last: Estimate | None

    def __str__(self) -> str:
        parts = [counted(self.readings, "reading"), counted(self.estimates, "estimate"), counted(self.alerts, "alert")]
        if self.refused:
            parts.append("not used: " + ", ".join(f"{count} {reason}" for reason, count in self.refused))
        if self.values_left_out:
            parts.append(f"{counted(self.values_left_out, 'row')} kept without a battery or signal that cannot be true")
        if self.too_hot:
            parts.append(self.too_hot)
        parts += [f"references: {reason}" for reason in self.points_left_out]
        if not self.readings and any(reason in _WRONG_TIMES for reason, _ in self.refused):
            parts.append("no row fits the batch's time: check batch.pitched and the year of the rows")
        if self.early:
            parts.append(f"{counted(self.early, 'reading')} from before pitching gave no estimate")
        if self.late:
            parts.append(f"{counted(self.late, 'reading')} that came after later ones gave no estimate")
            if self.late > self.readings // 2:
                parts.append("sort the file by time")
        if self.samples_left_out:
            count, several = len(self.samples_left_out), len(self.samples_left_out) > 1
            parts.append(f"{counted(count, 'sample')} left out{', the first' * several}: {self.samples_left_out[0]}")
        if self.repeated_samples:
            parts.append(f"{counted(self.repeated_samples, 'sample')} repeated and used once")
        if self.early_samples:
            parts.append(f"{counted(self.early_samples, 'sample')} from before pitching had no effect")
        if self.unused_samples:
            parts.append(f"{counted(self.unused_samples, 'sample')} later than the last reading had no effect")
        return "; ".join(parts)


Progress = Callable[[float, Estimate | None], None]
"""Is told the fraction done and the newest estimate."""


def load(
    *, readings: Path, references: Path, batch: Path, samples: Path | None = None, alert_settings: AlertSettings
) -> Inputs:
    """Read and check every input before anything is computed.

    Raises
    ------
    InputError
        A file is missing or malformed; the message names file, row and reason.
    """
    the_batch = read_batch(batch)
    fields = read_readings(readings)
    if not any(row.float_name == the_batch.float_id for _, row in fields):
        heard = ", ".join(sorted({row.float_name for _, row in fields}, key=natural_order)[:5])
        raise InputError(
            str(readings),
            f"no row is of the batch's float {the_batch.float_id!r} ({batch}: batch.float); found: {heard}",
        )
    points = [point for point in read_references(references) if point.float_id == the_batch.float_id]
    if not points:
        raise InputError(
            str(references), f"no row is of the batch's float {the_batch.float_id!r} ({batch}: batch.float)"
        )
    try:
        curve = fit_curve(points)
    except GylewatchError as error:
        raise InputError(str(references), str(error)) from error
    hand = read_samples_of(the_batch, samples, above_original=True) if samples is not None else ()
    once = tuple(dict.fromkeys(hand))  # twice, they would count as two measurements that agree
    return Inputs(
        course=pipeline.Course(batch=the_batch, curve=curve, alert_settings=alert_settings),
        fields=fields,
        samples=once,
        repeated_samples=len(hand) - len(once),
        readings_file=str(readings),
    )


@dataclass(slots=True)
class _Admission:
    """Judges rows as the collector judges packets, with the clock of the data.

    A row that leaps ahead is held until the next one confirms it. The last row of a file cannot be confirmed and is
    left out, so that more rows never take back what was concluded from fewer.
    """

    inputs: Inputs
    clock: datetime | None = None
    interval: timedelta = timedelta(0)  # between the two newest accepted readings
    held: Reading | None = None
    left_out: int = 0  # rows with a battery or signal that cannot be true
    seen: set[datetime] = field(default_factory=set)
    refused: Counter[str] = field(default_factory=Counter)

    def readings(self) -> Iterator[tuple[float, Reading]]:
        """Each accepted reading with the fraction of the file that is read."""
        float_id = self.inputs.course.batch.float_id
        for index, (row, fields) in enumerate(self.inputs.fields, start=1):
            if fields.float_name != float_id:
                self.refused["other-float"] += 1
                continue
            admitted, *left_out = self._admit(row, fields)
            self.left_out += len(left_out)
            if isinstance(admitted, Rejected):
                self.refused[admitted.reason] += 1
            elif admitted.time in self.seen or (self.held is not None and admitted.time == self.held.time):
                self.refused["repeated"] += 1
            else:
                for reading in self._confirmed(admitted):
                    yield index / len(self.inputs.fields), reading
        self._drop_held()

    def _confirmed(self, reading: Reading) -> tuple[Reading, ...]:
        """What can be used now that `reading` is known, in order of time."""
        newest = self._newest()
        if reading.time <= newest:
            return self._take(reading)  # a late row says nothing of the one that is held
        if reading.time - newest <= max(LEAP, 2 * self.interval):
            self._drop_held()
            return self._take(reading)
        held = self.held
        if held is None or abs(reading.time - held.time) > CONFIRMED_WITHIN:
            self._drop_held()
            self.held = reading
            return ()
        self.held = None
        return self._take(*sorted((held, reading), key=lambda each: each.time))

    def _newest(self) -> datetime:
        pitched = self.inputs.course.batch.pitched
        return pitched if self.clock is None else max(self.clock, pitched)

    def _take(self, *readings: Reading) -> tuple[Reading, ...]:
        for reading in readings:
            if self.clock is not None and reading.time > self.clock:
                self.interval = reading.time - self.clock
            self.seen.add(reading.time)
            self.clock = reading.time if self.clock is None else max(self.clock, reading.time)
        return readings

    def _drop_held(self) -> None:
        if self.held is not None:
            self.refused[UNCONFIRMED] += 1
            self.held = None

    def _admit(self, row: int, fields: Fields) -> tuple[Reading | Rejected, ...]:
        # A recording's own times are the only clock there is: a row is heard when it was measured, or when a later
        # row was, if it comes late.
        pitched = self.inputs.course.batch.pitched
        time = fields.time or pitched  # the reader of the file leaves no time out
        now = min(max(self.clock or pitched, pitched, time), pitched + LONGEST_BATCH)
        packet = Packet(
            source=Source.REPLAY, origin=f"{self.inputs.readings_file} row {row}", payload=b"", received=now
        )
        return admit_slot(fields, packet, now=now, known=frozenset({self.inputs.course.batch.float_id}))


def run(inputs: Inputs, *, estimates: IO[str], alerts: IO[str], progress: Progress | None = None) -> Summary:
    """Run the course over the recorded readings, in the order of the file, and write what is concluded.

    Samples take effect when the data's time passes them. The time between two readings is judged as well.
    """
    course, admission = inputs.course, _Admission(inputs)
    state = pipeline.start(course)
    samples = list(reversed(inputs.samples))
    clock: datetime | None = None
    readings = written = told = early = late = 0
    last: Estimate | None = None
    left_out: list[str] = []
    estimates.write(ESTIMATES_HEADER + "\n")

    for done, reading in admission.readings():
        outcomes: list[pipeline.Outcome] = []
        for event in passed(clock, reading.time, samples):
            if isinstance(event, Sample):
                outcome = pipeline.on_sample(course, state, event)
            else:
                outcome = pipeline.on_tick(course, state, event)
            state = outcome.state
            outcomes.append(outcome)
            left_out += [outcome.left_out] * bool(outcome.left_out)
        early += reading.time < course.batch.pitched
        late += clock is not None and course.batch.pitched <= reading.time < clock
        outcome = pipeline.on_reading(course, state, reading)
        state, clock = outcome.state, reading.time if clock is None else max(clock, reading.time)
        readings += 1
        for alert in (alert for each in (*outcomes, outcome) for alert in each.alerts):
            alerts.write(payload(alert).decode() + "\n")
            told += 1
        if outcome.estimate is not None:
            estimates.write(estimate_row(outcome.estimate) + "\n")
            last = outcome.estimate
            written += 1
        if progress is not None:
            progress(done, last)

    return Summary(
        readings=readings,
        estimates=written,
        alerts=told,
        refused=tuple(sorted(admission.refused.items())),
        values_left_out=admission.left_out,
        too_hot=_too_hot_question(inputs) if readings else "",
        points_left_out=course.curve.excluded_reasons,
        early=early,
        late=late,
        samples_left_out=tuple(left_out),
        repeated_samples=inputs.repeated_samples,
        early_samples=sum(sample.time < course.batch.pitched for sample in inputs.samples),
        unused_samples=len(samples),
        last=last,
    )


def _too_hot_question(inputs: Inputs) -> str:
    """Whether °F was meant, if most rows have a temperature that no yeast has; empty: nothing is odd about them."""
    float_id = inputs.course.batch.float_id
    all_c = [fields.temperature_c for _, fields in inputs.fields if fields.float_name == float_id]
    return mostly_too_hot_note(counted(len(all_c), "row"), all_c, "replay it again")


def replay(
    *,
    readings: Path,
    references: Path,
    batch: Path,
    samples: Path | None,
    alert_settings: AlertSettings,
    estimates: Path,
    alerts: Path,
    progress: Progress | None = None,
) -> Summary:
    """The contract's replay: all inputs are checked first; both outputs appear, or neither.

    Raises
    ------
    InputError
        An input is missing or malformed, or an output cannot be written. Nothing was written then.
    """
    sources = [path.resolve() for path in (readings, references, batch, samples) if path is not None]
    targets = [estimates.resolve(), alerts.resolve()]
    for target in targets:
        if target in sources:
            raise InputError(str(target), "is an input; choose another file for the output")
    if targets[0] == targets[1] and not targets[0].is_char_device():
        raise InputError(str(estimates), "is named for both outputs; choose two files")

    with Outputs() as outputs:  # which also sees to Ctrl-C, while the inputs are read too
        inputs = load(
            readings=readings, references=references, batch=batch, samples=samples, alert_settings=alert_settings
        )
        try:
            summary = run(inputs, estimates=outputs.open(estimates), alerts=outputs.open(alerts), progress=progress)
        except OSError as error:
            raise InputError(
                f"{estimates}, {alerts}", f"cannot be written ({(error.strerror or '').lower()})"
            ) from None
        outputs.publish()
    return summary


def _time(time: datetime | None) -> str:
    """ISO 8601 in UTC with Z; fractions only where there are any."""
    return "" if time is None else utc_text(time)


def _finish(time: datetime | None) -> str:
    # A forecast is no better than minutes; its digits must not say otherwise.
    return "" if time is None else utc_text(time, "seconds")


def estimate_row(estimate: Estimate) -> str:
    """One row of ``estimates.csv``."""
    forecast = estimate.forecast
    ending = (
        ["", "", "", "", "", ""]
        if forecast is None
        else [
            f"{forecast.final_gravity_sg:.5f}",
            f"{forecast.final_gravity_low_sg:.5f}",
            f"{forecast.final_gravity_high_sg:.5f}",
            _finish(forecast.finish_time),
            _finish(forecast.finish_low),
            _finish(forecast.finish_high),
        ]
    )
    return ",".join(
        [
            _time(estimate.time),
            f"{estimate.gravity_sg:.5f}",
            f"{estimate.gravity_low_sg:.5f}",
            f"{estimate.gravity_high_sg:.5f}",
            f"{estimate.rate_points_per_day:.3f}",
            f"{estimate.apparent_attenuation:.4f}",
            f"{estimate.abv_percent:.3f}",
            str(estimate.phase),
            *ending,
        ]
    )
