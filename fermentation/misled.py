"""A hand sample far from the belief: perhaps the float is off for good, and has been all along."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from fermentation.belief import FOAM, HEAD, MODES, OFFSET, ORIGINAL, SHORT, THERMAL, Cloud
from fermentation.covariance import widened
from fermentation.evidence import SAMPLE_SCATTER, Innovation, is_suspicious, log_likelihood, towards_state
from fermentation.kinetics import between
from fermentation.prior import log_likelihood_of_original
from gylewatch.copying import replace

CHANCE, SD_POINTS = 0.1, 6.0
# A hull that was cleaned, opened or put together anew since it was calibrated, solutions that were off, another float's
# curve: such an error has no bounds that an hour of readings could show (common practice, no source)
LIKELY = (0.02, 0.9)


def allow_lasting(
    cloud: Cloud,
    measured: Innovation,
    *,
    sd: float,
    by_original: float,
    original_points: float | None,
    draws: Callable[[], np.random.Generator],
) -> tuple[Cloud, Innovation]:
    """Let some particles hold that the float's lasting offset is not what they thought, where that explains a sample.

    The offset moves, and the gravity by as much the other way, so that such a particle goes on to expect what the float
    reads; otherwise each further reading would argue the sample away. Drawn as often as it explains the sample and
    weighted by how often it is believed, as in `fermentation.foam`.

    A measured original gravity that the float contradicted is heard once more: it was taken for a misreading only
    because the float was trusted. Where the offset brings the original gravity back to it, two measurements speak for
    the offset.

    Parameters
    ----------
    measured : what the sample says to `cloud`
    sd : of the sample, points
    by_original : points by which the sample would move for one more of the original gravity
    original_points : the original gravity as it was measured; None: it was not, or is another since
    draws : gives the source of random numbers

    Returns
    -------
    the cloud, and what the sample says to it
    """
    if not is_suspicious(cloud, measured, sd):
        return cloud, measured
    direction = measured.towards / np.maximum(measured.variance, 1e-6)  # what is measured moves by one
    direction[[THERMAL, FOAM, HEAD, SHORT]] = direction[MODES:] = 0.0
    direction[OFFSET] = -1.0 - by_original * direction[ORIGINAL]
    wide = replace(cloud, covariance=widened(cloud.covariance, direction, SD_POINTS**2))
    found = towards_state(wide, measured.surprise, measured.rows)
    gain = log_likelihood(found, sd, SAMPLE_SCATTER) - log_likelihood(measured, sd, SAMPLE_SCATTER)
    heard = np.zeros_like(gain)
    if original_points is not None:
        moved = direction[ORIGINAL] * measured.surprise * SD_POINTS**2 / (found.variance + sd**2)
        off = cloud.mean[ORIGINAL] - original_points
        heard = log_likelihood_of_original(off + moved) - log_likelihood_of_original(off)
    odds = CHANCE / (1.0 - CHANCE) * np.exp(between(gain + heard, -50.0, 50.0))
    likely = between(odds / (1.0 + odds), *LIKELY)
    drawn = draws().random(len(likely)) < likely
    correction = np.where(drawn, CHANCE / likely, (1.0 - CHANCE) / (1.0 - likely))
    cloud = replace(
        cloud,
        log_weight=cloud.log_weight + np.log(correction) + np.where(drawn, heard, 0.0),
        covariance=np.where(drawn, wide.covariance, cloud.covariance),
    )
    return cloud, found.where(drawn, measured)
