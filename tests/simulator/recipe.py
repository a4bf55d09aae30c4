"""What kind of brew is simulated: every choice as one value, drawn from a generator and open to overrides."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from tests.simulator.kinetics import FAMILIES


@dataclass(frozen=True, slots=True, kw_only=True)
class Style:
    """Ranges of one kind of beer; common practice, no source (compare the reference file on kinetics, section 6)."""

    share: float
    original_points: tuple[float, float]
    wanted_c: tuple[float, float]  # where the middle of the wanted range lies
    attenuation: tuple[float, float]  # where the middle of the yeast's range lies
    lag_h: tuple[float, float]
    half_h: tuple[float, float]  # tangent lag to half done, at the wanted temperature


STYLES: dict[str, Style] = {
    "ale": Style(
        share=0.38,
        original_points=(40, 60),
        wanted_c=(17, 21),
        attenuation=(0.71, 0.81),
        lag_h=(5, 24),
        half_h=(14, 38),
    ),
    "strong": Style(
        share=0.11,
        original_points=(68, 94),
        wanted_c=(17, 21),
        attenuation=(0.70, 0.80),
        lag_h=(8, 30),
        half_h=(28, 60),
    ),
    "lager": Style(
        share=0.17,
        original_points=(44, 58),
        wanted_c=(9, 13),
        attenuation=(0.72, 0.81),
        lag_h=(14, 36),
        half_h=(50, 100),
    ),
    "kveik": Style(
        share=0.09,
        original_points=(42, 66),
        wanted_c=(29, 37),
        attenuation=(0.73, 0.82),
        lag_h=(4, 9),
        half_h=(9, 18),
    ),
    "saison": Style(
        share=0.11,
        original_points=(42, 62),
        wanted_c=(21, 28),
        attenuation=(0.85, 0.95),
        lag_h=(6, 24),
        half_h=(24, 50),
    ),
    "slow": Style(
        share=0.08,
        original_points=(42, 62),
        wanted_c=(14, 18),
        attenuation=(0.70, 0.79),
        lag_h=(12, 36),
        half_h=(60, 110),
    ),
    "table": Style(
        share=0.06,
        original_points=(28, 38),
        wanted_c=(17, 21),
        attenuation=(0.66, 0.76),
        lag_h=(4, 18),
        half_h=(12, 28),
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """All the choices behind one brew. Fractions of the drop unless a unit is named."""

    style: str
    family: str
    original_gravity_sg: float
    expected_attenuation: tuple[float, float]
    attenuation: float  # apparent, true
    wanted_c: tuple[float, float]
    lag_h: float
    half_h: float
    tail_points: float  # of the drop that creeps at the end
    tail_days: float
    stall_at: float | None  # fraction of the drop at which it stops
    stall_is_cold: bool  # the stop comes with a fall in temperature
    stall_days: float | None  # None: for good
    rest_rise_c: float | None  # diacetyl rest
    crash: str  # none, planned, late, unplanned
    control: str  # steady, ripple, room
    failure: str  # none, heater, drift
    knows_original_gravity: bool
    krausen_points: float
    krausen_plateau_h: float
    krausen_ends_in_steps: bool
    base_noise_deg: float
    noise_freedom: float
    slosh_deg: float  # scatter at 20 points/day
    wobble_deg: float  # slowly wandering bubbles
    knocks: int
    sticks: int
    fouling_points: float  # by the end
    wild_share: float
    is_blundered: bool
    interval_min: float
    gaps: int
    repeats_and_delays: bool
    battery: str  # mains-like full, falling, dies, unreported
    samples: int
    sample_is_bad: bool
    adaptation_share: float  # of the lag in which nothing at all happens; the rest is slow growth
    added_points: float = 0.0  # sugar put in later; never drawn, for `simulate(seed, added_points=...)`
    added_at: float = 0.7  # fraction of the drop done by then
    added_is_weighed: bool = True  # the brewer knows how much it is


def _between(rng: Generator, ends: tuple[float, float]) -> float:
    return float(rng.uniform(*ends))


def log_uniform(rng: Generator, low: float, high: float) -> float:
    """Each doubling equally likely: small values are the usual ones."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _chance(rng: Generator, probability: float) -> bool:
    return bool(rng.random() < probability)


