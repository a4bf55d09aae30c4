"""The picture of an alert: from the store at the time of delivery, into a real mail."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, timedelta
from email.message import Message as Mail
from itertools import count
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from structlog.testing import capture_logs

from alerts.alert import Alert, Severity
from alerts.delivery.apprise_channel import AppriseChannel
from alerts.delivery.channel import trial_notice
from alerts.delivery.outbox import deliver_due
from alerts.delivery.picture import HEIGHT, WIDTH, Ink, Picture
from alerts.notice import Message, Notice, ServiceNotice
from gylewatch.alert_picture import SHOWN, alert_picture, picture_maker
from gylewatch.errors import DeliveryError
from gylewatch.values import BatchId, ProbeReading, VesselId
from storage.store import Store
from tests.alerts.test_picture import pixels
from tests.http_sink import HttpSink, http_sink
from tests.smtp_sink import SmtpSink, smtp_sink, text_of
from tests.web import brewery


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with brewery.open_store(tmp_path) as opened:
        yield opened


@pytest.fixture
def batch_id(store: Store) -> BatchId:
    return brewery.fill(store)


@pytest.fixture
def smtp() -> Iterator[SmtpSink]:
    with smtp_sink() as sink:
        yield sink


@pytest.fixture
def http() -> Iterator[HttpSink]:
    with http_sink() as sink:
        yield sink


def notice(batch_id: BatchId, alert: Alert | None = None) -> Notice:
    return Notice(batch_id=batch_id, batch_name="Harbour Pale", alert=alert or brewery.started())


def address(smtp: SmtpSink) -> str:
    return f"mailto://127.0.0.1:{smtp.port}/?from=gylewatch@example.org&to=brewer@example.org&mode=insecure"


def attached(mail: Mail) -> list[Mail]:
    return [part for part in mail.walk() if part.get_content_type() == "image/png"]


def test_a_mail_brings_the_gravity_of_the_last_days_and_says_what_it_shows(
    store: Store, batch_id: BatchId, smtp: SmtpSink
) -> None:
    alert = replace(brewery.started(), time=brewery.PITCHED + timedelta(hours=119))
    store.save_outcomes(batch_id, alerts=[alert], channels=["mail"])
    channel = AppriseChannel("mail", address(smtp), picture=picture_maker(store))

    done = deliver_due(store, {"mail": channel}, brewery.NOW)

    assert len(done.delivered) == 1
    (mail,) = smtp.messages
    (part,) = attached(mail)
    png = part.get_payload(decode=True)
    assert isinstance(png, bytes)
    sheet = pixels(png)
    assert sheet.shape == (HEIGHT, WIDTH)
    assert {Ink.GRAVITY, Ink.BAND, Ink.GRID} <= set(np.unique(sheet))
    assert len(png) < 10_000
    words = re.sub(r"\s+", " ", text_of(mail))
    assert "Picture: gravity with its 80 % interval, 2026-03-02 18:30 UTC to 2026-03-07 16:30 UTC: 1.05" in words
    assert f"{brewery.estimate(118).gravity_sg:.4f} at the end" in words
    assert "Level lines at 1.020 and 1.040, upright lines" in words


def test_times_and_midnights_are_those_of_the_channel_s_zone(store: Store, batch_id: BatchId) -> None:
    message = Notice(batch_id=batch_id, batch_name="Harbour Pale", alert=brewery.started())

    there, here = (alert_picture(store, message, zone) for zone in (ZoneInfo("Asia/Tokyo"), UTC))

    assert there is not None
    assert here is not None
    assert "2026-03-03 03:30 JST to 2026-03-08 01:30 JST" in there.caption
    ruled = [np.flatnonzero((pixels(each.png) == Ink.GRID).mean(axis=0) > 0.5) for each in (there, here)]
    assert [len(columns) for columns in ruled] == [5, 5]
    # Midnight comes nine hours earlier in Tokyo, or fifteen later, of 118 hours on the whole width.
    assert (ruled[0] - ruled[1]).tolist() == pytest.approx([15 / 118 * WIDTH] * 5, abs=2)


def test_what_concerns_the_temperature_shows_it_with_the_wanted_range_and_the_probe(
    store: Store, batch_id: BatchId
) -> None:
    heard = [
        ProbeReading(
            time=brewery.PITCHED + timedelta(hours=hour), probe="well", vessel=VesselId("FV1"), temperature_c=16.0
        )
        for hour in range(118)
        if not 80 < hour < 100
    ]
    store.append_probe_readings(heard)

    picture = alert_picture(store, notice(batch_id, brewery.too_warm()))

    assert picture is not None
    sheet = pixels(picture.png)
    assert {Ink.WARMTH, Ink.WANTED, Ink.PROBE} <= set(np.unique(sheet))
    assert Ink.GRAVITY not in sheet
    warm, probe = (np.flatnonzero(sheet[:, WIDTH // 2] == ink).mean() for ink in (Ink.WARMTH, Ink.PROBE))
    assert probe > warm  # 16 degrees lie below 19
    assert Ink.PROBE not in sheet[:, WIDTH * 90 // 118]  # it was silent then
    assert "black: probe well" in picture.caption
    assert "wanted range" in picture.caption
    assert re.search(r"Level lines at 18\.0, .*2\d\.0 and 2\d\.0 °C", picture.caption)


def test_only_the_last_days_are_shown(store: Store) -> None:
    batch_id = brewery.add_batch(store, brewery.harbour_pale())
    store.save_outcomes(batch_id, estimates=brewery.estimates(240, every_h=1.0))
    alert = replace(brewery.started(), time=brewery.PITCHED + timedelta(hours=240))

    picture = alert_picture(store, notice(batch_id, alert))

    assert picture is not None
    assert f"{(alert.time - SHOWN):%Y-%m-%d %H:%M UTC} to {alert.time:%Y-%m-%d %H:%M UTC}" in picture.caption


def test_no_line_is_drawn_across_hours_without_readings(store: Store) -> None:
    batch_id = brewery.add_batch(store, brewery.harbour_pale())
    rows = [
        each for each in brewery.estimates(100) if not 40 < (each.time - brewery.PITCHED).total_seconds() / 3600 < 60
    ]
    store.save_outcomes(batch_id, estimates=rows)

    picture = alert_picture(store, notice(batch_id))

    assert picture is not None
    sheet = pixels(picture.png)
    assert not (sheet[:, WIDTH // 2] == Ink.GRAVITY).any()
    assert (sheet[:, WIDTH // 4] == Ink.GRAVITY).any()


def test_a_single_estimate_makes_a_picture_too(store: Store) -> None:
    batch_id = brewery.add_batch(store, brewery.harbour_pale())
    store.save_outcomes(batch_id, estimates=[brewery.estimate(10)])

    assert alert_picture(store, notice(batch_id)) is not None


def test_a_trial_an_outage_and_a_batch_without_estimates_have_none(store: Store) -> None:
    empty = brewery.add_batch(store, brewery.harbour_pale())
    outage = ServiceNotice(time=brewery.NOW, cause="broker:b", severity=Severity.WARNING, title="Away", text="Away.")

    for message in (trial_notice(brewery.NOW), outage, notice(empty)):
        assert alert_picture(store, message) is None


def test_a_picture_that_cannot_be_made_does_not_stop_the_message(
    store: Store, batch_id: BatchId, smtp: SmtpSink
) -> None:
    store.save_outcomes(batch_id, alerts=[replace(brewery.started(), time=brewery.NOW)], channels=["mail"])
    channel = AppriseChannel("mail", address(smtp), picture=picture_maker(_Broken()))  # type: ignore[arg-type]
    done = deliver_due(store, {"mail": channel}, brewery.NOW)

    assert len(done.delivered) == 1
    (mail,) = smtp.messages
    assert attached(mail) == []
    assert "Picture" not in text_of(mail)


class _Broken:
    """A store that fails in a way that nobody foresaw."""

    def batch(self, _: BatchId) -> None:
        raise ZeroDivisionError


def test_a_service_that_refuses_pictures_gets_the_words_alone_from_then_on(batch_id: BatchId, http: HttpSink) -> None:
    asked: list[Message] = []

    def picture(message: Message) -> Picture:
        asked.append(message)
        return Picture(png=b"png", caption="Picture: a line.")

    channel = AppriseChannel("hook", f"json://127.0.0.1:{http.port}/hook", picture=picture)
    http.refusals = 1

    with capture_logs() as told:
        channel.deliver(notice(batch_id))
        channel.deliver(notice(batch_id))

    assert [post["attachments"] for post in http.posts] == [[], []]
    assert [line["channel"] for line in told] == ["hook"]
    assert all("Picture" not in post["message"] for post in http.posts)
    assert len(asked) == 1


def test_a_picture_that_is_not_answered_in_time_is_no_refusal(batch_id: BatchId, http: HttpSink) -> None:
    http.refusals = 1  # counts as slow: the channel's clock goes on by three seconds each time it is looked at
    channel = AppriseChannel(
        "hook",
        f"json://127.0.0.1:{http.port}/hook",
        picture=lambda _: Picture(png=b"png", caption="Picture: a line."),
        elapsed_s=count(0.0, 3.0).__next__,
    )

    with pytest.raises(DeliveryError) as slow:
        channel.deliver(notice(batch_id))
    attempts = http.attempts
    for _ in range(2):
        channel.deliver(notice(batch_id))

    assert slow.value.retry
    assert attempts == 1, "it may have shown the words"
    assert ["Picture" in post["message"] for post in http.posts] == [False, True]


def test_a_service_that_takes_pictures_gets_them_each_time(batch_id: BatchId, http: HttpSink) -> None:
    channel = AppriseChannel(
        "hook",
        f"json://127.0.0.1:{http.port}/hook",
        picture=lambda _: Picture(png=b"png", caption="Picture: a line."),
    )

    channel.deliver(notice(batch_id))
    channel.deliver(notice(batch_id))

    assert [len(post["attachments"]) for post in http.posts] == [1, 1]
    assert all("Picture: a line." in post["message"] for post in http.posts)


def test_a_service_that_takes_no_attachments_is_not_asked() -> None:
    def picture(_: Message) -> Picture:
        raise AssertionError("nobody could show it")

    channel = AppriseChannel("other", "gotify://127.0.0.1:9/atokenatoken", picture=picture)

    with pytest.raises(DeliveryError):
        channel.deliver(notice(BatchId("x")))
