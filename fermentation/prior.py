"""What is believed before the float has said anything: the yeast, the brewer and the trade."""

from __future__ import annotations

import numpy as np

from fermentation.belief import (
    FINAL,
    FOAM,
    HEAD,
    LOG_K,
    MODES,
    OFFSET,
    ORIGINAL,
    TAIL,
    THERMAL,
    BoolArray,
    Cloud,
    FloatArray,
    SingleArray,
    Z,
)
from fermentation.changes import HEAD_SD_POINTS, Renewal
from fermentation.kinetics import TAIL_HOURS, logit, shape_of
from fermentation.moves import Endings, Kinds
from gylewatch.units import points_from_sg
from gylewatch.values import Batch

PARTICLES = 240
# Half as many lose the right explanation by chance in one brew of twenty, and are a fifth quicker

MEASURED_ORIGINAL_SD_POINTS = 1.2
# A careful hydrometer reading of unfermented wort (common practice, no source)
MISREAD_SHARE, MISREAD_SD_POINTS = 0.05, 6.0
# One hydrometer reading in twenty is misread, undegassed or of wort that was not mixed (common practice, no source)
GUESSED_ORIGINAL_SD_POINTS = 8.0
# Without a measurement the first reading stands in for it; foam, a wrong curve and hours of lag included
ATTENUATION_SPILL = 0.014
# Standard deviation by which a healthy batch leaves the stated range: mash and yeast batch vary (common practice)
POOR_ATTENUATION_SHARE = 0.15
POOR_ATTENUATION_SD = 0.05
# Share of batches whose end is not governed by the yeast's range (odd mash, tired or wild yeast), and their spread

LOG_K_AT_20_C, LOG_K_PER_C, LOG_K_SD = float(np.log(0.12)), 0.075, 0.55
# Logistic steepness 0.08..0.25 /h for ales at 18..22 °C, 0.03..0.07 /h for lagers at 8..14 °C
# (ranges of the Yeast-14 literature, from memory; wide)
START_Z_MEAN, START_Z_SD, START_Z_LATEST = -6.5, 1.5, -4.8
# ln of the share fermented at pitching, which is next to none: with the k above the first point falls after 1 to 60 h,
# and half of the drop is done after 20-50 h (ale) or 40-100 h (lager)
LOCAL_Z_SD, LOCAL_LOG_K_SD = 0.4, 0.3
# The part of both spreads that each particle carries itself; the rest is spread over the particles
LOG_A_MEAN, LOG_A_SD = -0.35, 0.3
LOG_B_MEAN, LOG_B_SD = 0.0, 0.28
CREEPING_SHARE, CREEPING_POINTS, CREEPING_SD_POINTS = 0.3, 2.5, 1.0
BRISK_POINTS, BRISK_SD_POINTS = 0.3, 0.3
# Every third beer creeps through its last two to four points (common practice, no source)
LOG_TAIL_HOURS_SD = 0.4
# Some take half as long for it as others, some twice as long

FOAMY_SHARE = 0.7
ONSET = (0.02, 0.35)
# Progress at which a head begins to form, each doubling equally likely: between the first bubbles and the steepest part
UNSETTLED_SHARE, UNSETTLED_SD_POINTS = 0.1, 3.0
# Air from filling and pitching clings to one hull in ten, or lifts it as foam, for hours (common practice, no source)
THERMAL_SD_POINTS_PER_C = 0.05
START_OFFSET_SD_POINTS = 0.3


def seed_cloud(
    batch: Batch, first_points: float, temperature_c: float, modes: int, generator: np.random.Generator
) -> Cloud:
    """The cloud at pitching.

    Parameters
    ----------
    batch : what the brewer stated
    first_points : the first gravity heard, points above 1.000; stands in for an unmeasured original gravity
    temperature_c : of the beer at the first reading
    modes : number of error modes of the curve
    generator : source of the random draws
    """
    n = PARTICLES
    poor, creeping, foamy, misread, unsettled = (
        generator.permutation(n) < share * n
        for share in (POOR_ATTENUATION_SHARE, CREEPING_SHARE, FOAMY_SHARE, MISREAD_SHARE, UNSETTLED_SHARE)
    )
    draw = generator.standard_normal((5, n))
    mean, covariance = _seed_gravities(batch, first_points, modes, poor=poor, misread=misread)
    mean[Z] = np.minimum(START_Z_MEAN + np.sqrt(START_Z_SD**2 - LOCAL_Z_SD**2) * draw[0], START_Z_LATEST)
    mean[LOG_K] = LOG_K_AT_20_C + LOG_K_PER_C * (temperature_c - 20.0)
    mean[LOG_K] += np.sqrt(LOG_K_SD**2 - LOCAL_LOG_K_SD**2) * draw[1]
    covariance[Z, Z] = LOCAL_Z_SD**2
    covariance[LOG_K, LOG_K] = LOCAL_LOG_K_SD**2
    mean[TAIL] = np.where(creeping, CREEPING_POINTS, BRISK_POINTS)
    covariance[TAIL, TAIL] = np.where(creeping, CREEPING_SD_POINTS, BRISK_SD_POINTS) ** 2
    covariance[HEAD, HEAD] = HEAD_SD_POINTS**2
    covariance[FOAM, FOAM] = np.where(unsettled, UNSETTLED_SD_POINTS, 0.0) ** 2
    covariance[THERMAL, THERMAL] = THERMAL_SD_POINTS_PER_C**2
    covariance[OFFSET, OFFSET] = START_OFFSET_SD_POINTS**2
    for j in range(MODES, MODES + modes):
        covariance[j, j] = 1.0
    return Cloud(
        log_weight=np.full(n, -np.log(n)),
        shape=shape_of(np.exp(LOG_A_MEAN + LOG_A_SD * draw[2]), np.exp(LOG_B_MEAN + LOG_B_SD * draw[3])),
        foamy=foamy,
        onset=logit(ONSET[0] * (ONSET[1] / ONSET[0]) ** generator.random(n)),
        stalled=np.zeros(n, dtype=np.bool_),
        creeping=creeping,
        poor=poor,
        renewed=np.zeros(n, dtype=np.bool_),
        tail_left=np.ones(n),
        tail_hours=TAIL_HOURS * np.exp(LOG_TAIL_HOURS_SD * draw[4]),
        mean=mean,
        covariance=covariance,
    )


