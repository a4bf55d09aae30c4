"""A brewer beside the fermenter starts and changes a batch in a real browser: by thumb, by keyboard, without script."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page

from gylewatch.values import BatchId, VesselId
from storage.records import FloatRecord, VesselRecord
from storage.store import Store
from tests.browser import Watch, chromium, serving
from tests.web import brewery
from tests.web.test_browser import open_page

QUAY = BatchId("quay-stout")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as opened:
        yield opened


@contextmanager
def furnished(folder: Path) -> Iterator[tuple[str, Store]]:
    """The address of a brewery with a float and a vessel, and no batch."""
    with brewery.open_store(folder) as store:
        store.add_float(FloatRecord(float_id=brewery.HERON, created=brewery.PITCHED))
        store.add_vessel(VesselRecord(vessel_id=VesselId("FV1"), created=brewery.PITCHED))
        with serving(brewery.application(store)) as origin:
            yield origin, store


def fill(page: Page, **typed: str) -> None:
    for field, text in typed.items():
        page.locator(f"#{field}").fill(text)


def test_a_batch_is_started_with_the_thumb_and_its_times_are_the_viewer_s(browser: Browser, tmp_path: Path) -> None:
    with furnished(tmp_path) as (origin, store):
        page = open_page(browser, "phone")  # in Helsinki, two hours ahead of UTC
        watch = Watch(page)
        page.goto(origin)
        page.get_by_role("link", name="Start a batch").tap()
        fill(page, name="Quay Stout", volume="21", pitched="2026-03-02T20:30", original_gravity="1052")
        fill(page, attenuation_low="74", attenuation_high="80", temperature_low="18", temperature_high="20.5")
        page.get_by_text("Planned steps").tap()
        fill(page, plan_1_from="2026-03-09T10:00", plan_1_low="2", plan_1_high="5", plan_1_label="cold crash")

        page.get_by_role("button", name="Start the batch").tap()
        page.wait_for_selector("text=did you mean 1.052?")
        found = Axe().run(page)
        assert page.locator("#pitched").input_value() == "2026-03-02T20:30"
        assert page.locator("#plan_1_from").input_value() == "2026-03-09T10:00"
        fill(page, original_gravity="1.052")
        page.get_by_role("button", name="Start the batch").tap()
        page.wait_for_selector("text=The batch is watched from now on.")

        assert found.violations_count == 0, found.generate_report()
        batch = store.batch(QUAY).batch
        assert batch.pitched == datetime(2026, 3, 2, 18, 30, tzinfo=UTC)
        assert [step.start for step in batch.plan] == [datetime(2026, 3, 9, 8, 0, tzinfo=UTC)]
        assert [told for told in watch.complaints if "422 (Unprocessable Entity)" not in told] == []
        page.context.close()


def test_a_batch_is_started_with_the_keyboard_alone_and_without_script(browser: Browser, tmp_path: Path) -> None:
    with furnished(tmp_path) as (origin, store):
        page = open_page(browser, "desk", java_script_enabled=False)
        page.goto(f"{origin}/start")
        page.get_by_label("Name of the beer").focus()
        for text in ("Quay Stout", "21"):
            page.keyboard.type(text)
            page.keyboard.press("Tab")
        page.locator("#attenuation_low").focus()
        for text in ("74", "80", "18", "20.5"):
            page.keyboard.type(text)
            page.keyboard.press("Tab")
        page.get_by_label("Or a new vessel, by its name").focus()
        page.keyboard.type("FV2")

        page.keyboard.press("Enter")

        assert "The batch is watched from now on." in page.locator(".saved").inner_text()
        batch = store.batch(QUAY).batch
        assert (batch.vessel, batch.float_id, batch.pitched) == ("FV2", "heron", brewery.NOW)
        page.context.close()


@pytest.mark.parametrize("script", [True, False], ids=["with script", "without script"])
def test_a_form_that_is_sent_back_as_it_was_opened_changes_nothing(
    browser: Browser, tmp_path: Path, *, script: bool
) -> None:
    with brewery.open_store(tmp_path) as store:
        batch_id = brewery.fill(store)
        before = store.batch(batch_id)
        with serving(brewery.application(store)) as origin:
            page = open_page(browser, "phone", java_script_enabled=script)
            page.goto(f"{origin}/batches/{batch_id}")
            page.get_by_role("link", name="Change").tap()
            page.get_by_role("button", name="Keep the change").tap()

            assert "Nothing was changed." in page.locator(".saved").inner_text()
            assert store.batch(batch_id) == before
            page.context.close()


def test_a_time_that_the_clocks_show_twice_stays_what_it_was(browser: Browser, tmp_path: Path) -> None:
    with brewery.open_store(tmp_path) as store:
        batch_id = brewery.fill(store)
        pitched = datetime(2025, 10, 26, 1, 30, tzinfo=UTC)  # in Helsinki half past three, for the second time
        entered = store.batch(batch_id)
        before = store.replace_batch(entered, replace(entered.batch, pitched=pitched))
        with serving(brewery.application(store)) as origin:
            page = open_page(browser, "phone")
            page.goto(f"{origin}/batches/{batch_id}/change")
            page.get_by_role("button", name="Keep the change").tap()
            page.wait_for_selector("text=Nothing was changed.")

            assert store.batch(batch_id) == before
            page.context.close()


@pytest.mark.parametrize("script", [True, False], ids=["with script", "without script"])
def test_a_batch_is_ended_and_reopened_with_the_thumb(browser: Browser, tmp_path: Path, *, script: bool) -> None:
    with brewery.open_store(tmp_path) as store:
        batch_id = brewery.fill(store)
        with serving(brewery.application(store)) as origin:
            page = open_page(browser, "phone", java_script_enabled=script)  # in Helsinki, two hours ahead of UTC
            page.goto(f"{origin}/batches/{batch_id}")
            page.get_by_role("link", name="End", exact=True).tap()
            page.get_by_role("link", name="Go on watching it").tap()
            assert store.batch(batch_id).ended is None
            page.get_by_role("link", name="End", exact=True).tap()
            page.get_by_label("Packaged").fill("2026-03-08T12:15" if script else "2026-03-08T10:15")

            page.get_by_role("button", name="End the batch").tap()
            page.wait_for_selector("text=The batch has ended")
            ended = store.batch(batch_id).ended
            page.get_by_role("link", name="Reopen").tap()
            page.get_by_role("button", name="Reopen the batch").tap()
            page.wait_for_selector("text=The batch is watched again.")

            assert ended == datetime(2026, 3, 8, 10, 15, tzinfo=UTC)
            assert store.batch(batch_id).ended is None
            page.context.close()
