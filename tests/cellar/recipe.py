"""What is brewed: style, strength, yeast, and what goes wrong with it. Drawn before anything is measured."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

Span = tuple[float, float]


class Stall(StrEnum):
    NONE = "no stall"
    FOR_GOOD = "stalls for good"
    WARMED = "stalls until warmed"
    BY_ITSELF = "stalls and restarts by itself"


class Family(StrEnum):
    LOGISTIC = "logistic"
    ASYMMETRIC = "asymmetric logistic"
    GOMPERTZ = "Gompertz with lag"
    SUGARS = "three sugars and yeast"


@dataclass(frozen=True, slots=True, kw_only=True)
class Style:
    """Ranges common in the trade (common practice, no source)."""

    name: str
    share: float  # of all brews
    original_points: Span
    attenuation: Span  # apparent, fraction
    temperature_c: Span
    half_h: Span  # until half of the drop is done
    steepness: Span  # 1/h of the logistic
    slowness: float = 1.0  # of the foam


STYLES = (
    Style(
        name="pale ale",
        share=0.34,
        original_points=(42, 62),
        attenuation=(0.70, 0.84),
        temperature_c=(17.5, 21.5),
        half_h=(22, 44),
        steepness=(0.06, 0.12),
    ),
    Style(
        name="strong ale",
        share=0.10,
        original_points=(68, 98),
        attenuation=(0.68, 0.80),
        temperature_c=(18.0, 21.0),
        half_h=(30, 55),
        steepness=(0.045, 0.09),
    ),
    Style(
        name="wheat or farmhouse",
        share=0.14,
        original_points=(44, 62),
        attenuation=(0.74, 0.94),
        temperature_c=(19.0, 25.0),
        half_h=(20, 46),
        steepness=(0.05, 0.12),
    ),
    Style(
        name="lager",
        share=0.22,
        original_points=(43, 66),
        attenuation=(0.73, 0.82),
        temperature_c=(9.0, 13.0),
        half_h=(60, 105),
        steepness=(0.03, 0.06),
        slowness=2.4,
    ),
    Style(
        name="kveik",
        share=0.11,
        original_points=(45, 72),
        attenuation=(0.72, 0.82),
        temperature_c=(28.0, 37.0),
        half_h=(14, 26),
        steepness=(0.10, 0.20),
        slowness=0.7,
    ),
    Style(
        name="cider",
        share=0.09,
        original_points=(44, 62),
        attenuation=(0.95, 1.05),
        temperature_c=(15.0, 21.0),
        half_h=(50, 110),
        steepness=(0.025, 0.06),
        slowness=1.4,
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """One beer as nature has it; nothing here is known to the brewer but the wanted range and the yeast's range."""

    style: Style
    family: Family
    original_sg: float
    attenuation: float  # the yeast would reach it if nothing stopped it
    expected_attenuation: Span
    target_c: float
    wanted_c: Span
    in_room: bool  # the vessel stands in a room, without a jacket
    half_h: float
    steepness: float
    q10: float
    volume_l: float
    stall: Stall
    stall_at: float  # fraction of the drop
    stall_h: float  # until it restarts, or is warmed
    creep_points: float  # of the drop, taken slowly at the end
    creep_rate: float  # points/day
    rest: bool  # diacetyl rest
    crash: bool  # cold crash
    stay_h: float  # how long the beer is watched after its end
    watched_h: float  # or until when at most: some move the float to another beer early

    @property
    def drop_points(self) -> float:
        return 1000.0 * (self.original_sg - 1.0) * self.attenuation


def _stall(rng: np.random.Generator) -> Stall:
    return Stall(rng.choice([*Stall], p=[0.79, 0.09, 0.06, 0.06]))


def draw_recipe(rng: np.random.Generator) -> Recipe:
    """Draw a beer."""
    style = STYLES[int(rng.choice(len(STYLES), p=[each.share for each in STYLES]))]
    attenuation = float(rng.uniform(*style.attenuation))
    middle = attenuation + float(np.clip(rng.normal(0.0, 0.018), -0.045, 0.045))
    half = float(rng.uniform(0.025, 0.05))
    target = round(2.0 * float(rng.uniform(*style.temperature_c))) / 2.0
    in_room = style.name != "lager" and bool(rng.random() < 0.35)
    tolerance = float(rng.choice([1.0, 1.5, 2.0]))
    creeps = bool(rng.random() < 0.22)
    creep_rate = float(rng.uniform(0.3, 0.9)) if creeps else 0.0
    return Recipe(
        style=style,
        family=Family(rng.choice([*Family])),
        original_sg=1.0 + float(rng.uniform(*style.original_points)) / 1000.0,
        attenuation=attenuation,
        expected_attenuation=(round(middle - half, 2), round(middle + half, 2)),
        target_c=target,
        wanted_c=(target - tolerance, target + tolerance + (2.0 if in_room else 0.0)),
        in_room=in_room,
        half_h=float(rng.uniform(*style.half_h)),
        steepness=float(rng.uniform(*style.steepness)),
        q10=float(rng.uniform(1.4, 2.8)),
        volume_l=float(rng.choice([10.0, 19.0, 21.0, 23.0, 30.0, 50.0, 200.0])),
        stall=_stall(rng),
        stall_at=float(rng.uniform(0.45, 0.85)),
        stall_h=float(rng.uniform(30.0, 85.0)),
        creep_points=creep_rate * float(rng.uniform(3.0, 7.0)),
        creep_rate=creep_rate,
        rest=style.name == "lager" and bool(rng.random() < 0.6),
        crash=bool(rng.random() < 0.45),
        stay_h=float(rng.uniform(48.0, 150.0)),
        watched_h=float(rng.uniform(60.0, 140.0)) if rng.random() < 0.04 else 1e4,
    )
