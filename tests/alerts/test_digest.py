"""The daily summary says for each batch what is believed, with its interval, and what is open."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from zoneinfo import ZoneInfo

from alerts.alert import Kind, Severity
from alerts.delivery.channel import body, title
from alerts.delivery.digest import BatchSummary, daily_summary
from alerts.notice import ServiceNotice
from fermentation.estimate import Phase
from tests.storage.examples import alert, at, estimate, without_strength_intervals

VIENNA = ZoneInfo("Europe/Vienna")


def summary_of(*batches: BatchSummary, minutes: float = 60, outages: tuple[ServiceNotice, ...] = ()) -> ServiceNotice:
    found = daily_summary("phone", batches, outages, slot=at(minutes), zone=VIENNA)
    assert found is not None
    return found


def test_a_batch_is_told_with_interval_rate_phase_forecast_and_open_alerts() -> None:
    summary = summary_of(BatchSummary(name="Harbour Pale", estimate=estimate(0), open_alerts=(alert(1),)))

    assert title(summary) == "Today: 1 batch, no open warnings"
    # 9000 minutes after 2 March 18:30 UTC is 9 March 00:30 UTC (arithmetic), 01:30 in Vienna: to the hour, two.
    assert body(summary).splitlines() == [
        "Harbour Pale",
        "fermenting: gravity 1.0312 (1.0295 to 1.0330), falls by 7.1 points a day",
        "attenuation 40 % (37 to 44), 2.7 % (2.5 to 3.0) alcohol by volume, 19.1 °C",
        "expected to end at 1.0118 (1.0101 to 1.0137), about Mon 09 Mar 02:00",
        "info since Mon 02 Mar 19:31: The gravity falls: 3.1 points since pitching.",
    ]


def test_an_estimate_from_before_attenuation_and_alcohol_had_an_interval_is_told_without() -> None:
    batch = BatchSummary(name="Harbour Pale", estimate=without_strength_intervals(estimate(0)))

    told = body(summary_of(batch))

    assert "\nattenuation 40 %, 2.7 % alcohol by volume, 19.1 °C\n" in told


def test_a_finish_is_told_with_its_interval() -> None:
    forecast = estimate(0).forecast
    assert forecast is not None
    wide = replace(estimate(0), forecast=replace(forecast, finish_low=at(8400), finish_high=at(10_200)))

    # 10 hours before and 20 after: 15:30 and 21:30 in Vienna, to the hour.
    assert "about Mon 09 Mar 02:00 (Sun 08 Mar 16:00 to Mon 09 Mar 22:00)" in body(
        summary_of(BatchSummary(name="Harbour Pale", estimate=wide))
    )


def test_a_finish_is_told_to_the_full_hour_of_the_clock_on_the_wall() -> None:
    # 9000 minutes after 2 March 18:30 UTC is 9 March 00:30 UTC, 06:15 in Kathmandu (+05:45): six.
    kathmandu = ZoneInfo("Asia/Kathmandu")
    batches = (BatchSummary(name="Harbour Pale", estimate=estimate(0)),)

    summary = daily_summary("phone", batches, (), slot=at(60), zone=kathmandu)

    assert summary is not None
    assert "about Mon 09 Mar 06:00" in body(summary)


def test_a_beer_that_looks_finished_is_at_rest_until_finished_is_told() -> None:
    still = replace(estimate(0), phase=Phase.FINISHED)
    told = replace(alert(1), kind=Kind.FERMENTATION_FINISHED)

    before = summary_of(BatchSummary(name="Harbour Pale", estimate=still, open_alerts=(alert(1),)))
    after = summary_of(BatchSummary(name="Harbour Pale", estimate=still, open_alerts=(told,)))

    assert "\nat rest: gravity" in body(before)
    assert "\nfinished: gravity" in body(after)


def test_the_title_counts_what_asks_for_a_person() -> None:
    warm = replace(alert(1, Kind.TEMPERATURE_OUT_OF_RANGE), severity=Severity.WARNING)
    pale = BatchSummary(name="Harbour Pale", estimate=estimate(0), open_alerts=(alert(1), warm))

    assert title(summary_of(pale, BatchSummary(name="Dark One", estimate=None))) == "Today: 2 batches, 1 open warning"


def test_a_start_is_news_for_a_day_and_what_is_merely_to_know_until_it_is_seen() -> None:
    begun = replace(alert(0), summary="It has begun.")
    warm = replace(alert(0, Kind.TEMPERATURE_OUT_OF_RANGE), severity=Severity.WARNING, summary="It is warm.")
    level = replace(alert(0, Kind.ATTENUATION_PLATEAU), summary="It is level.")
    unseen = BatchSummary(name="Harbour Pale", estimate=None, open_alerts=(begun, level, warm))
    seen = replace(unseen, seen=frozenset({level.subject, warm.subject}))

    first, second = (body(summary_of(unseen, minutes=minutes)) for minutes in (1440, 1441))

    assert "It has begun." in first
    assert "It has begun." not in second
    assert "It is level." in second
    assert "It is level." not in body(summary_of(seen))
    assert "It is warm." in body(summary_of(seen))


def test_a_finish_that_lies_behind_is_not_expected() -> None:
    summary = summary_of(BatchSummary(name="Harbour Pale", estimate=estimate(0)), minutes=9001)

    assert "expected to end at 1.0118 (1.0101 to 1.0137)\n" in body(summary)


def test_old_numbers_do_not_pass_for_todays() -> None:
    summary = summary_of(BatchSummary(name="Harbour Pale", estimate=estimate(0)), minutes=13 * 60)

    assert "as of Mon 02 Mar 19:30; nothing newer was heard" in body(summary)


def test_a_batch_that_is_not_heard_yet_and_an_outage_are_told() -> None:
    outage = ServiceNotice(
        time=at(0), cause="radio", severity=Severity.WARNING, title="No readings over Bluetooth", text=""
    )

    summary = summary_of(BatchSummary(name="Dark One", estimate=None), outages=(outage,))

    assert "Dark One\nnothing heard yet" in body(summary)
    assert "Since Mon 02 Mar 19:30: No readings over Bluetooth." in body(summary)


def test_without_an_active_batch_there_is_no_summary() -> None:
    assert daily_summary("phone", [], [], slot=at(0) + timedelta(days=1), zone=VIENNA) is None