def renewal(batch: Batch, reference_c: float) -> Renewal:
    """What a hypothesis starts from whose end turned out to be a pause."""
    kept, kept_sd = _kept(batch)
    return Renewal(
        kept=kept,
        kept_sd=kept_sd,
        log_k=LOG_K_AT_20_C + LOG_K_PER_C * (reference_c - 20.0),
        log_k_sd=LOG_K_SD,
    )


def endings(batch: Batch, first_points: float) -> Endings:
    """The kinds of ending of a batch; `first_points` as in `seed_cloud`."""
    kept, kept_sd = _kept(batch)
    original, _ = _original(batch, first_points)
    return Endings(
        creep=Kinds(
            points=(BRISK_POINTS, CREEPING_POINTS),
            sd_points=(BRISK_SD_POINTS, CREEPING_SD_POINTS),
            share=CREEPING_SHARE,
        ),
        outcome=Kinds(
            points=(0.0, 0.0),
            sd_points=(original * kept_sd, original * POOR_ATTENUATION_SD),
            share=POOR_ATTENUATION_SHARE,
        ),
        kept=kept,
    )


def _original(batch: Batch, first_points: float) -> tuple[float, float]:
    """The original gravity in points and its standard deviation, before the float has said anything."""
    measured = batch.original_gravity_sg
    original = first_points if measured is None else points_from_sg(measured)
    return max(original, 8.0), GUESSED_ORIGINAL_SD_POINTS if measured is None else MEASURED_ORIGINAL_SD_POINTS


def log_likelihood_of_original(off_points: FloatArray) -> FloatArray:
    """(n,) of a measured original gravity that is so far off the true one, apart from a constant."""
    parts = ((1.0 - MISREAD_SHARE, MEASURED_ORIGINAL_SD_POINTS), (MISREAD_SHARE, MISREAD_SD_POINTS))
    likelihood = sum(share / sd * np.exp(-0.5 * (off_points / sd) ** 2) for share, sd in parts)
    logarithm: FloatArray = np.log(likelihood + 1e-12)  # else nothing, far off
    return logarithm


def _kept(batch: Batch) -> tuple[float, float]:
    """Final over original gravity of a healthy batch, and its standard deviation: the yeast's range as uniform."""
    low, high = batch.expected_attenuation
    return 1.0 - 0.5 * (low + high), float(np.hypot((high - low) / np.sqrt(12.0), ATTENUATION_SPILL))


def expected_final(batch: Batch, original: FloatArray, poor: BoolArray) -> tuple[FloatArray, FloatArray]:
    """(n,) final gravity in points that the yeast promises for an original gravity (n,), and (n,) its deviation."""
    kept, kept_sd = _kept(batch)
    return kept * original, np.where(poor, POOR_ATTENUATION_SD, kept_sd) * original


def _seed_gravities(
    batch: Batch, first_points: float, modes: int, *, poor: BoolArray, misread: BoolArray
) -> tuple[FloatArray, SingleArray]:
    n, m = len(poor), MODES + modes
    original, original_sd = _original(batch, first_points)
    variance = np.where(misread, max(original_sd, MISREAD_SD_POINTS), original_sd) ** 2
    kept, _ = _kept(batch)
    mean = np.zeros((m, n))
    mean[ORIGINAL] = original
    mean[FINAL], spread = expected_final(batch, mean[ORIGINAL], poor)
    covariance = np.zeros((m, m, n), dtype=np.float32)
    # final = original (1 - attenuation): the two are correlated through the original gravity
    covariance[ORIGINAL, ORIGINAL] = variance
    covariance[ORIGINAL, FINAL] = covariance[FINAL, ORIGINAL] = kept * variance
    covariance[FINAL, FINAL] = kept**2 * variance + spread**2
    return mean, covariance
