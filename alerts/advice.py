"""What to do next, and what to beware of, for each kind of alert. Texts for people, no logic.

The cautions defer to local rules and licensed practice. The steps are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Final

from alerts.alert import Alert, Kind, Subject
from alerts.probe_rules import DISAGREE

AIR = (
    "Fermenting beer gives off carbon dioxide, which gathers low and unseen: a closed room needs air before and while "
    "someone is in it."
)
BOTTLES = (
    "Bottles filled too early can burst. Take hand readings two to three days apart, at the same temperature, and "
    "package only when they agree. Local rules and licensed practice decide."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """What a brewer can do about an alert."""

    title: str  # the kind in words
    end_title: str  # of its end, whatever the reason; "over: Fermentation has finished" would say the opposite
    next_step: str
    caution: str | None = None  # only where the work can hurt


ADVICE: Mapping[Kind, Advice] = MappingProxyType(
    {
        Kind.FERMENTATION_STARTED: Advice(
            title="Fermentation has started",
            end_title="Fermentation no longer counts as started",
            next_step="Keep the temperature steady; there is nothing else to do.",
            caution=AIR,
        ),
        Kind.FERMENTATION_FINISHED: Advice(
            title="Fermentation has finished",
            end_title="Fermentation no longer counts as finished",
            next_step="Draw a sample, measure it by hand, and measure again in two to three days before you package.",
            caution=f"{BOTTLES} {AIR}",
        ),
        Kind.ATTENUATION_PLATEAU: Advice(
            title="The gravity has stopped falling",
            end_title="The gravity no longer counts as steady",
            next_step="Wait for the verdict; a hand sample now would settle it soonest.",
            caution=f"A plateau is not yet the end. {BOTTLES}",
        ),
        Kind.FERMENTATION_STALLED: Advice(
            title="Fermentation has stalled",
            end_title="Fermentation no longer counts as stalled",
            next_step="Take a hand sample to be sure. If it agrees, warm the beer by one or two degrees within the "
            "yeast's range, enter that as a step of the plan (Change on its page, or gylewatch batch change) and "
            "rouse the yeast gently; if nothing moves within two days, consider fresh yeast.",
            caution=f"A stalled beer still holds sugar. {BOTTLES} {AIR}",
        ),
        Kind.TEMPERATURE_DRIFT: Advice(
            title="The temperature drifts",
            end_title="The temperature no longer drifts",
            next_step="Look at the controller, its probe, the door and the cooling or heating before the beer leaves "
            "its range. If you changed it on purpose, enter a step of the plan (Change on its page, or gylewatch batch "
            "change).",
        ),
        Kind.TEMPERATURE_OUT_OF_RANGE: Advice(
            title="The temperature is out of range",
            end_title="The temperature is no longer out of range",
            next_step="Check the cooling or heating and bring the beer back slowly, about one degree an hour or less. "
            "If you changed it on purpose, enter a step of the plan (Change on its page, or gylewatch batch change).",
            caution="Warming a closed vessel drives gas out of the beer: see that its airlock or relief valve is free.",
        ),
        Kind.FLOAT_SILENT: Advice(
            title="The float is silent",
            end_title="The float is no longer silent",
            next_step="Check the receiver first, then the float's battery and its distance; until it is heard, measure "
            "by hand.",
            caution="Open the fermenter only with clean hands and tools. " + AIR,
        ),
        Kind.FLOAT_STUCK: Advice(
            title="The float is stuck",
            end_title="The float no longer counts as stuck",
            next_step="Swirl the vessel gently: foam or the wall holds the float. If it stays stuck, sample by hand.",
            caution="Do not shake a vessel under pressure, and mind glass: a full carboy that slips cuts badly.",
        ),
        Kind.BATTERY_LOW: Advice(
            title="The battery is low",
            end_title="The battery is no longer low",
            next_step="Change or charge the battery after this batch, or plan hand samples for the rest of it.",
        ),
        Kind.BATTERY_WILL_NOT_LAST: Advice(
            title="The battery will not last",
            end_title="The battery is no longer expected to run out",
            next_step="Plan hand samples for the end of the batch, or change the battery now if the float can be "
            "reached cleanly.",
            caution=AIR,
        ),
        Kind.CALIBRATION_SUSPECT: Advice(
            title="The calibration is in doubt",
            end_title="The calibration is no longer in doubt",
            next_step="Degas and measure another hand sample; if it agrees with the last one, calibrate the float anew "
            "after the batch. Until then trust the samples.",
        ),
        Kind.GRAVITY_IMPLAUSIBLE: Advice(
            title="The gravity is implausible",
            end_title="The gravity is no longer implausible",
            next_step="Check that the float floats freely, that its calibration is the right one, and that additions "
            "have been entered (Change on its page, or gylewatch batch change). Take a hand sample.",
        ),
    }
)

ADVICE_ON_CAUSE: Mapping[Subject, Advice] = MappingProxyType(
    {
        Subject(Kind.CALIBRATION_SUSPECT, DISAGREE): Advice(
            title="Float and vessel probe disagree on the temperature",
            end_title="Float and vessel probe no longer disagree",
            next_step="Draw a sample and measure its temperature with a third thermometer. If the probe is off, see "
            "that it sits deep in its thermowell; if the float is off, look for yeast and hops on it. If both are "
            "right the beer lies in layers, as it may at rest and in the cold: let the middle of the beer decide.",
            caution=AIR,
        ),
    }
)
"""For the kinds that tell of several things."""


NEVER_STARTED: Final = Advice(
    title="Fermentation has not started",
    end_title="Fermentation has started after all",
    next_step="Take a hand sample: a float that sticks shows no start either. If the gravity has not fallen, bring the "
    "beer into its wanted range and pitch fresh, healthy yeast soon: wort that does not ferment spoils.",
    caution="Open the fermenter only with clean hands and tools. " + AIR,
)
"""A stall of another sort: what helps a beer that stopped does not help one that never began."""


ELSEWHERE_POINTS: Final = 15.0
"""So far below the original gravity no calibration errs; a beer that is done lies 30 points below its wort."""

_SEE_WHERE: Final = (
    "See first whether the float lies in this beer at all: does it still lie in another one, or in water? "
    "If it is where it should be, "
)

ELSEWHERE: Final[Mapping[Kind, Advice]] = MappingProxyType(
    {
        Kind.CALIBRATION_SUSPECT: replace(
            ADVICE[Kind.CALIBRATION_SUSPECT],
            next_step=f"{_SEE_WHERE}degas and measure a hand sample; if that agrees with the original gravity, "
            "calibrate the float anew after the batch, and trust samples until then.",
        ),
        Kind.GRAVITY_IMPLAUSIBLE: replace(
            ADVICE[Kind.GRAVITY_IMPLAUSIBLE],
            next_step=f"{_SEE_WHERE}check that it floats freely and that its calibration is the right one, and take a "
            "hand sample.",
        ),
    }
)
"""Where the float shows so little that it may not lie in this beer."""


def _lies_elsewhere(alert: Alert) -> bool:
    off, shown, original = (
        alert.evidence.get(name) for name in ("off_in_lag_points", "float_reads_sg", "original_gravity_sg")
    )
    if alert.kind is Kind.CALIBRATION_SUSPECT:
        return isinstance(off, int | float) and off <= -ELSEWHERE_POINTS
    if not isinstance(shown, int | float) or not isinstance(original, int | float):
        return False
    return alert.kind is Kind.GRAVITY_IMPLAUSIBLE and shown < original


def advice_on(alert: Alert) -> Advice:
    """What a brewer can do about `alert`, by its cause where that differs."""
    if alert.evidence.get("never_started") is True:
        return NEVER_STARTED
    if _lies_elsewhere(alert):
        return ELSEWHERE[alert.kind]
    return ADVICE_ON_CAUSE.get(alert.subject, ADVICE[alert.resolves or alert.kind])
