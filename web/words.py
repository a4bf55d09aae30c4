"""Numbers as words and figures for the screen. Pure."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from alerts.phase_words import PHASE_WORDS
from calibration.hydrometry import HandGravity
from fermentation.estimate import Estimate, Forecast, Phase
from gylewatch.units import NORMAL_80, POINT_SG, fahrenheit_from_celsius
from gylewatch.values import HandSettings, Reading

# Below this the estimator's own noise is as large as the rate: no one could read it off a hydrometer either.
STILL_POINTS_PER_DAY = 0.25

# The slowest floats report once an hour; three missed reports are no accident.
STALE_AFTER = timedelta(hours=3)

STRENGTH_CAUTION = "Strength figures are for the brewer's own use, not for duty or labelling."


def gravity(gravity_sg: float) -> str:
    """``1.0134``: one more digit than a hydrometer, since the interval beside it has it too."""
    return f"{gravity_sg:.4f}"


def half_interval(estimate: Estimate) -> str:
    """Half the width of the 80 % interval of the gravity, in SG."""
    return f"{(estimate.gravity_high_sg - estimate.gravity_low_sg) / 2:.4f}"


def half_hand(hand: HandGravity) -> str:
    """Half the width of the 80 % interval of a hand sample's gravity, in SG: as wide as those beside it on a page."""
    return f"{NORMAL_80 * hand.sd_sg:.4f}"


def half_final(forecast: Forecast) -> str:
    """Half the width of the 80 % interval of the final gravity, in SG."""
    return f"{(forecast.final_gravity_high_sg - forecast.final_gravity_low_sg) / 2:.4f}"


def attenuation(estimate: Estimate) -> str:
    """``77 ± 2 %``: apparent attenuation with half its 80 % interval, which old estimates lack."""
    low, high = estimate.apparent_attenuation_low, estimate.apparent_attenuation_high
    if low is None or high is None:
        return percent(estimate.apparent_attenuation)
    # never ± 0: to the last digit shown at best
    return f"{round(100 * estimate.apparent_attenuation)} ± {max(100 * (high - low) / 2, 1.0):.0f} %"


def strength(estimate: Estimate) -> str:
    """``5.1 ± 0.2``, in % vol, with half its 80 % interval, which old estimates lack."""
    low, high = estimate.abv_low_percent, estimate.abv_high_percent
    if low is None or high is None:
        return f"{estimate.abv_percent:.1f}"
    return f"{estimate.abv_percent:.1f} ± {max((high - low) / 2, 0.1):.1f}"


def own_instruments(own: HandSettings) -> str:
    """What is particular about the instruments of a batch's samples; empty: nothing."""
    plain = HandSettings()
    parts = []
    if own.hydrometer_calibration_c != plain.hydrometer_calibration_c:
        parts.append(f"hydrometer true at {own.hydrometer_calibration_c:g} °C")
    if own.hydrometer_offset_sg:
        parts.append(f"hydrometer {signed(own.hydrometer_offset_sg / POINT_SG)} points")
    if own.hydrometer_meniscus_sg:
        parts.append(f"meniscus {signed(own.hydrometer_meniscus_sg / POINT_SG)} points")
    if own.wort_correction_factor != plain.wort_correction_factor:
        parts.append(f"refractometer's wort factor {own.wort_correction_factor:g}")
    if not own.refractometer_compensates:
        parts.append("refractometer without temperature compensation")
    return ", ".join(parts)


def motion(estimate: Estimate) -> str:
    """What the gravity does at the moment, in words; ± is half the 80 % interval of the rate."""
    rate = estimate.rate_points_per_day
    half = (estimate.rate_high_points_per_day - estimate.rate_low_points_per_day) / 2
    if rate < -STILL_POINTS_PER_DAY:
        return f"rising {-rate:.1f} ± {half:.1f} points a day"
    if rate <= STILL_POINTS_PER_DAY:
        return "not falling yet" if estimate.phase is Phase.LAG else "no longer falling"
    return f"still falling {rate:.1f} ± {half:.1f} points a day"


def phase(value: Phase) -> str:
    """What one estimate says; `web.verdict` knows whether "finished" has been told."""
    return PHASE_WORDS[value]


def capital(text: str) -> str:
    """With a capital at its beginning; the rest as it is."""
    return text[:1].upper() + text[1:]


def is_over(estimate: Estimate) -> bool:
    """Whether fermentation is believed to be over, and not only forecast to be."""
    return estimate.phase.is_over


def rate(points_per_day: float) -> str:
    """The rate with its sign, positive while the gravity falls; never ``-0.0``."""
    return f"{round(points_per_day, 1) + 0.0:.1f}"


def signed(points: float) -> str:
    """A difference in points with its sign; never ``-0.0``."""
    return f"{round(points, 1) + 0.0:+.1f}"


def percent(fraction: float) -> str:
    return f"{100 * fraction:.0f} %"


def to_screen(temperature_c: float, *, fahrenheit: bool) -> float:
    """The number that stands on the screen."""
    return fahrenheit_from_celsius(temperature_c) if fahrenheit else temperature_c


def unit(*, fahrenheit: bool) -> str:
    return "°F" if fahrenheit else "°C"


def temperature(temperature_c: float, *, fahrenheit: bool) -> str:
    return f"{to_screen(temperature_c, fahrenheit=fahrenheit):.1f} {unit(fahrenheit=fahrenheit)}"


def temperature_range(range_c: tuple[float, float], *, fahrenheit: bool) -> str:
    low, high = (f"{to_screen(limit, fahrenheit=fahrenheit):.1f}" for limit in range_c)
    return f"{low} to {high} {unit(fahrenheit=fahrenheit)}"


def battery(reading: Reading) -> str:
    """``3.84 V`` or ``62 %``; empty: not sent."""
    if reading.battery_v is not None:
        return f"{reading.battery_v:.2f} V"
    return "" if reading.battery_percent is None else f"{reading.battery_percent:.0f} %"


def warmth(temperature_c: float, wanted_c: tuple[float, float]) -> str:
    """``too cold``, ``too warm``, or nothing."""
    if temperature_c < wanted_c[0]:
        return "too cold"
    return "too warm" if temperature_c > wanted_c[1] else ""


def stamp(time: datetime) -> str:
    """The time as the page shows it where no script runs."""
    return f"{time.astimezone(UTC):%-d %b %Y, %H:%M} UTC"


def day(time: datetime) -> str:
    """The day, where the hour would claim more than a forecast knows."""
    return f"{time.astimezone(UTC):%a %-d %b}"


def span(length: timedelta) -> str:
    """A length of time to the unit that matters: ``40 min``, ``5 h``, ``3 days``."""
    minutes = length.total_seconds() / 60
    if minutes < 1:
        return "less than a minute"
    if minutes < 90:
        return f"{minutes:.0f} min"
    if minutes < 48 * 60:
        return f"{minutes / 60:.0f} h"
    return f"{minutes / 1440:.0f} days"


def ago(time: datetime, now: datetime) -> str:
    """``5 h ago``; a clock that runs ahead gives ``just now``."""
    return "just now" if now - time < timedelta(minutes=1) else f"{span(now - time)} ago"


def is_stale(time: datetime, now: datetime) -> bool:
    """Whether an estimate is too old to be read as "now"."""
    return now - time > STALE_AFTER
