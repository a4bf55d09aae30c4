"""Title and summary together, as a locked telephone shows them, and the summary alone, as the page does."""

from __future__ import annotations

import re

import pytest

from alerts.advice import ADVICE, ADVICE_ON_CAUSE, Advice, advice_on
from alerts.alert import Alert, Kind
from alerts.engine import Observation
from tests.alerts.scenario import Brew, at, constant, logistic_gravity, raised, ramp, resolved, run, scenario, until

STORIES = {
    "ordinary": scenario(),
    "stalled": scenario(gravity_sg=logistic_gravity(final=1.022)),
    "never started": scenario(gravity_sg=constant(1.052), length_h=90.0),
    "drifting": scenario(temperature_c=ramp(60, 19.2, 160, 22.5)),
    "too warm": scenario(temperature_c=until(60, constant(19.2), constant(23.5))),
    "silent": scenario(heard=lambda h: h < 60),
    "never heard": scenario(heard=lambda _h: False, length_h=20.0),
    "stuck": scenario(angle_deg=until(40, lambda h: 25.0 + (h * 4) % 2, constant(30.0))),
    "flat battery": scenario(battery_v=ramp(0, 3.9, 100, 3.3)),
    "misread": scenario(misfit_sigma=lambda h: 4.0 if h > 80 else 0.5),
    "impossible": scenario(gravity_sg=until(60, logistic_gravity(), constant(1.066)), length_h=90.0),
}
TOLD = [(story, alert) for story, brew in STORIES.items() for alert in raised(brew.run())]
FEW_WORDS = {"the", "has", "is", "of", "on", "in", "not", "will"}


def words(text: str) -> set[str]:
    return set(re.findall(r"[a-z]+", text.lower())) - FEW_WORDS


def test_the_stories_tell_every_kind() -> None:
    assert {alert.kind for _, alert in TOLD} == set(Kind)


@pytest.mark.parametrize(("story", "alert"), TOLD, ids=[f"{story}: {alert.kind}" for story, alert in TOLD])
def test_the_summary_says_more_than_the_title_above_it_and_gives_a_number(story: str, alert: Alert) -> None:
    title = words(advice_on(alert).title)

    assert not title <= words(alert.summary), f"{story}: {advice_on(alert).title} / {alert.summary}"
    assert re.search(r"\d", alert.summary)


@pytest.mark.parametrize(
    ("brew", "kind", "asks"),
    [
        # A float that still lies in the last beer, at 1.012, and one whose curve is off by eight points.
        (scenario(gravity_sg=constant(1.052), bias_points=constant(-40.0), length_h=12.0), "calibration-suspect", True),
        (scenario(gravity_sg=constant(1.052), bias_points=constant(-8.0), length_h=12.0), "calibration-suspect", False),
        (
            scenario(gravity_sg=until(60, logistic_gravity(), constant(0.98)), length_h=90.0),
            "gravity-implausible",
            True,
        ),
        (STORIES["impossible"], "gravity-implausible", False),
    ],
)
def test_a_float_that_shows_no_wort_is_looked_for_in_another_beer(brew: Brew, kind: str, *, asks: bool) -> None:
    (told,) = raised(brew.run(), Kind(kind))

    assert ("does it still lie in another one" in advice_on(told).next_step) is asks


@pytest.mark.parametrize(
    ("brew", "judgement"),
    [
        # 73.8 % of 74 to 80
        (scenario(gravity_sg=logistic_gravity(final=1.0136), final_sg=1.0134), "close to what is expected"),
        (scenario(), "as expected"),  # 76 %
        (scenario(gravity_sg=logistic_gravity(final=1.009)), "more than expected"),  # 83 %
    ],
)
def test_the_end_is_measured_by_what_is_expected_of_the_yeast(brew: Brew, judgement: str) -> None:
    (finished,) = raised(brew.run(), Kind.FERMENTATION_FINISHED)

    assert f"attenuation, {judgement} of this yeast" in finished.summary


