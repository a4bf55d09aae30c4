"""A terminal that can be asked questions, and a brewery whose float obeys a known straight law."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from click.testing import CliRunner

from fermentation.estimate import Estimate, Forecast, Phase
from gylewatch import cli
from gylewatch.values import BatchId, FloatId, Instrument, Reading, Sample, Unit
from storage.store import Store

BATCH = BatchId("test-ale")
HERON = FloatId("heron")
ORIGINAL_SG = 1.050
PITCHED = datetime.now(UTC).replace(microsecond=0) - timedelta(days=10)

REFERENCES = "float,angle_deg,angle_sd_deg,gravity_sg,gravity_sd_sg,temperature_c\n" + "".join(
    f"heron,{25 + 0.5 * points},0.05,{1 + points / 1000:.4f},0.0002,20\n" for points in (0, 20, 40, 60, 80)
)

BATCH_TOML = f"""[batch]
name = "Test Ale"
volume_l = 20.0
pitched = {PITCHED.isoformat().replace("+00:00", "Z")}
original_gravity = {ORIGINAL_SG}
expected_attenuation = [0.74, 0.80]
temperature_c = [18.0, 21.0]
vessel = "FV1"
float = "heron"
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        return json.loads(self.out)


class Terminal:
    """Types commands in a folder of its own, and answers what they ask."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def type(self, words: str | Sequence[str], *, answers: Sequence[str] = ()) -> Answer:
        arguments = words.split() if isinstance(words, str) else list(words)
        typed = "".join(f"{line}\n" for line in answers)
        done = CliRunner().invoke(cli.cli, arguments, input=typed, standalone_mode=False)
        if done.exception is None:
            return Answer(code=0, out=done.stdout, err=done.stderr)
        code, text = cli.answer(done.exception)
        return Answer(code=code, out=done.stdout, err=text)

    def store(self) -> Store:
        return Store.open(f"sqlite:///{self.folder / 'gylewatch.sqlite'}", create=False)


def day(days: float) -> datetime:
    return PITCHED + timedelta(days=days)


def angle_of(gravity_sg: float) -> float:
    """The law of the float: straight, 25 degrees in water, half a degree a point."""
    return 25.0 + 500.0 * (gravity_sg - 1.0)


def readings(time: datetime, gravity_sg: float, *, off_points: float = 0.0) -> tuple[Reading, ...]:
    """Seven readings around a time, of a float in a liquid at 20 °C that reads so many points too high."""
    angle = angle_of(gravity_sg + off_points / 1000)
    return tuple(
        Reading(time=time + timedelta(minutes=15 * i), float_id=HERON, angle_deg=angle, temperature_c=20.0)
        for i in range(-3, 4)
    )


def hand(instrument: Instrument, time: datetime, value: float, unit: Unit = Unit.SG) -> Sample:
    return Sample(time=time, instrument=instrument, value=value, unit=unit, sample_temperature_c=20.0)


def estimate(**changes: Any) -> Estimate:
    """A beer at rest at the end of its fermentation, an hour ago."""
    time = datetime.now(UTC) - timedelta(hours=1)
    values: dict[str, Any] = {
        "time": time,
        "gravity_sg": 1.0110,
        "gravity_low_sg": 1.0095,
        "gravity_high_sg": 1.0125,
        "rate_points_per_day": 0.0,
        "rate_low_points_per_day": -0.2,
        "rate_high_points_per_day": 0.2,
        "original_gravity_sg": ORIGINAL_SG,
        "apparent_attenuation": 0.77,
        "real_attenuation": 0.63,
        "abv_percent": 5.1,
        "temperature_c": 19.0,
        "phase": Phase.FINISHED,
        "forecast": Forecast(
            final_gravity_sg=1.0110,
            final_gravity_low_sg=1.0105,
            final_gravity_high_sg=1.0115,
            finish_time=day(6),
            finish_low=day(5),
            finish_high=day(7),
        ),
        "probability_started": 1.0,
        "probability_still": 0.99,
        "probability_attenuated": 0.95,
        "bias_points": 0.0,
        "noise_points": 0.5,
        "misfit_sigma": 0.0,
        "apparent_attenuation_low": 0.74,
        "apparent_attenuation_high": 0.80,
        "abv_low_percent": 4.9,
        "abv_high_percent": 5.3,
    }
    return Estimate(**{**values, **changes})
