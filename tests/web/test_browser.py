"""The pages in a real browser, on a phone and on a desk, in light and in dark."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page

from alerts.alert import Alert, Kind
from calibration import session as sessions
from calibration.fit import fit_curve
from calibration.settling import settling
from collector.packet import Reason, Rejected, Source
from gylewatch.values import Addition, BatchId, FloatId, Reference
from storage.records import FloatRecord
from storage.store import Store
from tests.browser import DESKTOP, PHONE, Watch, chromium, serving
from tests.eventually import eventually
from tests.web import brewery
from tests.web.bench_data import ANGLES_DEG, GRAVITIES_SG, swim
from web.trial import ChannelTrial

SCREENS = {"phone": PHONE, "desk": DESKTOP}
WREN = FloatId("wren")
HOUR = timedelta(hours=1)
PLACES = (
    "/",
    "/start",
    "/batches/harbour-pale",
    "/batches/harbour-pale/change",
    "/batches/harbour-pale/end",
    "/batches/old-ale",
    "/batches/old-ale/end",
    "/batches/old-ale/reopen",
    "/batches/older-ale/reopen",
    "/batches/quay-stout",
    "/batches/harbour-pale/compare",
    "/batches/quay-stout/compare",
    "/batches/harbour-pale/ledger",
    "/batches/quay-stout/ledger?jar_ml=0",
    "/batches/harbour-pale/samples/1/withdraw",
    "/service",
    "/batches/harbour-pale/remove",
    "/batches/old-ale/remove",
    "/floats/heron/rename",
    "/vessels/FV1/rename",
    "/vessels/FV1/rename?was=FV9",
    "/floats/heron/calibration",
    "/floats/lark/calibration",
    "/floats/wren/calibration?place=4",
    "/batches/nowhere",
)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as opened:
        yield opened


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Store, BatchId]]:
    directory: Path = tmp_path_factory.mktemp("site")
    with brewery.open_store(directory) as store:
        batch_id = brewery.fill(store)
        brewery.add_batch(store, brewery.harbour_pale("Quay Stout", "curlew", "FV2"))
        for name, vessel in (("Older Ale", "FV3"), ("Old Ale", "FV4")):
            ended = brewery.add_batch(store, brewery.harbour_pale(name, "avocet", vessel))
            store.end_batch(ended, brewery.NOW - (HOUR if name == "Old Ale" else 2 * HOUR))
        furnish_bench(store)
        values = {"angle_deg": 40.5, "temperature_c": 19.0, "battery_v": 3.0}
        store.heard("AA:BB:CC:DD:EE:FF", source="ble", time=brewery.NOW, rssi_dbm=-71, packets=9, values=values)
        store.append_rejected([refused()])
        store.heard("magpie", source="mqtt", time=brewery.NOW, rssi_dbm=None, values={})
        trials = (ChannelTrial(channel="phone", problem=None), ChannelTrial(channel="mail", problem="no such mailbox"))
        with serving(brewery.application(store, try_channels=lambda: trials)) as origin:
            yield origin, store, batch_id


def refused() -> Rejected:
    """A packet refused, with words that have no place to break."""
    return Rejected(
        received=brewery.NOW,
        source=Source.MQTT,
        origin="x" * 90,
        reason=Reason.MALFORMED,
        detail="the text is no JSON: " + "{" * 60,
        payload=b"{",
    )


def furnish_bench(store: Store) -> None:
    """Heron has a curve with a point that is not used, wren lies in its last solution."""
    for name in ("wren", "lark"):
        store.add_float(FloatRecord(float_id=FloatId(name), created=brewery.PITCHED))
    points = [
        Reference(float_id=brewery.HERON, angle_deg=angle, gravity_sg=gravity, temperature_c=20.0)
        for gravity, angle in [*ANGLES_DEG.items(), (1.030, 58.0)]
    ]
    store.add_curve(fit_curve(points), points, who="Ada", note="", created=brewery.PITCHED)
    session = sessions.begin(WREN, GRAVITIES_SG, begun=brewery.PITCHED)
    for place, gravity in enumerate(GRAVITIES_SG[:3], start=1):
        time = brewery.PITCHED + timedelta(minutes=5 * place)
        swim(store, WREN, time, ANGLES_DEG[gravity])
        rest = settling(store.readings(WREN, since=time - timedelta(minutes=2)))
        session = sessions.take(session, place, rest, taken=time)
    store.keep_calibration(session)


def open_page(browser: Browser, screen: str, scheme: str = "light", **options: Any) -> Page:
    settings = SCREENS[screen] | {"timezone_id": "Europe/Helsinki", "locale": "en-GB"} | options
    page = browser.new_context(color_scheme=scheme, **settings).new_page()  # type: ignore[arg-type]
    page.set_default_timeout(15_000)
    return page


def show_chart(page: Page, origin: str, batch_id: BatchId) -> None:
    page.goto(f"{origin}/batches/{batch_id}")
    page.wait_for_selector(".chart.drawn canvas")
    eventually("the chart says its last values", lambda: page.locator(".readout").inner_text())


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("screen", SCREENS)
@pytest.mark.parametrize("place", PLACES)
def test_axe_finds_nothing_and_nothing_is_wider_than_the_screen(
    browser: Browser, site: tuple[str, Store, BatchId], place: str, screen: str, scheme: str
) -> None:
    page = open_page(browser, screen, scheme)

    page.goto(site[0] + place)
    if place == "/batches/harbour-pale":
        page.wait_for_selector(".chart.drawn canvas")

    page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    cut_off = "[...document.querySelectorAll('.scroll')].filter((each) => each.scrollWidth > each.clientWidth)"
    assert page.evaluate(f"{cut_off}.map((each) => each.ariaLabel)") == []
    page.context.close()


def test_a_forecast_finish_is_told_to_the_full_hour_of_the_viewers_clock(
    browser: Browser, site: tuple[str, Store, BatchId]
) -> None:
    page = open_page(browser, "desk", timezone_id="Asia/Kathmandu")  # 5:45 h ahead of UTC

    page.goto(f"{site[0]}/batches/{site[2]}")
    finish = page.locator("time.hour").first
    told, exact = finish.inner_text(), finish.get_attribute("datetime")

    assert exact is not None
    there = datetime.fromisoformat(exact).astimezone(ZoneInfo("Asia/Kathmandu"))
    full_hours = [there.replace(minute=0, second=0, microsecond=0) + offset for offset in (0 * HOUR, HOUR)]
    nearest = min(full_hours, key=lambda hour: abs(hour - there))
    assert told == f"{nearest:%-d %b %Y, %H:%M}"
    page.context.close()


def test_a_table_on_a_phone_names_each_value_and_stays_a_table_to_a_screen_reader(
    browser: Browser, site: tuple[str, Store, BatchId]
) -> None:
    page = open_page(browser, "phone")

    page.goto(f"{site[0]}/batches/{site[2]}")
    page.get_by_text("The latest estimates").click()

    told = page.get_by_role("region", name="Latest estimates").aria_snapshot()
    assert 'columnheader "Attenuation"' in told
    assert re.search(r'cell "(Attenuation )?\d+ %"', told), told
    shown = "getComputedStyle(document.querySelector('.cards td[data-label=Attenuation]'), '::before').content"
    assert page.evaluate(shown) == '"Attenuation"'
    page.context.close()


@pytest.mark.parametrize("place", PLACES)
def test_what_a_finger_is_to_hit_is_44_px_high(browser: Browser, site: tuple[str, Store, BatchId], place: str) -> None:
    page = open_page(browser, "phone")

    page.goto(site[0] + place)

    page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
    targets = "button, summary, select, input:not([type=checkbox], [type=hidden]), header a, nav a, a.go, th a"
    low = page.evaluate(
        f"""[...document.querySelectorAll('{targets}')].filter((each) => each.checkVisibility())
            .map((each) => [each.textContent.trim() || each.name, each.getBoundingClientRect().height])
            .filter(([, height]) => height < 44)"""
    )
    assert low == []
    assert page.locator(targets).count() >= 3
    page.context.close()


def test_on_a_desk_the_longest_phase_ends_before_the_finish_begins(browser: Browser, tmp_path: Path) -> None:
    with brewery.open_store(tmp_path) as store:
        store.save_outcomes(brewery.add_batch(store, brewery.harbour_pale()), estimates=[brewery.estimate(5.0)])
        with serving(brewery.application(store)) as origin:
            page = open_page(browser, "desk")
            page.goto(origin)

            pill = page.get_by_text("not started yet").bounding_box()
            finish = page.locator(".board .finish").bounding_box()

            assert pill is not None
            assert finish is not None
            assert pill["x"] + pill["width"] + 4 < finish["x"]
            page.context.close()


def test_a_whole_card_of_the_board_leads_to_its_batch(browser: Browser, site: tuple[str, Store, BatchId]) -> None:
    page = open_page(browser, "phone")
    page.goto(site[0])

    page.locator(".board li", has_text="Harbour Pale").tap(position={"x": 300, "y": 110})

    page.wait_for_url("**/batches/harbour-pale")
    page.context.close()


@contextmanager
def a_batch_on_a_phone(browser: Browser, folder: Path, alert: Alert) -> Iterator[tuple[Store, BatchId, Page]]:
    """The page of a batch with that alert open; its clock waits for the test."""
    with brewery.open_store(folder) as store:
        batch_id = brewery.add_batch(store, brewery.harbour_pale())
        store.save_outcomes(batch_id, estimates=brewery.estimates(121.0), alerts=[alert])
        with serving(brewery.application(store)) as origin:
            page = open_page(browser, "phone")
            page.clock.install()
            show_chart(page, origin, batch_id)
            yield store, batch_id, page
            page.context.close()


def test_a_new_alert_arrives_without_a_reload_unless_somebody_types_a_name(browser: Browser, tmp_path: Path) -> None:
    with a_batch_on_a_phone(browser, tmp_path, brewery.finished()) as (store, batch_id, page):
        page.get_by_label("Your name").fill("Ad")
        page.get_by_label("Your name").blur()
        store.save_outcomes(batch_id, alerts=[brewery.too_warm()])

        page.clock.fast_forward(61_000)

        page.wait_for_selector(".urgent >> text=22.7")
        assert page.get_by_label("Your name").input_value() == "Ad"
        page.get_by_label("Your name").fill("")
        page.get_by_label("Your name").blur()
        page.clock.fast_forward(61_000)
        page.wait_for_selector(".timeline >> text=Check the cooling")


def test_hours_of_sleep_that_are_chosen_stay_when_a_new_alert_arrives(browser: Browser, tmp_path: Path) -> None:
    with a_batch_on_a_phone(browser, tmp_path, brewery.too_warm()) as (store, batch_id, page):
        page.get_by_label("Tell me again in").select_option("12")
        page.get_by_label("Tell me again in").blur()
        low = replace(brewery.too_warm(), kind=Kind.BATTERY_LOW, summary="The battery is nearly empty.")
        store.save_outcomes(batch_id, alerts=[low])

        page.clock.fast_forward(61_000)

        page.wait_for_selector(".urgent >> text=nearly empty")
        assert page.get_by_label("Tell me again in").input_value() == "12"


@pytest.mark.parametrize("screen", SCREENS)
def test_the_chart_is_drawn_without_a_complaint_and_without_asking_anyone_else(
    browser: Browser, site: tuple[str, Store, BatchId], screen: str
) -> None:
    origin, _, batch_id = site
    page = open_page(browser, screen)
    watch = Watch(page)

    show_chart(page, origin, batch_id)

    assert watch.complaints == []
    assert watch.strangers(origin) == []
    assert any("bokeh.min.js" in url for url in watch.requests)
    assert not page.locator("svg.picture").first.is_visible()
    page.context.close()


def painted(page: Page) -> int:
    """How many different colours stand in the drawn chart: an empty canvas has one."""
    return int(
        page.evaluate(
            """() => {
              const canvases = [];
              const walk = (node) => {
                if (node.tagName === 'CANVAS') canvases.push(node);
                if (node.shadowRoot) [...node.shadowRoot.children].forEach(walk);
                [...node.children].forEach(walk);
              };
              walk(document.querySelector('.chart'));
              const seen = new Set();
              for (const canvas of canvases) {
                const pixels = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data;
                for (let i = 0; i < pixels.length; i += 4) {
                  if (pixels[i + 3] > 0) seen.add(pixels.slice(i, i + 3).join());
                }
              }
              return seen.size;
            }"""
        )
    )


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_chart_s_canvas_is_painted(browser: Browser, site: tuple[str, Store, BatchId], scheme: str) -> None:
    origin, _, batch_id = site
    page = open_page(browser, "desk", scheme)

    show_chart(page, origin, batch_id)

    # Line, band, wanted range, dashes and text: far more colours than a grid alone.
    eventually("the canvas is painted", lambda: painted(page) > 20)
    page.context.close()


@pytest.mark.parametrize("screen", SCREENS)
def test_without_script_the_still_picture_and_utc_remain(
    browser: Browser, site: tuple[str, Store, BatchId], screen: str
) -> None:
    origin, _, batch_id = site
    page = open_page(browser, screen, java_script_enabled=False)

    page.goto(f"{origin}/batches/{batch_id}")

    assert page.locator(f"svg.{'narrow' if screen == 'phone' else 'wide'}").is_visible()
    assert page.locator("svg.picture").count() == 2
    assert "7 Mar 2026, 16:30 UTC" in page.locator("main").inner_text()
    page.context.close()


def test_a_tap_on_the_chart_tells_the_nearest_values_in_words(
    browser: Browser, site: tuple[str, Store, BatchId]
) -> None:
    origin, _, batch_id = site
    page = open_page(browser, "phone")
    show_chart(page, origin, batch_id)
    last = page.locator(".readout").inner_text()
    box = page.locator(".chart").bounding_box()
    assert box is not None

    page.locator(".chart").scroll_into_view_if_needed()
    page.locator(".chart").tap(position={"x": box["width"] / 2, "y": 150})

    eventually("the line changes", lambda: page.locator(".readout").inner_text() != last)
    said = page.locator(".readout").inner_text()
    match = re.search(r"gravity (\d\.\d{4}), 80 % interval (\d\.\d{4}) to (\d\.\d{4}), \d+\.\d °C", said)
    assert match, said
    gravity, low, high = map(float, match.groups())
    assert low < gravity < high
    assert 1.02 < gravity < 1.045  # the middle of the course, by eye
    page.context.close()


def test_the_buttons_narrow_the_time_shown(browser: Browser, site: tuple[str, Store, BatchId]) -> None:
    origin, _, batch_id = site
    page = open_page(browser, "desk")
    show_chart(page, origin, batch_id)
    shown = "Bokeh.documents.at(-1).roots()[0].children[0].x_range"
    span = f"(({shown}).end - ({shown}).start) / 3.6e6"
    assert page.evaluate(span) == pytest.approx(118.0)

    page.get_by_role("button", name="24 hours").click()

    assert page.evaluate(span) == pytest.approx(24.0)
    assert page.get_by_role("button", name="24 hours").get_attribute("aria-pressed") == "true"
    page.context.close()


@pytest.mark.parametrize(
    ("button", "labels"), [("All", ["4 Mar", "6 Mar"]), ("24 hours", ["7 Mar", "06:00", "12:00", "18:00"])]
)
def test_the_times_below_a_chart_on_a_phone_are_days_or_hours_and_more_than_one(
    browser: Browser, site: tuple[str, Store, BatchId], button: str, labels: list[str]
) -> None:
    origin, _, batch_id = site
    page = open_page(browser, "phone")
    show_chart(page, origin, batch_id)

    page.get_by_role("button", name=button).click()

    axis = "Bokeh.documents.at(-1).roots()[0].children[1].below[0]"
    there = f"Array.from({axis}.ticker.ticks, (tick) => {axis}.major_label_overrides.get(tick))"
    eventually("the times are marked", lambda: page.evaluate(there) == labels)
    page.context.close()


def test_the_tab_key_goes_past_the_chart_in_which_no_key_does_anything(
    browser: Browser, site: tuple[str, Store, BatchId]
) -> None:
    page = open_page(browser, "desk")
    show_chart(page, site[0], site[2])
    page.get_by_role("button", name="24 hours").focus()

    page.keyboard.press("Tab")

    # Whatever comes next, it stands below the chart and says what it is.
    assert page.evaluate("document.querySelector('.chart').contains(document.activeElement)") is False
    assert page.evaluate("document.activeElement.matches('input, button, summary, a')") is True
    page.context.close()


def test_an_addition_is_marked_on_the_chart_and_in_its_legend(browser: Browser, tmp_path: Path) -> None:
    with brewery.open_store(tmp_path) as store:
        sugar = Addition(time=brewery.PITCHED + 48 * HOUR, gravity_points=6.0, label="candy sugar")
        batch_id = brewery.add_batch(store, replace(brewery.harbour_pale(), additions=(sugar,)))
        store.save_outcomes(batch_id, estimates=brewery.estimates(96.0))
        with serving(brewery.application(store)) as origin:
            page = open_page(browser, "phone")
            watch = Watch(page)
            show_chart(page, origin, batch_id)

            spans = "Bokeh.documents.at(-1).roots()[0].children[0].renderers.filter((r) => r.glyph.type === 'VSpan')"
            marked = page.evaluate(f"({spans}).flatMap((r) => [...r.data_source.data.time])")

            local = sugar.time + 2 * HOUR  # in Helsinki
            assert marked == [local.timestamp() * 1000]
            assert "addition" in page.locator(".legend").inner_text()
            assert watch.complaints == []
            page.context.close()


def test_the_scales_follow_the_time_shown(browser: Browser, site: tuple[str, Store, BatchId]) -> None:
    origin, _, batch_id = site
    page = open_page(browser, "desk")
    watch = Watch(page)
    show_chart(page, origin, batch_id)
    figures = "Bokeh.documents.at(-1).roots()[0].children"
    points = f"1000 * (({figures})[0].y_range.end - ({figures})[0].y_range.start)"
    whole = page.evaluate(points)
    assert whole > 38  # the gravity falls from 1.052 to 1.0123

    page.get_by_role("button", name="24 hours").click()

    # Between 94 and 118 hours the model of these estimates falls by two points, within an interval of as much.
    eventually("the scale of the gravity follows", lambda: page.evaluate(points) < whole / 4)
    assert page.evaluate(points) >= 4
    page.get_by_role("button", name="All").click()
    eventually("it comes back", lambda: page.evaluate(points) == pytest.approx(whole))
    assert watch.complaints == []
    page.context.close()


@pytest.mark.parametrize("screen", SCREENS)
def test_a_sample_at_the_right_edge_of_the_chart_is_drawn_whole(browser: Browser, tmp_path: Path, screen: str) -> None:
    with brewery.open_store(tmp_path) as store:
        batch_id = brewery.add_batch(store, brewery.harbour_pale())
        store.save_outcomes(batch_id, estimates=brewery.estimates(118.0))
        store.add_sample(batch_id, brewery.hydrometer_sample(118.0))
        with serving(brewery.application(store)) as origin:
            page = open_page(browser, screen)
            show_chart(page, origin, batch_id)

            # Right of the frame's edge, 26 px from that of the picture, nothing else is dark but half of the sample.
            dark = """() => {
              const inside = (root) => [...root.querySelectorAll("*")].flatMap((each) =>
                each.shadowRoot ? [each, ...inside(each.shadowRoot)] : [each]);
              const canvas = inside(document).find((each) => each.tagName === "CANVAS" && each.width > 200);
              const scale = canvas.width / canvas.clientWidth;
              const left = canvas.width - Math.round(24 * scale);
              const { data } = canvas.getContext("2d").getImageData(left, 0, Math.round(6 * scale), canvas.height);
              let found = 0;
              for (let at = 0; at < data.length; at += 4) found += data[at] < 80 && data[at + 3] > 200;
              return found;
            }"""
            eventually("half of the sample stands outside of the frame", lambda: page.evaluate(dark) > 10)
            page.context.close()


def test_what_can_be_pressed_in_a_row_stands_on_its_line(browser: Browser, site: tuple[str, Store, BatchId]) -> None:
    page = open_page(browser, "desk")
    for place, word in (("/batches/harbour-pale", "Withdraw"), ("/", "Rename")):
        page.goto(site[0] + place)
        page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")

        row = page.locator("tr", has=page.get_by_text(word, exact=True)).first
        tops = row.evaluate(
            """(row) => [row.cells[0], row.querySelector(".go")].map((each) => {
              const words = document.createRange();
              words.selectNodeContents(each);
              return words.getBoundingClientRect().top;
            })"""
        )

        assert tops[0] == pytest.approx(tops[1], abs=2.0)
    page.context.close()


def test_a_long_name_of_a_float_is_compared_without_scrolling_sideways(browser: Browser, tmp_path: Path) -> None:
    name = FloatId("a-very-long-name-of-a-float-in-the-north-cellar")
    with brewery.open_store(tmp_path) as store:
        batch_id = brewery.add_batch(store, brewery.harbour_pale(float_id=name))
        points = [
            Reference(float_id=name, angle_deg=angle, gravity_sg=gravity, temperature_c=20.0)
            for gravity, angle in ANGLES_DEG.items()
        ]
        store.add_curve(fit_curve(points), points, who="Ada", note="", created=brewery.PITCHED)
        store.add_sample(batch_id, brewery.hydrometer_sample(64.0))
        store.append_readings([brewery.reading(64.0 + minutes / 60, name) for minutes in range(-15, 20, 5)])
        with serving(brewery.application(store)) as origin:
            page = open_page(browser, "phone")
            page.goto(f"{origin}/batches/{batch_id}/compare")

            assert page.get_by_role("rowheader", name=f"float {name}").count() == 1
            wide = (
                "[...document.querySelectorAll('.scroll')].filter((each) => each.scrollWidth > each.clientWidth).length"
            )
            assert page.evaluate(wide) == 0
            page.context.close()


def test_the_first_estimate_alone_is_a_dot(browser: Browser, tmp_path: Path) -> None:
    with brewery.open_store(tmp_path) as store:
        batch_id = brewery.add_batch(store, brewery.harbour_pale())
        store.save_outcomes(batch_id, estimates=brewery.estimates(0.0))
        with serving(brewery.application(store)) as origin:
            page = open_page(browser, "phone")
            watch = Watch(page)
            show_chart(page, origin, batch_id)

            dots = "Bokeh.documents.at(-1).roots()[0].children.map((each) => each.renderers.at(-1).data_source.data)"
            assert page.evaluate(f"({dots})[0].gravity[0]") == pytest.approx(brewery.estimate(0.0).gravity_sg)
            assert page.evaluate(f"({dots})[1].warmth[0]") == pytest.approx(brewery.estimate(0.0).temperature_c)
            assert watch.complaints == []
            page.context.close()


def test_times_are_shown_in_the_viewer_s_own_zone(browser: Browser, site: tuple[str, Store, BatchId]) -> None:
    origin, _, batch_id = site
    page = open_page(browser, "desk")

    page.goto(f"{origin}/batches/{batch_id}")

    # 16:30 UTC is 18:30 in Helsinki in winter (EET, UTC+2).
    eventually("times are local", lambda: "7 Mar 2026, 18:30" in page.locator("main").inner_text())
    page.context.close()


def test_a_sample_typed_on_a_phone_is_kept_at_the_viewer_s_time(
    browser: Browser, site: tuple[str, Store, BatchId]
) -> None:
    origin, store, batch_id = site
    page = open_page(browser, "phone")
    page.goto(f"{origin}/batches/{batch_id}")
    before = len(store.samples(batch_id))

    page.get_by_label("Instrument").select_option("refractometer")
    page.get_by_label("Reading, as read").fill("7,1")  # its number pad has no point
    page.get_by_label("Unit").select_option("Brix")
    page.get_by_label("Temperature of the sample, °C").fill("18,5")
    page.locator("#time").fill("2026-03-06T09:15")
    page.get_by_role("button", name="Keep the sample").click()
    page.wait_for_selector(".saved")

    samples = store.samples(batch_id)
    assert len(samples) == before + 1
    assert samples[-1][1].time.isoformat() == "2026-03-06T07:15:00+00:00"
    assert (samples[-1][1].value, samples[-1][1].sample_temperature_c) == (7.1, 18.5)
    page.context.close()


@pytest.mark.parametrize(
    ("instrument", "unit", "keyboard"),
    [
        ("hydrometer", "SG", "decimal"),
        ("hydrometer", "Plato", "text"),
        ("density-meter", "Brix", "text"),
        ("refractometer", "Brix", "decimal"),  # alcohol lifts what it shows
    ],
)
def test_a_reading_that_may_lie_below_zero_opens_a_keyboard_with_a_minus(
    browser: Browser, site: tuple[str, Store, BatchId], instrument: str, unit: str, keyboard: str
) -> None:
    page = open_page(browser, "phone")
    page.goto(f"{site[0]}/batches/{site[2]}")

    page.get_by_label("Instrument").select_option(instrument)
    page.get_by_label("Unit").select_option(unit)

    assert page.get_by_label("Reading, as read").get_attribute("inputmode") == keyboard
    page.context.close()


def test_a_number_that_is_none_is_asked_about_on_the_page(browser: Browser, site: tuple[str, Store, BatchId]) -> None:
    origin, store, batch_id = site
    page = open_page(browser, "desk")
    page.goto(f"{origin}/batches/{batch_id}")
    before = len(store.samples(batch_id))

    page.get_by_label("Reading, as read").fill("1,020")
    page.get_by_label("Temperature of the sample, °C").fill("1.020,5")
    page.locator("#time").fill("2026-03-06T09:15")
    page.get_by_role("button", name="Keep the sample").click()

    assert "more than one point or comma" in page.locator(".questions").inner_text()
    assert page.get_by_label("Reading, as read").input_value() == "1.020"
    assert page.locator("#time").input_value() == "2026-03-06T09:15"
    assert len(store.samples(batch_id)) == before
    page.wait_for_selector(".chart.drawn canvas")
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
    page.context.close()


def test_fresh_numbers_arrive_without_a_reload(browser: Browser, site: tuple[str, Store, BatchId]) -> None:
    origin, store, batch_id = site
    page = open_page(browser, "desk")
    page.clock.install()
    show_chart(page, origin, batch_id)
    count = "Bokeh.documents.at(-1).roots()[0].children[0].x_range.end"
    end = page.evaluate(count)
    store.save_outcomes(batch_id, estimates=[brewery.estimate(126.0, gravity_sg=1.0111)])

    page.clock.fast_forward(61_000)

    eventually("the headline is fresh", lambda: "1.0111" in page.locator(".headline").inner_text())
    eventually("the graph goes on", lambda: page.evaluate(count) > end)
    page.context.close()


def test_the_first_estimate_arrives_without_a_reload_unless_somebody_types(browser: Browser, tmp_path: Path) -> None:
    with brewery.open_store(tmp_path) as store:
        batch_id = brewery.add_batch(store, brewery.harbour_pale())
        with serving(brewery.application(store)) as origin:
            idle, busy = open_page(browser, "phone"), open_page(browser, "phone")
            for page in (idle, busy):
                page.clock.install()
                page.goto(f"{origin}/batches/{batch_id}")
            busy.get_by_label("Reading, as read").fill("1.02")
            store.save_outcomes(batch_id, estimates=brewery.estimates(30.0))

            with busy.expect_response(lambda answer: answer.url.endswith(batch_id)):
                busy.clock.fast_forward(61_000)
            idle.clock.fast_forward(61_000)

            idle.wait_for_selector(".headline")
            assert busy.locator(".headline").count() == 0
            assert busy.get_by_label("Reading, as read").input_value() == "1.02"
            busy.get_by_label("Reading, as read").fill("")
            busy.get_by_label("Reading, as read").blur()
            busy.clock.fast_forward(61_000)
            busy.wait_for_selector(".headline")
            for page in (idle, busy):
                page.context.close()


def test_lines_are_broken_across_hours_without_readings(browser: Browser, tmp_path: Path) -> None:
    with brewery.open_store(tmp_path) as store:
        batch_id = brewery.add_batch(store, brewery.harbour_pale())
        rows = [row for row in brewery.estimates(100.0) if not 40 < (row.time - brewery.PITCHED) / HOUR < 60]
        store.save_outcomes(batch_id, estimates=rows)
        with serving(brewery.application(store)) as origin:
            page = open_page(browser, "desk")
            watch = Watch(page)
            show_chart(page, origin, batch_id)

            drawn = "Bokeh.documents.at(-1).roots()[0].children[0].renderers.map((r) => r.data_source.data)"
            assert page.evaluate(f"({drawn})[0].xs.length") == 2
            assert page.evaluate(f"({drawn})[1].gravity.filter(Number.isNaN).length") == 1
            page.locator(".chart").hover(position={"x": 640, "y": 150})  # the middle of the gap

            eventually("it says so", lambda: "no readings of the float." in page.locator(".readout").inner_text())
            assert watch.complaints == []
            page.context.close()


def test_the_probe_is_drawn_beside_the_float_and_goes_on_when_the_float_is_silent(
    browser: Browser, tmp_path: Path
) -> None:
    with brewery.open_store(tmp_path) as store:
        batch_id = brewery.fill(store)
        store.append_probe_readings([brewery.probed(hours) for hours in (*range(40), *range(50, 141))])
        with serving(brewery.application(store)) as origin:
            page = open_page(browser, "phone")
            watch = Watch(page)
            show_chart(page, origin, batch_id)
            last = page.locator(".readout").inner_text()

            drawn = "Bokeh.documents.at(-1).roots()[0].children[1].renderers.map((r) => r.data_source.data)"
            assert page.evaluate(f"({drawn})[1].warmth.filter(Number.isNaN).length") == 1
            assert page.evaluate(f"({drawn})[1].warmth.length") == 40 + 91 + 1
            assert "no readings of the float; probe 18.4 °C" in last
            page.locator(".chart").scroll_into_view_if_needed()
            page.locator(".chart").tap(position={"x": 120, "y": 150})
            eventually("the line changes", lambda: page.locator(".readout").inner_text() != last)
            assert re.search(r"\d\.\d °C, probe 18\.4 °C\.", page.locator(".readout").inner_text())
            assert watch.complaints == []
            found = Axe().run(page)
            assert found.violations_count == 0, found.generate_report()
            page.context.close()


def test_a_heard_float_is_named_on_a_phone(browser: Browser, site: tuple[str, Store, BatchId]) -> None:
    origin, store, _ = site
    page = open_page(browser, "phone")
    page.goto(f"{origin}/service")

    page.get_by_label("Name it").fill("dunlin")
    page.get_by_role("button", name="Take it in").first.click()
    page.wait_for_selector(".saved")

    assert FloatId("dunlin") in store.float_ids()
    page.context.close()


def test_a_test_message_and_its_result_are_seen_and_pass_axe(
    browser: Browser, site: tuple[str, Store, BatchId]
) -> None:
    page = open_page(browser, "phone")
    page.goto(f"{site[0]}/service")

    page.get_by_role("button", name="Send a test").click()

    assert "failed mail: no such mailbox" in page.locator(".trials").inner_text()
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
    page.context.close()


def test_without_script_a_sample_is_withdrawn_in_two_steps_on_a_phone(browser: Browser, tmp_path: Path) -> None:
    with brewery.open_store(tmp_path) as store:
        batch_id = brewery.fill(store)
        with serving(brewery.application(store)) as origin:
            page = open_page(browser, "phone", java_script_enabled=False)
            page.goto(f"{origin}/batches/{batch_id}")

            page.get_by_role("link", name="Withdraw the sample").click()
            page.get_by_role("link", name="Keep it").click()
            assert len(store.samples(batch_id)) == 1
            page.get_by_role("link", name="Withdraw the sample").click()
            page.get_by_role("button", name="Withdraw the sample").click()

            assert "The sample is withdrawn" in page.locator(".saved").inner_text()
            assert store.samples(batch_id) == ()
            page.context.close()


def test_an_alert_is_put_to_sleep_on_a_phone(browser: Browser, site: tuple[str, Store, BatchId]) -> None:
    origin, store, batch_id = site
    page = open_page(browser, "phone")
    page.goto(f"{origin}/batches/{batch_id}")

    page.get_by_label("Tell me again in").first.select_option("12")
    page.get_by_role("button", name="Put to sleep").first.click()
    page.wait_for_selector("text=Wake it now")

    assert [alert.snoozed_until for alert in store.open_alerts(batch_id)].count(brewery.NOW + 12 * HOUR) == 1
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
    page.context.close()


def test_a_phone_beside_the_solutions_sees_the_float_settle_and_accepts_the_curve(
    browser: Browser, tmp_path: Path
) -> None:
    now = [brewery.NOW]
    with brewery.open_store(tmp_path) as store:
        furnish_bench_alone(store)
        with serving(brewery.application(store, clock=lambda: now[0])) as origin:
            page = open_page(browser, "phone")
            watch = Watch(page)
            page.clock.install()
            page.goto(f"{origin}/floats/wren/calibration")
            page.get_by_role("button", name="Measure solution 4").click()
            page.wait_for_selector(".with-script >> text=not yet")
            now[0] += timedelta(minutes=2)
            swim(store, WREN, now[0], ANGLES_DEG[1.060])

            page.clock.fast_forward(3_000)
            page.wait_for_selector("text=Settled at 62.00°")
            assert page.locator("[role=status]").inner_text() == "settled"
            page.get_by_role("button", name="Take the point").click()
            page.wait_for_selector("text=4 solutions give a")
            assert page.locator("svg.narrow").is_visible()
            page.get_by_role("button", name="Accept the curve").click()
            page.wait_for_selector("text=Kept as version 1.")

            assert len(store.curves(WREN)) == 1
            assert watch.complaints == []
            page.context.close()


def furnish_bench_alone(store: Store) -> None:
    store.add_float(FloatRecord(float_id=brewery.HERON, created=brewery.PITCHED))
    furnish_bench(store)
