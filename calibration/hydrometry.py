"""Hand samples: from what an instrument showed to SG 20/20 °C with an uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

from calibration.density import water_density_kell
from calibration.expansion import TYPICAL_ORIGINAL_SG, WATER_20_C, gravity_at_20_c
from calibration.refractometer import fermented_gravity, temperature_correction_brix
from gylewatch.errors import AboveOriginal, InputError, OutOfDomain
from gylewatch.units import POINT_SG, celsius_from_fahrenheit, plato_from_sg, sg_from_plato
from gylewatch.values import Batch, HandSettings, Instrument, Sample, Unit

GLASS_EXPANSION_PER_C = 25e-6  # cubic, soda-lime glass; conventional value of ISO 1768:1975

HYDROMETER_SD_SG = 0.0010  # half a division, a bubble or two and the jar's temperature (common practice, no source)
DENSITY_METER_SD_SG = 0.0003  # bench oscillator; degassing is the greater part (common practice, no source)
REFRACTOMETER_SD_BRIX = 0.15  # a hand instrument's divisions are 0.2 (common practice, no source)
WORT_FACTOR_SD = 0.01  # of the wort correction factor when nobody has measured it
SAMPLE_TEMPERATURE_SD_C = 0.5

DEGAS_REMINDER = "Degas it first: pour between two glasses until it no longer froths; bubbles lift a hydrometer."

WARMEST_SAMPLE_C = 45.0
# No fermenter is this warm; 60 to 80 typed here is almost always °F.
LOWEST_GRAVITY_SG, HIGHEST_GRAVITY_SG = 0.980, 1.180
ABOVE_ORIGINAL_SG = 0.015  # a gravity this far above the original is another beer, or a wrong field


@dataclass(frozen=True, slots=True, kw_only=True)
class HandGravity:
    """One corrected hand sample."""

    time: datetime
    gravity_sg: float  # SG 20/20 °C
    sd_sg: float
    instrument: Instrument
    note: str  # how it was corrected, one sentence
    original_gravity_sg: float | None = None  # by which it was corrected
    by_original: float = 0.0  # SG by which it would move for 1 SG more of that: a refractometer's alcohol correction


def hydrometer_gravity(
    reading_sg: float,
    temperature_c: float,
    *,
    original_gravity_sg: float | None,
    calibration_c: float = 20.0,
    offset_sg: float = 0.0,
    meniscus_sg: float = 0.0,
) -> float:
    """SG 20/20 °C from a glass hydrometer.

    Parameters
    ----------
    reading_sg : as read; density over water, both at `calibration_c`
    temperature_c : °C of the sample, 0..45
    original_gravity_sg : SG 20/20 °C; how much ethanol the sample holds. For wort pass any gravity at or below it.
    calibration_c : °C at which the scale is true, e.g. 20 or 15.56
    offset_sg, meniscus_sg : added to the reading

    Source: rho(t) (1 + b (t - T0)) = R rho_water(T0), b of ISO 1768:1975; liquid's expansion by `density.beer_density`.
    """
    read = reading_sg + offset_sg + meniscus_sg
    at_temperature = read * water_density_kell(calibration_c)
    at_temperature /= 1.0 + GLASS_EXPANSION_PER_C * (temperature_c - calibration_c)
    return gravity_at_20_c(at_temperature / WATER_20_C, temperature_c, original_gravity_sg)


def density_meter_gravity(
    density_g_per_cm3: float, temperature_c: float, *, original_gravity_sg: float | None
) -> float:
    """SG 20/20 °C from the density that a meter shows at its own temperature.

    Source: density over water at 20 °C (Kell's form with ICUMSA SPS-4), expansion by `density.beer_density`.
    """
    return gravity_at_20_c(density_g_per_cm3 * 1000.0 / WATER_20_C, temperature_c, original_gravity_sg)


def batch_gravity(batch: Batch, sample: Sample, *, believed_original_sg: float | None = None) -> HandGravity:
    """Correct one hand sample of a batch, by its original gravity, its additions and the instruments it was given.

    Parameters
    ----------
    believed_original_sg : SG 20/20 °C, what was added by then included, where more is known than was measured at
        pitching; None: as measured, and with what was weighed in

    Raises
    ------
    AboveOriginal
        It lies far above the original gravity, with what was added by then.
    InputError
        The value cannot be this instrument's in this unit.
    """
    added = [addition.gravity_points for addition in batch.additions if addition.time <= sample.time]
    weighed = [points for points in added if points is not None]
    raised_sg = sum(weighed) * POINT_SG
    measured = None if batch.original_gravity_sg is None else batch.original_gravity_sg + raised_sg
    by_facts = hand_gravity(
        sample, original_gravity_sg=measured, settings=batch.instruments, bounded=len(weighed) == len(added)
    )
    if believed_original_sg is None:
        return by_facts
    return hand_gravity(sample, original_gravity_sg=believed_original_sg, settings=batch.instruments, bounded=False)


def hand_gravity(
    sample: Sample,
    *,
    original_gravity_sg: float | None,
    settings: HandSettings | None = None,
    bounded: bool = True,
) -> HandGravity:
    """Correct one hand sample by its instrument and unit.

    Parameters
    ----------
    sample : as read
    original_gravity_sg : SG 20/20 °C of the batch, what was added since included; None: unknown, then a typical
        beer's, with a wider uncertainty
    settings : the user's instruments; None: the contract's (scale true at 20 °C, wort factor 1.04)
    bounded : whether a gravity far above the original one is refused

    Raises
    ------
    AboveOriginal
        It lies far above the original gravity: one of the two is wrong, or it is of another beer.
    InputError
        The value cannot be this instrument's in this unit; the text says what it most likely is.
    """
    own = settings or HandSettings()
    _refuse_wrong_field(sample)
    by_original = 0.0
    if sample.instrument is Instrument.REFRACTOMETER:
        gravity, sd, by_original, note = _refractometer(sample, original_gravity_sg, own)
    elif sample.instrument is Instrument.HYDROMETER:
        gravity, sd, note = _hydrometer(sample, original_gravity_sg, own)
    else:
        gravity, sd, note = _density_meter(sample, original_gravity_sg)
    _refuse_impossible(sample, gravity)
    if bounded:
        _refuse_above(sample, gravity, original_gravity_sg)
    return HandGravity(
        time=sample.time,
        gravity_sg=gravity,
        sd_sg=sd,
        instrument=sample.instrument,
        note=note,
        original_gravity_sg=original_gravity_sg,
        by_original=by_original,
    )


def _hydrometer(sample: Sample, original_gravity_sg: float | None, own: HandSettings) -> tuple[float, float, str]:
    if sample.unit is Unit.SG:
        reading = sample.value
    elif sample.unit is Unit.G_PER_CM3:
        reading = sample.value * 1000.0 / water_density_kell(own.hydrometer_calibration_c)
    else:
        reading = sg_from_plato(sample.value)

    def at(temperature_c: float) -> float:
        return hydrometer_gravity(
            reading,
            temperature_c,
            original_gravity_sg=original_gravity_sg,
            calibration_c=own.hydrometer_calibration_c,
            offset_sg=own.hydrometer_offset_sg,
            meniscus_sg=own.hydrometer_meniscus_sg,
        )

    gravity = at(sample.sample_temperature_c)
    sd = math.hypot(HYDROMETER_SD_SG, _temperature_sd(gravity, at(sample.sample_temperature_c + 1.0)))
    return gravity, sd, f"corrected from {sample.sample_temperature_c:g} °C by {1000 * (gravity - reading):+.1f} points"


def _density_meter(sample: Sample, original_gravity_sg: float | None) -> tuple[float, float, str]:
    if sample.unit is Unit.SG:
        return sample.value, DENSITY_METER_SD_SG, "taken as the meter's own SG 20/20"
    if sample.unit is not Unit.G_PER_CM3:
        return sg_from_plato(sample.value), DENSITY_METER_SD_SG, "taken as the meter's own extract at 20 °C"
    temperature = sample.sample_temperature_c
    gravity = density_meter_gravity(sample.value, temperature, original_gravity_sg=original_gravity_sg)
    warmer = density_meter_gravity(sample.value, temperature + 1.0, original_gravity_sg=original_gravity_sg)
    sd = math.hypot(DENSITY_METER_SD_SG, 0.2 * _temperature_sd(gravity, warmer))  # its cell holds its temperature
    return gravity, sd, f"density at {temperature:g} °C brought to 20 °C"


def _refractometer(
    sample: Sample, original_gravity_sg: float | None, own: HandSettings
) -> tuple[float, float, float, str]:
    """Gravity, its uncertainty, how much it moves with the original gravity, and how it was corrected."""
    if sample.unit is Unit.G_PER_CM3:
        raise InputError(_place(sample), "a refractometer shows Brix, Plato or SG, not g/cm3; choose its unit")
    # An SG scale on a refractometer is its Brix scale through the sugar table: back through the same table.
    brix = plato_from_sg(sample.value) if sample.unit is Unit.SG else sample.value
    reading_sd = REFRACTOMETER_SD_BRIX
    if not own.refractometer_compensates:
        try:
            brix += temperature_correction_brix(brix, sample.sample_temperature_c)
        except OutOfDomain as error:
            raise InputError(_place(sample), f"{error}; let the drop reach room temperature") from error

    factor = own.wort_correction_factor
    low, middle, high = 1.040, TYPICAL_ORIGINAL_SG, 1.065
    original = middle if original_gravity_sg is None else original_gravity_sg
    now = fermented_gravity(brix, original, wort_correction_factor=factor)
    moved = fermented_gravity(brix + 0.1, original, wort_correction_factor=factor)
    per_brix = (moved.gravity_sg - now.gravity_sg) / 0.1
    reading_sd = math.hypot(reading_sd, brix * WORT_FACTOR_SD / factor)
    sd = math.hypot(now.spread_sg, per_brix * reading_sd)
    if not now.by_correlation:
        return now.gravity_sg, sd, 0.0, f"wort: divided by the wort correction factor {factor:g}"
    if original_gravity_sg is None:
        ends = [fermented_gravity(brix, og, wort_correction_factor=factor).gravity_sg for og in (low, high)]
        sd = math.hypot(sd, abs(ends[1] - ends[0]) / 2.0)
        return now.gravity_sg, sd, 0.0, "alcohol corrected with a typical original gravity: state the batch's own"
    heavier = fermented_gravity(brix, original + POINT_SG, wort_correction_factor=factor)
    by_original = (heavier.gravity_sg - now.gravity_sg) / POINT_SG
    note = "alcohol corrected by the median of six correlations, their spread in the uncertainty"
    return now.gravity_sg, sd, by_original, note


def _temperature_sd(gravity_sg: float, warmer_sg: float) -> float:
    return abs(warmer_sg - gravity_sg) * SAMPLE_TEMPERATURE_SD_C


def _refuse_wrong_field(sample: Sample) -> None:
    value, place = sample.value, _place(sample)
    temperature = sample.sample_temperature_c
    if temperature > WARMEST_SAMPLE_C:
        raise InputError(
            place,
            f"a sample at {temperature:g} °C is hotter than any fermenter; if that was °F enter "
            f"{celsius_from_fahrenheit(temperature):.1f}, otherwise let it cool below {WARMEST_SAMPLE_C:g} °C",
        )
    if sample.unit is Unit.SG:
        if 900.0 <= value <= 1250.0:
            raise InputError(place, f"SG {value:g} lacks its decimal point; enter {value / 1000:.3f}")
        if not 0.95 <= value <= 1.25:
            if 1.25 < value <= 45.0 or -2.0 <= value < 0.5:
                raise InputError(place, f"{value:g} is no SG; if that was Brix or °P choose that unit")
            raise InputError(place, f"{value:g} is no SG; a beer lies between 0.980 and 1.180")
    elif sample.unit is Unit.G_PER_CM3:
        if 900.0 <= value <= 1250.0:
            raise InputError(place, f"{value:g} g/cm3 looks like kg/m3; enter {value / 1000:.4f}")
        if not 0.95 <= value <= 1.25:
            raise InputError(place, f"{value:g} g/cm3 is no beer's density; if that was Brix or °P choose that unit")
    elif not -5.0 <= value <= 45.0:
        if 900.0 <= value <= 1250.0:
            raise InputError(place, f"{value:g} {sample.unit} looks like SG {value / 1000:.3f}; choose SG as the unit")
        raise InputError(place, f"{value:g} {sample.unit} is outside -5 to 45, what an instrument can show")


def _refuse_impossible(sample: Sample, gravity_sg: float) -> None:
    place = _place(sample)
    likely_sg = sample.unit in (Unit.BRIX, Unit.PLATO) and 0.98 <= sample.value <= 1.18
    if not LOWEST_GRAVITY_SG <= gravity_sg <= HIGHEST_GRAVITY_SG:
        remedy = f"if {sample.value:g} was SG choose that unit" if likely_sg else "check value, unit and temperature"
        raise InputError(
            place, f"gravity {gravity_sg:.4f} is outside {LOWEST_GRAVITY_SG:.3f} to {HIGHEST_GRAVITY_SG:.3f}; {remedy}"
        )


def _refuse_above(sample: Sample, gravity_sg: float, original_gravity_sg: float | None) -> None:
    if original_gravity_sg is not None and gravity_sg > original_gravity_sg + ABOVE_ORIGINAL_SG:
        raise AboveOriginal(
            _place(sample),
            f"gravity {gravity_sg:.4f} lies far above the original gravity {original_gravity_sg:.4f}; check the value, "
            "the unit, the batch and its original gravity, and declare an addition of sugar or fruit if there was one",
        )


def _place(sample: Sample) -> str:
    return f"{sample.instrument} sample of {sample.time:%Y-%m-%dT%H:%M:%SZ}"