@pytest.mark.parametrize("advice", [*ADVICE.values(), *ADVICE_ON_CAUSE.values()], ids=lambda advice: advice.title)
def test_the_title_of_an_end_cannot_be_taken_for_the_alert_itself(advice: Advice) -> None:
    """On a locked telephone "over: Fermentation has finished" says that the beer may be bottled."""
    assert " no longer " in advice.end_title
    assert advice.title.lower() not in advice.end_title.lower()


def test_a_beer_that_never_started_is_not_called_stalled_and_its_start_is_told_with_numbers() -> None:
    late = scenario(gravity_sg=logistic_gravity(middle_h=130.0), length_h=140.0).run()
    (never,), (end,) = raised(late, Kind.FERMENTATION_STALLED), resolved(late, Kind.FERMENTATION_STALLED)

    assert advice_on(never).title == "Fermentation has not started"
    assert "fresh, healthy yeast" in advice_on(never).next_step
    assert advice_on(end).end_title == "Fermentation has started after all"
    assert re.search(r"started after all, \d+ hours after pitching: the gravity falls by \d", end.summary)


def test_a_plateau_says_how_probable_it_is_that_the_yeast_is_done() -> None:
    (done,) = raised(scenario().run(), Kind.ATTENUATION_PLATEAU)
    (short,) = raised(
        scenario(gravity_sg=logistic_gravity(final=1.0135)).run(), Kind.ATTENUATION_PLATEAU
    )  # a little short of the yeast's range

    assert "with 95% probability where this yeast is expected to end" in done.summary
    assert 0.2 < float(short.evidence["probability_attenuated"] or 0) < 0.6
    assert f"with {short.evidence['probability_attenuated']:.0%} probability" in short.summary


def test_a_float_that_falls_silent_with_a_low_battery_is_told_with_it() -> None:
    flat = scenario(battery_v=ramp(0, 3.9, 60, 3.4), heard=lambda h: h < 70)
    full = scenario(heard=lambda h: h < 70)

    assert "its battery was low" in raised(flat.run(), Kind.FLOAT_SILENT)[0].summary
    assert "battery" not in raised(full.run(), Kind.FLOAT_SILENT)[0].summary


def test_a_drift_says_when_the_beer_leaves_its_range() -> None:
    drift = raised(STORIES["drifting"].run(), Kind.TEMPERATURE_DRIFT)[0]
    left_h = (20.5 - drift.evidence["temperature_c"]) / 0.033  # type: ignore[operator]  # 3.3 °C in 100 hours

    said = re.search(r"leaves the wanted 18 to 20.5 °C in about (\d+) hours", drift.summary)
    assert said is not None
    assert float(said[1]) == pytest.approx(left_h, rel=0.25)


@pytest.mark.parametrize(
    ("interval_h", "said"),
    [
        (1 / 3600, "second"),
        (20 / 3600, "20 seconds"),
        (1 / 60, "60 seconds"),
        (1 / 20, "3 minutes"),
        (0.5, "30 minutes"),
        (2.5, "2.5 hours"),
    ],
)
def test_a_silent_float_is_told_with_its_usual_interval_in_a_unit_that_suits_it(interval_h: float, said: str) -> None:
    few = scenario(interval_h=interval_h, heard=lambda h: h < 20 * interval_h, length_h=20 * interval_h, ticks=False)
    state, _ = run(few.settings, few.batch, few.observations())

    _, alerts = run(few.settings, few.batch, [Observation(time=at(80))], state)

    assert raised(alerts, Kind.FLOAT_SILENT)[0].summary.endswith(f"; it usually reports every {said}.")


def test_samples_that_contradict_a_float_are_told_with_both_gravities() -> None:
    suspect = raised(STORIES["misread"].run(), Kind.CALIBRATION_SUSPECT)[0]

    assert "it shows 1.0" in suspect.summary
    assert "with the samples 1.0" in suspect.summary
