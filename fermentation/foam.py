"""A head of foam that breaks: the float falls back to the beer at once, wholly or by a part."""

from __future__ import annotations

from collections.abc import Callable
from math import expm1

import numpy as np

from fermentation.belief import FOAM, HEAD, Cloud, FloatArray
from fermentation.covariance import scale
from fermentation.evidence import FLOAT_SCATTER, Innovation, is_suspicious, log_likelihood, towards_state
from fermentation.kinetics import between
from gylewatch.copying import replace

BREAKS_PER_DAY = 0.3
BREAKS_AFTER_Z = 0.0
# A head stands one to three days beyond the steepest part of the curve (common practice, no source)
WHOLE_SHARE = 0.5
PARTS = (0.15, 0.85)
# Half of the breaks leave nothing; the rest take any part
DRAWN_TIMES, DRAWN_AT_MOST = 10.0, 0.9
LONGEST_DAYS = 30.0
# After so long a silence no head is left that could still break, nor any odds that one does not


def break_heads(
    cloud: Cloud, measured: Innovation, *, sd: float, days: float, draws: Callable[[], np.random.Generator]
) -> tuple[Cloud, Innovation]:
    """Let some heads break between the last reading and this one, where that explains a surprise.

    A break is drawn as often as it explains the reading, and weighted by how often it is believed (the optimal
    proposal: Doucet, Godsill and Andrieu, Stat. Comput. 10, 197-208, 2000), so the few particles hit upon it when it
    happens.

    Parameters
    ----------
    measured : what the reading says to `cloud`
    sd : of the reading, points
    days : since the last reading
    draws : gives the source of random numbers

    Returns
    -------
    the cloud, and what the reading says to it
    """
    able = cloud.foamy & (cloud.z > BREAKS_AFTER_Z)
    if days <= 0.0 or not able.any() or not is_suspicious(cloud, measured, sd):
        return cloud, measured
    chance = draws().random((3, len(able)))
    part = np.where(chance[0] < WHOLE_SHARE, 1.0, PARTS[0] + (PARTS[1] - PARTS[0]) * chance[1])
    broken = _broken(cloud, part)
    fallen = towards_state(broken, measured.surprise + part * cloud.mean[FOAM], measured.rows)
    gain = log_likelihood(fallen, sd, FLOAT_SCATTER) - log_likelihood(measured, sd, FLOAT_SCATTER)
    believed = -expm1(-BREAKS_PER_DAY * min(days, LONGEST_DAYS))
    odds = believed / (1.0 - believed) * np.exp(between(gain, -50.0, 50.0))
    likely = np.minimum(DRAWN_TIMES * odds / (1.0 + DRAWN_TIMES * odds), DRAWN_AT_MOST)
    drawn = able & (chance[2] < likely)
    correction = np.where(drawn, believed / np.maximum(likely, 1e-30), (1.0 - believed) / (1.0 - likely))
    cloud = replace(
        cloud,
        log_weight=cloud.log_weight + np.where(able, np.log(correction), 0.0),
        foamy=np.where(drawn, broken.foamy, cloud.foamy),
        mean=np.where(drawn, broken.mean, cloud.mean),
        covariance=np.where(drawn, broken.covariance, cloud.covariance),
    )
    return cloud, fallen.where(drawn, measured)


def _broken(cloud: Cloud, part: FloatArray) -> Cloud:
    """Every particle with that part (n,) of its foam gone."""
    mean, covariance = cloud.mean.copy(), cloud.covariance.copy()
    for one in (FOAM, HEAD):
        mean[one] *= 1.0 - part
        scale(covariance, one, 1.0 - part)
    return replace(cloud, mean=mean, covariance=covariance, foamy=cloud.foamy & (part < 1.0))