def _attenuation(style: Style, rng: Generator) -> tuple[tuple[float, float], float]:
    """The yeast's stated range and the true value: mostly inside, every seventh 1 to 3 % outside."""
    middle, half_width = _between(rng, style.attenuation), float(rng.choice([0.02, 0.025, 0.03, 0.04, 0.05]))
    low, high = round(middle - half_width, 2), round(middle + half_width, 2)
    true = float(np.clip(rng.normal(middle, 0.6 * half_width), low, high))
    if _chance(rng, 0.14):
        true = float(rng.choice([low - rng.uniform(0.005, 0.03), high + rng.uniform(0.005, 0.03)]))
    return (low, high), true


def draw_recipe(rng: Generator) -> Recipe:
    """A brew of random kind; every feature has its own probability."""
    names = list(STYLES)
    style_name = str(rng.choice(names, p=np.array([STYLES[name].share for name in names])))
    style = STYLES[style_name]
    expected, attenuation = _attenuation(style, rng)
    wanted_middle = round(_between(rng, style.wanted_c) * 2) / 2
    wanted_half = float(rng.choice([1.0, 1.25, 1.5, 2.0]))
    stalls = _chance(rng, 0.15)
    krausen = float(rng.choice([0.0, 1.0, -1.0], p=[0.4, 0.3, 0.3])) * float(1.0 + 5.0 * rng.beta(1.1, 2.3))
    cold = style_name == "lager"
    return Recipe(
        style=style_name,
        family=str(rng.choice(list(FAMILIES))),
        original_gravity_sg=1.0 + _between(rng, style.original_points) / 1000.0,
        expected_attenuation=expected,
        attenuation=attenuation,
        wanted_c=(wanted_middle - wanted_half, wanted_middle + wanted_half),
        lag_h=_between(rng, style.lag_h),
        half_h=_between(rng, style.half_h),
        tail_points=_between(rng, (2.0, 4.0)) if _chance(rng, 0.3) else _between(rng, (0.0, 0.8)),
        tail_days=_between(rng, (1.6, 3.4)),
        stall_at=_between(rng, (0.4, 0.8)) if stalls else None,
        stall_is_cold=_chance(rng, 0.5),
        stall_days=_between(rng, (1.0, 4.0)) if _chance(rng, 0.5) else None,
        rest_rise_c=_between(rng, (2.0, 5.0)) if _chance(rng, 0.6 if cold else 0.25) else None,
        crash=str(rng.choice(["none", "planned", "late", "unplanned"], p=[0.4, 0.45, 0.05, 0.1])),
        control=str(rng.choice(["steady", "ripple", "room"], p=[0.3, 0.5, 0.2])),
        failure=str(rng.choice(["none", "heater", "drift"], p=[0.84, 0.08, 0.08])) if not stalls else "none",
        knows_original_gravity=_chance(rng, 0.85),
        krausen_points=krausen,
        krausen_plateau_h=log_uniform(rng, 5.0, 72.0),
        krausen_ends_in_steps=_chance(rng, 0.5),
        base_noise_deg=log_uniform(rng, 0.1, 0.5),
        noise_freedom=_between(rng, (2.0, 4.0)),
        slosh_deg=_between(rng, (0.0, 0.6)),
        wobble_deg=_between(rng, (0.05, 0.3)) if _chance(rng, 0.4) else 0.0,
        knocks=int(rng.poisson(0.7)),
        sticks=int(rng.poisson(0.25)),
        fouling_points=_between(rng, (-0.5, 2.0)) if _chance(rng, 0.3) else 0.0,
        wild_share=_between(rng, (0.001, 0.008)) if _chance(rng, 0.3) else 0.0,
        is_blundered=_chance(rng, 0.1),
        interval_min=float(rng.choice([1, 5, 10, 15, 20, 30, 60], p=[0.02, 0.06, 0.1, 0.6, 0.06, 0.1, 0.06])),
        gaps=int(rng.poisson(0.6)),
        repeats_and_delays=_chance(rng, 0.4),
        battery=str(rng.choice(["full", "falling", "dies", "unreported"], p=[0.4, 0.35, 0.08, 0.17])),
        samples=int(rng.choice([0, 1, 2, 3, 4, 5], p=[0.4, 0.22, 0.16, 0.1, 0.07, 0.05])),
        sample_is_bad=_chance(rng, 0.08),
        adaptation_share=_between(rng, (0.3, 0.9)) if _chance(rng, 0.6) else 0.0,
    )
