"""The filter: what it must do with any beer."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from calibration.curve import GravityReading
from fermentation import smooth
from fermentation.belief import cloud_of, decode_belief, encode_belief
from fermentation.estimate import Phase
from gylewatch.values import Addition
from tests.fermentation.brew import FINAL_POINTS, after, batch, gravity, hand, logistic_points, readings, run


def points(sg: float) -> float:
    return 1000.0 * (sg - 1.0)


def test_a_plain_fermentation_is_followed_within_a_point_and_ends_finished() -> None:
    taken = readings(200.0)

    _, estimates = run(smooth.start(batch()), taken)

    errors = [points(e.gravity_sg) - logistic_points((e.time - after(0)).total_seconds() / 3600) for e in estimates]
    assert float(np.median(np.abs(errors))) < 0.7
    assert estimates[-1].phase in (Phase.FINISHED, Phase.CONDITIONING)
    assert estimates[-1].forecast is not None
    assert points(estimates[-1].forecast.final_gravity_sg) == pytest.approx(FINAL_POINTS, abs=1.0)


def test_the_filter_is_causal() -> None:
    taken = readings(60.0)

    _, all_of_them = run(smooth.start(batch()), taken)
    _, first_half = run(smooth.start(batch()), taken[: len(taken) // 2])

    assert all_of_them[: len(first_half)] == first_half


def test_a_repeated_reading_changes_nothing() -> None:
    taken = readings(40.0)
    belief, _ = run(smooth.start(batch()), taken)

    again, estimate = smooth.step(belief, taken[-1])

    assert estimate is None
    assert encode_belief(again) == encode_belief(belief)


def test_a_restart_neither_jumps_nor_re_reads() -> None:
    taken = readings(80.0)
    belief, _ = run(smooth.start(batch()), taken[:200])

    restored = decode_belief(encode_belief(belief), batch())

    _, continued = run(belief, taken[200:])
    _, after_restart = run(restored, taken[200:])
    assert after_restart == continued


def test_damaged_stored_belief_is_refused() -> None:
    belief, _ = run(smooth.start(batch()), readings(5.0))
    stored = encode_belief(belief)

    with pytest.raises(ValueError, match="damaged"):
        decode_belief(stored[:-9], batch())
    with pytest.raises(ValueError, match="another version"):
        decode_belief(b"something else", batch())


@pytest.mark.parametrize("spoilt", ["mean", "covariance", "scatter", "modes"])
def test_a_stored_belief_that_cannot_be_gone_on_from_is_refused(spoilt: str) -> None:
    belief, _ = run(smooth.start(batch()), readings(5.0))
    cloud = cloud_of(belief)
    mean, covariance = cloud.mean.copy(), cloud.covariance.copy()
    mean[2, 7] = covariance[3, 3, 9] = math.nan
    beliefs = {
        "mean": replace(belief, cloud=replace(cloud, mean=mean)),
        "covariance": replace(belief, cloud=replace(cloud, covariance=covariance)),
        "scatter": replace(belief, noise_points=math.nan),
        "modes": replace(belief, modes_points=()),
    }

    with pytest.raises(ValueError, match="not a number, or is not of one piece"):
        decode_belief(encode_belief(beliefs[spoilt]), batch())


def test_a_hand_sample_re_anchors_the_estimate_at_once() -> None:
    reads_high = readings(120.0, lambda t: logistic_points(t) + 2.5)
    belief, estimates = run(smooth.start(batch(original_gravity_sg=None)), reads_high)
    before = abs(points(estimates[-1].gravity_sg) - logistic_points(120.0))

    _, estimate = smooth.observe_sample(belief, hand(120.0, logistic_points(120.0)))

    assert estimate is not None
    assert abs(points(estimate.gravity_sg) - logistic_points(120.0)) < 0.5 * before
    assert estimate.gravity_high_sg - estimate.gravity_low_sg < (
        estimates[-1].gravity_high_sg - estimates[-1].gravity_low_sg
    )


@pytest.mark.parametrize("minutes_before", [0.0, 4.0])
def test_a_reading_at_the_time_of_a_hand_sample_or_soon_after_it_is_used_once(minutes_before: float) -> None:
    belief, _ = run(smooth.start(batch()), readings(50.0))
    sampled, at_sample = smooth.observe_sample(belief, hand(50.0 - minutes_before / 60.0, logistic_points(50.0)))

    taken, estimate = smooth.step(sampled, gravity(50.0, logistic_points(50.0) + 2.0))
    _, by_lower = smooth.step(sampled, gravity(50.0, logistic_points(50.0) - 2.0))
    again, repeated = smooth.step(taken, gravity(50.0, logistic_points(50.0) + 2.0))

    assert estimate is not None
    assert at_sample is not None
    assert by_lower is not None
    assert estimate.time == after(50.0)
    assert estimate.gravity_sg > by_lower.gravity_sg
    assert repeated is None
    assert again == taken


def test_a_hand_sample_before_the_first_reading_is_not_lost() -> None:
    belief, none = smooth.observe_sample(smooth.start(batch(original_gravity_sg=None)), hand(1.0, 52.0))
    late_float = [one for one in readings(30.0, lambda t: logistic_points(t) - 3.0) if one.time > after(5.0)]

    _, with_sample = run(belief, late_float)
    _, without = run(smooth.start(batch(original_gravity_sg=None)), late_float)

    assert none is None
    assert points(with_sample[0].original_gravity_sg) == pytest.approx(52.0, abs=1.5)
    assert points(without[0].original_gravity_sg) < points(with_sample[0].original_gravity_sg)


def test_a_foam_hump_is_not_taken_for_gravity() -> None:
    def foamy(t: float) -> float:
        return logistic_points(t) + (4.0 if 26.0 < t < 70.0 else 0.0)

    _, estimates = run(smooth.start(batch()), readings(160.0, foamy))

    in_foam = [e for e in estimates if after(30.0) < e.time < after(66.0)]
    errors = [points(e.gravity_sg) - logistic_points((e.time - after(0)).total_seconds() / 3600) for e in in_foam]
    assert float(np.median(np.abs(errors))) < 3.3  # a filter without foam is off by 4
    assert points(estimates[-1].gravity_sg) == pytest.approx(FINAL_POINTS, abs=1.2)


def test_a_knock_for_good_after_the_finish_does_not_move_the_gravity_for_good() -> None:
    def knocked(t: float) -> float:
        return logistic_points(t) + (3.0 if t > 150.0 else 0.0)

    _, estimates = run(smooth.start(batch()), readings(200.0, knocked))

    assert points(estimates[-1].gravity_sg) == pytest.approx(FINAL_POINTS, abs=1.5)


@pytest.mark.parametrize("measured_sg", [None, 1.052])
def test_a_first_reading_of_no_wort_is_not_taken_for_the_original_gravity(measured_sg: float | None) -> None:
    """A float that lay on its side at first had the beer begin at 1.43, and end with 62 % of alcohol."""
    fresh = smooth.start(batch(original_gravity_sg=measured_sg))

    _, estimates = run(fresh, [gravity(0.1, 430.0), *readings(60.0)[1:]])

    assert estimates[0].time == after(0.25)
    assert points(estimates[-1].original_gravity_sg) == pytest.approx(52.0, abs=3.0)
    assert points(estimates[-1].gravity_sg) == pytest.approx(logistic_points(59.75), abs=2.0)


@pytest.mark.parametrize("wild_points", [112.0, 75.0, 20.0, -30.0])
def test_a_wild_first_packet_does_not_stay_the_original_gravity(wild_points: float) -> None:
    """Where none was measured it did: a beer that was said to begin at 1.112 ended 8 points too high."""
    fresh = smooth.start(batch(original_gravity_sg=None))

    _, estimates = run(fresh, [gravity(0.1, wild_points), *readings(90.0)[1:]])

    assert points(estimates[-1].original_gravity_sg) == pytest.approx(52.0, abs=2.0)
    assert points(estimates[-1].gravity_sg) == pytest.approx(logistic_points(90.0), abs=1.0)


def on_the_shelf(hours: float, points: float = 110.0) -> GravityReading:
    """A float that lies flat: an angle of which the curve knows nothing."""
    return replace(gravity(hours, points), angle_deg=86.0, sd_sg=0.15, modes_sg=(0.15,), in_range=False)


@pytest.mark.parametrize("measured_sg", [1.052, None])
@pytest.mark.parametrize("until_h", [0.2, 1.1])
def test_a_float_that_reports_before_it_is_put_in_tells_nothing_of_the_beer(
    until_h: float, measured_sg: float | None
) -> None:
    """It bent the curve: the beer was said to fall by a hundred points a day, and to have started."""
    in_beer = [each for each in readings(30.0) if each.time > after(until_h)]
    before = [on_the_shelf(hour) for hour in np.arange(0.0, until_h, 0.18).tolist()]

    _, estimates = run(smooth.start(batch(original_gravity_sg=measured_sg)), [*before, *in_beer])

    assert estimates[0].time == in_beer[0].time
    for each in estimates[8:]:
        at_h = (each.time - after(0)).total_seconds() / 3600
        assert points(each.gravity_sg) == pytest.approx(logistic_points(at_h), abs=3.0)


@pytest.mark.parametrize("points_shown", [105.0, 85.0])
def test_a_float_put_in_after_an_hour_does_not_leave_the_shelf_as_original_gravity(points_shown: float) -> None:
    shelf = [gravity(hour, points_shown) for hour in np.arange(0.0, 1.5, 0.18).tolist()]
    in_beer = [each for each in readings(90.0) if each.time > after(1.5)]

    _, estimates = run(smooth.start(batch(original_gravity_sg=None)), [*shelf, *in_beer])

    assert points(estimates[-1].original_gravity_sg) == pytest.approx(52.0, abs=2.0)


def test_a_packet_of_which_the_curve_knows_nothing_does_not_move_the_curve_s_errors() -> None:
    belief, _ = run(smooth.start(batch()), readings(30.0))

    moved, estimate = smooth.step(belief, on_the_shelf(30.0, 100.0))

    assert moved.modes_points == belief.modes_points
    assert estimate is not None
    assert points(estimate.gravity_sg) == pytest.approx(logistic_points(30.0), abs=2.0)


def test_a_belief_that_began_on_the_shelf_takes_the_curve_s_errors_from_the_first_reading_in_beer() -> None:
    late = [on_the_shelf(7.0), on_the_shelf(7.5), *[each for each in readings(12.0) if each.time >= after(8.0)]]

    belief, _ = run(smooth.start(batch()), late)

    assert belief.modes_points == pytest.approx((1.0,))


def test_a_belief_that_has_heard_a_hand_sample_does_not_begin_anew() -> None:
    fresh, _ = smooth.observe_sample(smooth.start(batch(original_gravity_sg=None)), hand(0.05, 52.0))

    belief, _ = run(fresh, [gravity(0.1, 75.0), *readings(3.0)[1:]])

    assert belief.first_points == pytest.approx(75.0)


def test_a_float_that_goes_on_to_show_what_no_wort_has_gets_an_estimate_that_can_be_doubted() -> None:
    _, estimates = run(smooth.start(batch()), [gravity(t, 430.0) for t in (5.0, 5.5, 6.0, 6.5)])

    assert [estimate.time for estimate in estimates] == [after(6.0), after(6.5)]


def test_a_wild_packet_hardly_moves_the_estimate() -> None:
    belief, estimates = run(smooth.start(batch()), readings(50.0))

    _, estimate = smooth.step(belief, gravity(50.25, logistic_points(50.25) + 40.0))

    assert estimate is not None
    assert abs(points(estimate.gravity_sg) - points(estimates[-1].gravity_sg)) < 0.6


def test_a_stop_half_way_is_a_stall_and_a_restart_ends_it() -> None:
    def stalls(t: float) -> float:
        return logistic_points(min(t, 36.0) + max(0.0, t - 110.0))

    _, estimates = run(smooth.start(batch()), readings(200.0, stalls))

    phases = {round((e.time - after(0)).total_seconds() / 3600): e.phase for e in estimates}
    assert phases[100] is Phase.STALLED
    assert phases[150] is not Phase.STALLED


def test_a_late_reading_gives_no_estimate_of_its_own() -> None:
    taken = readings(50.0)
    belief, _ = run(smooth.start(batch()), [*taken[:-4], *taken[-2:]])

    later, estimate = smooth.step(belief, taken[-3])

    assert estimate is None
    assert later.time == belief.time


def test_readings_every_second_are_joined_and_memory_stays_bounded() -> None:
    dense = readings(1.2, every_h=1 / 3600)

    belief, estimates = run(smooth.start(batch()), dense)

    assert 6 <= len(estimates) <= 9
    assert len(belief.pending.gravity_points) <= smooth.BIN_MEMBERS
    assert len(encode_belief(belief)) < 300_000


def test_a_declared_addition_may_raise_the_gravity() -> None:
    sugar = Addition(time=after(100.0), gravity_points=8.0, label="candy sugar")

    def sugared(t: float) -> float:
        return logistic_points(t) + (8.0 / (1.0 + np.exp(0.11 * (t - 130.0))) if t >= 100.0 else 0.0)

    _, estimates = run(smooth.start(batch(additions=(sugar,))), readings(220.0, sugared))

    right_after = next(e for e in estimates if e.time > after(103.0))
    assert points(right_after.gravity_sg) == pytest.approx(sugared(103.0), abs=2.5)
    assert points(estimates[-1].gravity_sg) == pytest.approx(FINAL_POINTS, abs=1.5)
    assert points(estimates[-1].original_gravity_sg) == pytest.approx(60.0, abs=2.0)


def test_nothing_is_estimated_from_before_pitching() -> None:
    belief = smooth.start(batch())

    again, estimate = smooth.step(belief, gravity(-2.0, 52.0))

    assert estimate is None
    assert again == belief


def test_a_forecast_is_never_worse_than_the_middle_of_the_yeasts_range_early_on() -> None:
    _, estimates = run(smooth.start(batch()), readings(12.0))

    forecast = estimates[-1].forecast
    assert forecast is not None
    middle_of_range = 52.0 * (1.0 - 0.77)
    assert points(forecast.final_gravity_sg) == pytest.approx(middle_of_range, abs=0.6)
    assert points(forecast.final_gravity_high_sg) - points(forecast.final_gravity_low_sg) > 2.0


def test_the_belief_carries_its_time_forward_only() -> None:
    belief, _ = run(smooth.start(batch()), readings(20.0))

    earlier, _ = smooth.step(belief, gravity(3.0, 50.0))

    assert earlier.time == belief.time
    assert replace(earlier, cloud=None).step >= belief.step


def test_no_step_draws_what_another_has_drawn() -> None:
    belief = smooth.start(batch())
    drawn = [
        smooth._generator(replace(belief, step=step), purpose).random(500)
        for step in range(3)
        for purpose in smooth.Purpose
    ]
    assert len(np.unique(np.concatenate(drawn))) == 3000


def test_two_samples_that_agree_outvote_the_float() -> None:
    belief, estimates = run(smooth.start(batch()), readings(110.0))
    calm = points(estimates[-1].gravity_sg)
    told = [calm]
    for minutes in (1, 2):
        belief, estimate = smooth.observe_sample(belief, hand(110.0 + minutes / 60.0, calm + 6.0))
        assert estimate is not None
        told.append(points(estimate.gravity_sg))

    # Alone it may be a slip of the pen.
    assert 0.5 < told[1] - calm < 4.5
    assert told[2] - calm > 4.5
    belief, later = run(belief, readings(134.0)[-96:])
    assert points(later[-1].gravity_sg) - calm > 3.5, "the float's further readings do not take it back"


def late_start(hours: float) -> float:
    """A lager: next to nothing for two days, then a logistic fall."""
    return logistic_points(hours, steepness_per_h=0.05, middle_h=120.0)


def rounded(taken: list[GravityReading], step_deg: float) -> list[GravityReading]:
    """What a float would report that rounds its angle."""
    out = []
    for each in taken:
        angle = round(each.angle_deg / step_deg) * step_deg
        out.append(replace(each, angle_deg=angle, gravity_sg=1.0 + (angle - 25.0) * 1.5 / 1000.0))
    return out


@pytest.mark.parametrize("every_h", [0.25, 1.0])
def test_a_quiet_float_in_a_beer_that_has_not_started_does_not_stick(every_h: float) -> None:
    belief, estimates = run(
        smooth.start(batch()), rounded(readings(48.0, late_start, every_h=every_h, noise_points=0.04), 0.1)
    )

    assert not belief.rocking.sticks
    for each in estimates:
        at_h = (each.time - after(0)).total_seconds() / 3600
        assert points(each.gravity_sg) == pytest.approx(late_start(at_h), abs=1.5)


def test_a_beer_that_stops_at_once_under_a_quiet_float_is_not_taken_for_a_float_that_sticks() -> None:
    def stalls(hours: float) -> float:
        return logistic_points(min(hours, 34.0))

    belief, estimates = run(smooth.start(batch()), readings(72.0, stalls, noise_points=0.1))

    assert not belief.rocking.sticks
    assert points(estimates[-1].gravity_sg) == pytest.approx(stalls(72.0), abs=1.5)


def test_a_misread_original_gravity_is_outvoted_by_a_float_that_is_sure() -> None:
    told = batch(original_gravity_sg=1.059)

    _, estimates = run(smooth.start(told), readings(12.0, lambda _: 52.0))

    # The curve's error is one point, a careful hydrometer's 1.2: seven points lie far beyond both.
    assert points(estimates[-1].gravity_sg) == pytest.approx(52.0, abs=1.2)
    assert points(estimates[-1].original_gravity_sg) == pytest.approx(52.0, abs=1.5)


@pytest.mark.parametrize("air_points", [3.0, -3.0])
def test_a_float_that_air_clings_to_at_first_does_not_mislead_for_days(air_points: float) -> None:
    """Its first hours were believed for two days: up to five points off while the float read right."""
    draw = np.random.default_rng(7)
    taken = [
        gravity(
            hour,
            logistic_points(hour, middle_h=60.0)
            + air_points * float(np.exp(-max(hour - 4.0, 0.0) / 5.0))
            + 0.4 * float(draw.standard_normal()),
        )
        for hour in np.arange(0.0, 60.0, 0.25).tolist()
    ]

    _, estimates = run(smooth.start(batch()), taken)

    for hour in (36, 48, 59):
        assert points(estimates[4 * hour].gravity_sg) == pytest.approx(
            logistic_points(float(hour), middle_h=60.0), abs=1.0
        )


def test_a_float_that_sticks_for_days_is_believed_in_the_end() -> None:
    before = readings(30.0)
    held = before[-1].gravity_sg
    stuck = [gravity(30.0 + 0.25 * i, points(held)) for i in range(480)]
    belief, _ = run(smooth.start(batch()), before)

    belief, estimates = run(belief, stuck)

    # Five days without a tremor are a beer that stands, or one that only a hand sample can tell from it.
    assert estimates[-1].gravity_high_sg > held - 0.001


def test_a_float_that_sticks_makes_no_probability_larger_than_one_and_no_scatter_larger_than_it_was() -> None:
    before = readings(30.0)
    stuck = [gravity(30.0 + 0.25 * i, before[-1].gravity_sg * 1000 - 1000) for i in range(80)]
    belief, _ = run(smooth.start(batch()), before)

    belief_after, estimates = run(belief, stuck)

    assert belief_after.rocking.sticks
    # The first hours it was not known to stick, and its scatter was followed.
    assert belief_after.noise_points <= 1.05 * belief.noise_points
    assert np.exp(cloud_of(belief_after).log_weight).sum() == pytest.approx(1.0)
    for each in estimates:
        assert max(each.probability_started, each.probability_still, each.probability_attenuated) <= 1.0


def test_a_float_that_sticks_in_a_beer_that_warms_is_not_believed_and_its_release_is_no_knock() -> None:
    before = readings(24.0, noise_points=0.15)
    at_h = 24.0 + 0.25 * np.arange(64)
    # The angle stands; what is reckoned from it drifts with the temperature.
    stuck = [
        replace(
            gravity(h, logistic_points(24.0) + 0.12 * (h - 24.0), temperature_c=19.0 + 0.4 * (h - 24.0)), angle_deg=50.0
        )
        for h in at_h.tolist()
    ]
    released = [each for each in readings(60.0, noise_points=0.15) if each.time > stuck[-1].time]
    belief, _ = run(smooth.start(batch()), before)

    belief, _ = run(belief, stuck)
    assert belief.rocking.sticks
    _, estimates = run(belief, released)

    after_h = next(each for each in estimates if each.time >= after(44.0))
    assert points(after_h.gravity_sg) == pytest.approx(logistic_points(44.0), abs=1.5)


def test_a_wild_packet_does_not_free_a_float_that_sticks() -> None:
    before = readings(26.0, noise_points=0.15)
    stuck = [gravity(26.0 + 0.25 * i, logistic_points(26.0)) for i in range(40)]
    stuck[20] = gravity(31.0, logistic_points(26.0) - 9.0)
    belief, _ = run(smooth.start(batch()), before)

    belief, estimates = run(belief, stuck)

    assert belief.rocking.sticks
    # The course goes on by itself, in ten hours in which the beer falls by ten points; the first three it was believed.
    assert points(estimates[-1].gravity_sg) == pytest.approx(logistic_points(35.75), abs=7.0)
    falls = np.diff([each.gravity_sg for each in estimates[8:]])
    assert falls.max() < 0.1e-3
