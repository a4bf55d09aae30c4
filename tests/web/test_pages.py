"""The pages as a browser without script gets them."""

from __future__ import annotations

import re
import sqlite3
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from alerts.alert import Kind
from calibration.fit import fit_curve
from fermentation.estimate import Phase
from gylewatch.values import BatchId, HandSettings, Reference
from storage.records import FloatRecord
from storage.store import Store
from tests.storage.examples import without_strength_intervals
from tests.web import brewery
from tests.web.bench_data import ANGLES_DEG
from web.health import ServiceHealth
from web.settings import HttpSettings

OURS = {"Origin": "http://testserver"}
FORM = {"instrument": "hydrometer", "value": "1.020", "unit": "SG", "sample_temperature": "20", "time": ""}


def text(html: str) -> str:
    """What a person reads: no tags, single spaces."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", html)).replace("&#39;", "'")


def test_an_empty_brewery_is_told_the_first_steps_here_and_at_the_terminal(client: TestClient) -> None:
    page = client.get("/").text

    assert "No batch yet" in text(page)
    assert '<a class="button" href="/start">Start a batch</a>' in page
    for step in ("gylewatch float add", "gylewatch curve add", "gylewatch batch add"):
        assert step in page


def test_the_board_shows_gravity_rate_phase_temperature_and_finish(client: TestClient, batch_id: BatchId) -> None:
    page = text(client.get("/").text)

    for word in ("Harbour Pale", "1.0123 ± 0.0009", "slowing down", "19.3 °C", "was expected Sun 8 Mar"):
        assert word in page


def test_a_finish_that_lies_in_the_past_is_not_expected_any_more(store: Store, batch_id: BatchId) -> None:
    long_after = TestClient(brewery.application(store, now=brewery.PITCHED + timedelta(days=10)))
    meanwhile = TestClient(brewery.application(store, now=brewery.PITCHED + timedelta(days=5)))
    assert "expected Sun 8 Mar" in text(meanwhile.get("/").text)

    # Nothing was heard since, so nobody knows what it does now.
    assert "was expected Sun 8 Mar" in text(long_after.get("/").text)
    assert "It was expected to finish on 8 Mar" in text(long_after.get(f"/batches/{batch_id}").text)
    # It is still slowing down then: the forecast has come, the finish has not.
    store.save_outcomes(batch_id, estimates=[brewery.estimate(239.0, phase=Phase.SLOWING)])
    assert "about now" in text(long_after.get("/").text)
    assert "It should be finishing about now; expected was 8 Mar" in text(long_after.get(f"/batches/{batch_id}").text)
    store.save_outcomes(batch_id, estimates=[brewery.estimate(240.0, phase=Phase.FINISHED)])

    store.save_outcomes(batch_id, alerts=[brewery.finished()])

    assert "reached Sun 8 Mar" in text(long_after.get("/").text)
    assert "Finished, as far as the numbers tell, on 8 Mar" in text(long_after.get(f"/batches/{batch_id}").text)


def test_a_finished_beer_is_not_expected_to_finish_and_a_stalled_one_has_no_finish(
    client: TestClient, store: Store, batch_id: BatchId
) -> None:
    early = brewery.estimate(120.0, phase=Phase.FINISHED)  # ten hours before its own forecast
    store.save_outcomes(batch_id, estimates=[early], alerts=[brewery.finished()])
    board, page = text(client.get("/").text), text(client.get(f"/batches/{batch_id}").text)
    assert "reached" in board
    assert "finished Finished, as far as the numbers tell. " in page
    assert "expected" not in (board + page).split("Course")[0].split("Hand samples")[0]

    store.save_outcomes(batch_id, estimates=[brewery.estimate(121.0, phase=Phase.STALLED)])

    assert "Finishnot known" in text(client.get("/").text)
    page = text(client.get(f"/batches/{batch_id}").text)
    assert "It was not moving towards a finish then; see what to do under Alerts" in page  # a day ago
    store.save_outcomes(batch_id, estimates=[brewery.estimate(143.5, phase=Phase.STALLED)])
    page = text(client.get(f"/batches/{batch_id}").text)
    assert "It is not moving towards a finish; see what to do under Alerts" in page

    store.end_batch(batch_id, brewery.NOW)

    assert "It was not moving towards a finish then." in text(client.get(f"/batches/{batch_id}").text)


def test_an_error_is_a_sentence(client: TestClient) -> None:
    assert "No batch is called 'nowhere'" in text(client.get("/batches/nowhere").text)


@pytest.mark.parametrize(
    ("path", "title", "sentence"),
    [
        ("/nowhere", "Not found", "There is nothing at this address."),
        ("/?page=x", "This cannot be done this way", "This address was not made by these pages"),
        ("/batches/harbour-pale/samples/x/withdraw", "This cannot be done this way", "This address was not made by"),
        ("/batches/harbour-pale/samples/99/withdraw", "Not found", "No sample is called '99'"),
    ],
)
def test_an_error_page_speaks_no_protocol_and_leads_back(
    client: TestClient, batch_id: BatchId, path: str, title: str, sentence: str
) -> None:
    html = client.get(path).text

    assert f"<h1>{title}</h1>" in html
    assert sentence in text(html)
    for jargon in ("Unprocessable", "integer", "Path.", "Query."):
        assert jargon not in html
    assert (f'href="/batches/{batch_id}"' in html) == path.startswith("/batches/")


def test_no_error_page_leads_back_to_a_batch_that_is_not_there(client: TestClient) -> None:
    html = client.get("/batches/nowhere/ledger").text

    assert "No batch is called 'nowhere'" in text(html)
    assert 'href="/batches/nowhere"' not in html


def test_a_program_is_still_told_which_part_of_its_address_is_wrong(client: TestClient) -> None:
    assert client.get("/api/v1/rejected?limit=x").json()["detail"].startswith("query.limit: ")


def test_a_sample_that_cannot_be_kept_now_is_not_lost_from_the_form(tmp_path: Path) -> None:
    place = f"sqlite:///{tmp_path / 'brewery.db'}"
    with Store.open(place, lock_timeout_s=0.01) as store, sqlite3.connect(tmp_path / "brewery.db") as other:
        batch_id = brewery.fill(store)
        client = TestClient(brewery.application(store))
        other.execute("BEGIN IMMEDIATE")

        answer = client.post(f"/batches/{batch_id}", data=FORM | {"value": "1.013"}, headers=OURS)

        assert answer.status_code == 503
        assert "The sample is not kept: " in text(answer.text)
        assert "another program is writing to it" in text(answer.text)
        assert 'value="1.013"' in answer.text
        other.rollback()
        answer = client.post(f"/batches/{batch_id}", data=FORM | {"value": "1.013"}, headers=OURS)
        assert "The sample is kept." in text(answer.text)


def test_the_batch_that_needs_a_person_stands_first(client: TestClient, store: Store) -> None:
    brewery.add_batch(store, brewery.harbour_pale("Calm Ale", "avocet", "FV0"))
    urgent = brewery.add_batch(store, brewery.harbour_pale("Warm Ale", "curlew", "FV9"))
    store.save_outcomes(urgent, alerts=[brewery.too_warm()])

    page = client.get("/").text

    assert page.index("Warm Ale") < page.index("Calm Ale")
    assert "1 of them needs a person" in text(page)


def test_calm_batches_stand_in_the_order_of_their_tanks_and_floats_in_that_of_their_names(
    client: TestClient, store: Store
) -> None:
    for number in (10, 2, 1):
        brewery.add_batch(store, brewery.harbour_pale(f"Ale of tank {number}.", f"float{number}", f"FV{number}"))
    store.append_readings([brewery.reading(143.9 - number / 100, f"float{number}") for number in (1, 2, 10)])
    store.append_readings([brewery.reading(90, "float1")])

    page = text(client.get("/").text).partition("Vessels")[0]

    assert re.findall(r"Ale of tank (\d+)", page) == ["1", "2", "10"]
    assert re.findall(r"(float\d+) \d+ min ago", page) == ["float1", "float2", "float10"]


def test_a_silent_float_stands_before_those_that_are_heard(client: TestClient, store: Store) -> None:
    for name in ("avocet", "wren"):
        brewery.add_batch(store, brewery.harbour_pale(f"Ale of {name}", name, f"FV-{name}"))
    store.append_readings([brewery.reading(143.9, "avocet"), brewery.reading(100, "wren")])

    page = text(client.get("/").text).partition("Last heard")[2]

    assert page.index("wren") < page.index("avocet")


def test_samples_are_corrected_for_the_batch_s_own_instruments_and_the_page_says_so(
    client: TestClient, store: Store
) -> None:
    own = HandSettings(hydrometer_offset_sg=0.001, hydrometer_calibration_c=15.56)
    batch_id = brewery.add_batch(store, replace(brewery.harbour_pale(), instruments=own))
    plain_id = brewery.add_batch(store, brewery.harbour_pale("Plain Ale", "curlew", "FV2"))
    for each in (batch_id, plain_id):
        store.add_sample(each, replace(brewery.hydrometer_sample(), sample_temperature_c=20.0))

    page = text(client.get(f"/batches/{batch_id}").text)
    plain = text(client.get(f"/batches/{plain_id}").text)

    assert "own instruments: hydrometer true at 15.56 °C, hydrometer +1.0 points." in page
    # 1.0290 of water at 15.56 °C (999.02 against 998.21 kg/m3 at 20 °C), the glass 4.44 °C warmer by 25e-6 each:
    # 1.0290 x 1.00081 / 1.00011.
    assert "1.0297" in page
    assert "1.0280 ± 0.0013" in plain  # 1.28 times the point by which a hydrometer commonly errs
    assert "own instruments" not in plain


def test_a_sample_that_cannot_be_this_beer_s_is_listed_with_the_reason(client: TestClient, store: Store) -> None:
    batch_id = brewery.add_batch(store, brewery.harbour_pale())
    number = store.add_sample(batch_id, replace(brewery.hydrometer_sample(), value=1.085))

    listed, asked = (text(client.get(f"/batches/{batch_id}{at}").text) for at in ("", f"/samples/{number}/withdraw"))

    assert "far above the original gravity: not used" in listed
    assert "far above the original gravity: not used" in asked


def test_the_board_can_be_searched(client: TestClient, store: Store) -> None:
    brewery.add_batch(store, brewery.harbour_pale("Calm Ale", "avocet", "FV0"))
    brewery.add_batch(store, brewery.harbour_pale("Warm Ale", "curlew", "FV9"))

    page = text(client.get("/?q=fv9").text).partition("Floats")[0]

    assert "1 batch." in page
    assert "Warm Ale" in page
    assert "Calm Ale" not in page


def test_what_is_searched_by_its_very_name_stands_before_what_is_more_urgent(client: TestClient, store: Store) -> None:
    alike = brewery.add_batch(store, brewery.harbour_pale("Warm Ale", "curlew", "FV120"))
    store.save_outcomes(alike, estimates=[], alerts=[brewery.too_warm()])
    brewery.add_batch(store, brewery.harbour_pale("Calm Ale", "avocet", "FV12"))

    found, all_of_them = text(client.get("/?q=fv12").text), text(client.get("/").text)

    assert found.index("Calm Ale") < found.index("Warm Ale")
    assert all_of_them.index("Warm Ale") < all_of_them.index("Calm Ale")


def test_an_ended_batch_leaves_the_board_and_is_found_among_the_ended(client: TestClient, store: Store) -> None:
    batch_id = brewery.fill(store)
    store.end_batch(batch_id, brewery.NOW)

    assert "Harbour Pale" not in client.get("/").text
    assert "Harbour Pale" in client.get("/?only=ended").text


def test_of_an_ended_batch_everything_is_told_in_the_past(store: Store, batch_id: BatchId) -> None:
    end = brewery.PITCHED + timedelta(hours=119)  # the forecast lay ahead then
    store.end_batch(batch_id, end)
    client = TestClient(brewery.application(store, now=end))

    page = text(client.get(f"/batches/{batch_id}").text)

    assert "still falling 0.6 ± 0.5 points a day then; expected to end at 1.0120 ± 0.0010." in page
    assert "It was expected to finish on 8 Mar 2026" in page
    assert "was expected Sun 8 Mar" in text(client.get("/?only=ended").text)


def test_the_board_says_where_each_float_lies_and_what_is_in_each_vessel(client: TestClient, store: Store) -> None:
    brewery.add_batch(store, brewery.harbour_pale())
    store.end_batch(brewery.add_batch(store, brewery.harbour_pale("Old Ale", "curlew", "FV2")), brewery.NOW)

    page = client.get("/").text

    lines = dict(re.findall(r'<th scope="row">(.*?)</th>(.*?)</tr>', page.replace("\n", "")))
    named = {text(name): text(rest) for name, rest in lines.items()}
    assert named["heron"].endswith("FV1")
    assert named["curlew"].endswith("no vessel")
    assert named["FV1"].startswith("Harbour Pale")
    assert named["FV2"].startswith("nothing")


def test_an_active_batch_under_an_older_curve_says_so(client: TestClient, store: Store) -> None:
    points = [
        Reference(float_id=brewery.HERON, angle_deg=angle, gravity_sg=gravity, temperature_c=20.0)
        for gravity, angle in ANGLES_DEG.items()
    ]
    store.add_float(FloatRecord(float_id=brewery.HERON, created=brewery.PITCHED))
    store.add_curve(fit_curve(points), points, who="Ada", note="", created=brewery.PITCHED)
    batch_id = brewery.add_batch(store, brewery.harbour_pale())
    assert "of the curve of float heron" not in client.get(f"/batches/{batch_id}").text

    store.add_curve(fit_curve(points), points, who="Ada", note="", created=brewery.NOW)

    page = text(client.get(f"/batches/{batch_id}").text)
    assert "Read under version 1 of the curve of float heron; version 2 is for the next batches." in page
    store.end_batch(batch_id, brewery.NOW)
    assert "of the curve of float heron" not in client.get(f"/batches/{batch_id}").text


def test_a_problem_of_the_service_stands_on_the_front_page(store: Store) -> None:
    sick = ServiceHealth(started=brewery.PITCHED, problems=("The disk is full; make room.",))

    page = TestClient(brewery.application(store, health=lambda: sick)).get("/").text

    assert "The disk is full; make room." in text(page)


def test_the_headline_says_gravity_motion_and_finish_in_words(
    client: TestClient, store: Store, batch_id: BatchId
) -> None:
    page = text(client.get(f"/batches/{batch_id}").text)
    assert "1.0123 ± 0.0009, still falling 0.6 ± 0.5 points a day then; expected to end at 1.0120 ± 0.0010." in page
    assert "It was expected to finish on 8 Mar 2026" in page
    store.save_outcomes(batch_id, estimates=[brewery.estimate(143.5)])

    page = text(client.get(f"/batches/{batch_id}").text)

    assert "1.0120 ± 0.0008, no longer falling; expected to end at 1.0120 ± 0.0010." in page
    assert "It should be finishing about now; expected was 8 Mar 2026" in page
    assert "between 7 Mar 2026, 19:00 UTC and 8 Mar 2026, 19:00 UTC." in page


def test_an_old_estimate_is_not_passed_off_as_news(client: TestClient, batch_id: BatchId) -> None:
    page = text(client.get(f"/batches/{batch_id}").text)

    assert "This was known 26 h ago; nothing newer has been heard from float heron. Check its battery" in page


def test_a_float_that_is_heard_is_not_blamed_for_an_old_estimate(
    client: TestClient, store: Store, batch_id: BatchId
) -> None:
    store.append_readings([brewery.reading(143.0)])

    page = text(client.get(f"/batches/{batch_id}").text)

    assert "This was known 26 h ago. Float heron was heard since, last 60 min ago" in page
    assert "Check its battery" not in page


def test_strength_stands_beside_its_caution(client: TestClient, batch_id: BatchId) -> None:
    page = text(client.get(f"/batches/{batch_id}").text)

    # half of the model's interval: 0.9 points of 52 are 1.8 %, and 131.25 times 0.0009 is 0.12 % vol
    assert "76 ± 2 %yeast" in page.replace("% yeast", "%yeast")
    assert "Strength, % vol5.2 ± 0.1not for duty or labelling" in re.sub(" ?(5.2 ± 0.1) ?", r"\1", page)


def test_an_estimate_from_before_attenuation_and_strength_had_an_interval_is_shown_without(
    client: TestClient, store: Store, batch_id: BatchId
) -> None:
    store.save_outcomes(batch_id, estimates=[without_strength_intervals(brewery.estimate(143.5))])

    page = text(client.get(f"/batches/{batch_id}").text)

    assert "Strength, % vol5.2not for duty or labelling" in re.sub(" ?(5.2) ?not", r"\1not", page)
    assert "± 2 %" not in page


def test_open_alerts_say_what_to_do_next(client: TestClient, batch_id: BatchId) -> None:
    page = text(client.get(f"/batches/{batch_id}").text)

    assert "The beer is at 22.7 °C, above the wanted 20.0 to 22.5 °C." in page
    assert "Next: Check the cooling or heating" in page
    assert "Caution: Warming a closed vessel drives gas out of the beer" in page


def test_a_batch_without_a_curve_is_told_how_to_calibrate(client: TestClient, store: Store) -> None:
    batch_id = brewery.add_batch(store, brewery.harbour_pale())

    page = text(client.get(f"/batches/{batch_id}").text)

    assert "No curve yet" in page
    assert "gylewatch curve add references.csv" in page
    assert "<svg class" not in client.get(f"/batches/{batch_id}").text


def test_a_calibrated_batch_that_was_never_heard_is_told_to_look_at_the_float(client: TestClient, store: Store) -> None:
    batch_id = brewery.add_batch(store, brewery.harbour_pale())
    calibrate(store)

    page = text(client.get(f"/batches/{batch_id}").text)

    assert "No reading yet" in page
    assert "heron has not been heard" in page


def test_a_batch_with_readings_and_no_estimate_is_told_to_wait(client: TestClient, store: Store) -> None:
    batch_id = brewery.add_batch(store, brewery.harbour_pale())
    calibrate(store)
    store.append_readings([brewery.reading(143.0)])

    page = text(client.get(f"/batches/{batch_id}").text)

    assert "No estimate yet" in page
    assert "last heard 60 min ago" in page


def calibrate(store: Store) -> None:
    points = [
        Reference(float_id=brewery.HERON, angle_deg=angle, gravity_sg=gravity, temperature_c=20.0)
        for angle, gravity in ((25.0, 1.000), (40.0, 1.020), (52.0, 1.040), (62.0, 1.060))
    ]
    store.add_curve(fit_curve(points), points, who="brewer", note="", created=brewery.PITCHED)


def test_fahrenheit_is_shown_where_the_brewer_wants_it_and_only_on_the_screen(store: Store, batch_id: BatchId) -> None:
    client = TestClient(brewery.application(store, settings=HttpSettings(fahrenheit=True)))

    page = text(client.get(f"/batches/{batch_id}").text)

    assert "wanted 64.4 to 68.9 °F" in page  # 18.0 and 20.5 °C by F = 1.8 C + 32
    assert "Temperature, °F" in page
    assert client.get(f"/api/v1/batches/{batch_id}").json()["temperature_c"] == [18.0, 20.5]


def test_a_sample_from_the_page_s_own_form_is_kept(client: TestClient, store: Store, batch_id: BatchId) -> None:
    answer = client.post(f"/batches/{batch_id}", data=FORM, headers=OURS, follow_redirects=False)

    assert answer.status_code == 303
    assert answer.headers["location"] == f"/batches/{batch_id}?done=saved#samples"
    assert [sample.value for _, sample in store.samples(batch_id)] == [1.028, 1.020]


@pytest.mark.parametrize("origin", [{}, {"Origin": "http://elsewhere.example"}, {"Origin": "null"}])
def test_a_form_from_elsewhere_is_refused(
    client: TestClient, store: Store, batch_id: BatchId, origin: dict[str, str]
) -> None:
    answer = client.post(f"/batches/{batch_id}", data=FORM, headers=origin)

    assert answer.status_code == 403
    assert "own page" in answer.text
    assert len(store.samples(batch_id)) == 1


def test_a_decimal_comma_is_taken_as_the_point_that_the_phone_does_not_have(
    client: TestClient, store: Store, batch_id: BatchId
) -> None:
    typed = FORM | {"value": "1,020", "sample_temperature": "18,5"}

    client.post(f"/batches/{batch_id}", data=typed, headers=OURS)

    _, kept = store.samples(batch_id)[-1]
    assert (kept.value, kept.sample_temperature_c) == (1.020, 18.5)


def test_a_number_that_is_none_is_asked_about_and_what_was_typed_stays_with_a_point(
    client: TestClient, store: Store, batch_id: BatchId
) -> None:
    typed = FORM | {"value": "1,020", "sample_temperature": "1.018,5"}

    answer = client.post(f"/batches/{batch_id}", data=typed, headers=OURS)

    assert answer.status_code == 422
    assert "more than one point or comma" in answer.text
    assert 'value="1.020"' in answer.text
    assert 'value="1.018,5"' in answer.text
    assert len(store.samples(batch_id)) == 1


def test_a_sample_far_from_the_estimate_is_kept_only_when_it_is_confirmed(
    client: TestClient, store: Store, batch_id: BatchId
) -> None:
    now = store.estimates(batch_id, limit=1)[0]
    far = FORM | {"value": f"{now.gravity_sg + 0.012:.4f}", "time": now.time.isoformat()}

    asked = client.post(f"/batches/{batch_id}", data=far, headers=OURS)
    before = len(store.samples(batch_id))
    confirmed = client.post(f"/batches/{batch_id}", data=far | {"sure": "1"}, headers=OURS, follow_redirects=False)

    assert asked.status_code == 422
    assert "points above the estimate" in asked.text
    assert 'name="sure"' in asked.text
    assert before == 1
    assert confirmed.status_code == 303
    assert len(store.samples(batch_id)) == 2


def test_what_was_typed_cannot_become_markup(client: TestClient, batch_id: BatchId) -> None:
    answer = client.post(f"/batches/{batch_id}", data=FORM | {"value": '"><b id="x">'}, headers=OURS)

    assert '<b id="x">' not in answer.text


def test_a_batch_name_cannot_become_markup_in_page_or_picture(client: TestClient, store: Store) -> None:
    batch_id = brewery.add_batch(store, brewery.harbour_pale('Ale "<script>alert(1)</script>'))
    store.save_outcomes(batch_id, estimates=brewery.estimates(30.0))

    assert "<script>alert" not in client.get(f"/batches/{batch_id}").text


def test_a_page_that_does_not_exist_leads_back(client: TestClient) -> None:
    answer = client.get("/batches/nowhere")

    assert answer.status_code == 404
    assert "nowhere" in text(answer.text)
    assert 'href="/"' in answer.text


def test_the_service_page_tells_of_unnamed_floats_and_refused_packets(client: TestClient, store: Store) -> None:
    store.heard("tern", source="mqtt", time=brewery.NOW - timedelta(minutes=5), rssi_dbm=-71, values={})

    page = text(client.get("/service").text)

    assert "Heard, but not named" in page
    assert "tern" in page
    assert "5 min ago" in page
    assert "Nothing so far." in page


def test_the_board_stays_quick_to_read_with_hundreds_of_tanks(client: TestClient, store: Store) -> None:
    for number in range(200):
        name = f"Batch {number:03}"
        batch_id = brewery.add_batch(store, brewery.harbour_pale(name, f"float-{number:03}", f"FV{number:03}"))
        store.save_outcomes(batch_id, estimates=brewery.estimates(50.0, 25.0))

    urgent = brewery.add_batch(store, brewery.harbour_pale("Warm Ale", "wren", "FV999"))
    store.save_outcomes(urgent, alerts=[brewery.too_warm()])

    pages = [client.get(f"/?page={number}") for number in (1, 2, 6, 7)]

    assert "201 batches, 1 of them needs a person; these are 1 to 40, the most urgent first." in text(pages[0].text)
    assert "Warm Ale" in pages[0].text
    assert [page.text.count('<li class="urgency-') for page in pages] == [40, 40, 1, 1]
    assert "Page 6 of 6" in text(pages[3].text)
    assert 'href="/?only=&amp;page=2" rel="next"' in pages[0].text
    assert all(len(page.content) < 200_000 for page in pages)
    assert "189 more floats" in text(pages[0].text)


def test_a_search_stays_while_one_turns_the_page_and_looks_at_other_batches(client: TestClient, store: Store) -> None:
    for number in range(50):
        brewery.add_batch(store, brewery.harbour_pale(f"Ale & {number}", f"float-{number}", f"FV{number}"))

    page = client.get("/", params={"q": "ale &"}).text

    assert 'href="/?only=&amp;q=ale%20%26&amp;page=2" rel="next"' in page
    assert 'href="/?only=ended&amp;q=ale%20%26"' in page
    assert "Nothing fits" in text(client.get("/?only=ended&q=ale%20%26").text)
    assert "All is calm" in text(client.get("/?only=attention").text)


def test_few_batches_need_no_search(client: TestClient, store: Store, batch_id: BatchId) -> None:
    assert 'role="search"' not in client.get("/").text
    assert 'role="search"' in client.get("/?q=pale").text


def test_what_waits_for_a_person_stands_above_the_graph_until_it_is_seen(
    client: TestClient, store: Store, batch_id: BatchId
) -> None:
    top = text(client.get(f"/batches/{batch_id}").text).split("Course")[0]
    assert "warning The beer is at 22.7 °C" in top
    assert "The gravity has begun to fall" not in top
    warning = next(alert for alert in store.open_alerts(batch_id) if alert.alert == brewery.too_warm())

    store.acknowledge_alert(warning.id, who="Ada", time=brewery.NOW)

    assert "The beer is at 22.7 °C" not in text(client.get(f"/batches/{batch_id}").text).split("Course")[0]


@pytest.mark.parametrize(("after", "is_news"), [(timedelta(hours=24), True), (timedelta(hours=24, minutes=1), False)])
def test_that_fermentation_has_started_is_news_for_a_day(store: Store, after: timedelta, is_news: bool) -> None:
    batch_id = brewery.add_batch(store, brewery.harbour_pale())
    store.save_outcomes(batch_id, estimates=brewery.estimates(23.0), alerts=[brewery.started()])
    client = TestClient(brewery.application(store, now=brewery.started().time + after))

    board, page = client.get("/").text, client.get(f"/batches/{batch_id}").text

    assert ("Fermentation has started" in board) is is_news
    assert ("urgency-2" in board) is is_news  # news stands before what is calm
    assert ("I have seen it" in page) is is_news
    assert ("Caution:" in page) is is_news
    # Among the earlier messages it is still to be read.
    assert "The gravity has begun to fall" in page.partition("1 earlier message")[0 if is_news else 2]


def test_news_that_was_seen_has_no_room_on_the_board(store: Store) -> None:
    batch_id = brewery.add_batch(store, brewery.harbour_pale())
    finished = replace(brewery.finished(), time=brewery.NOW - timedelta(days=3))
    store.save_outcomes(batch_id, estimates=brewery.estimates(118.0), alerts=[finished])
    client = TestClient(brewery.application(store))
    assert "Fermentation has finished" in client.get("/").text  # it asks for two readings, however old it is
    (record,) = store.open_alerts(batch_id)

    store.acknowledge_alert(record.id, who="Ada", time=brewery.NOW)

    assert "Fermentation has finished" not in client.get("/").text
    assert "Bottles filled too early can burst" in client.get(f"/batches/{batch_id}").text


def test_an_open_alert_is_not_lost_behind_hundreds_of_later_ones(
    client: TestClient, store: Store, batch_id: BatchId
) -> None:
    low = [
        replace(
            brewery.too_warm(),
            time=brewery.PITCHED + timedelta(hours=122, minutes=minute),
            kind=Kind.BATTERY_LOW,
            resolves=Kind.BATTERY_LOW if minute % 2 else None,
            summary=f"The battery at minute {minute}.",
        )
        for minute in range(300)
    ]
    store.save_outcomes(batch_id, alerts=low)

    page = client.get(f"/batches/{batch_id}").text

    assert page.count('action="/batches/harbour-pale/alerts/') == 1
    opened, _, past = page.partition("100 earlier messages")
    assert "above the wanted 20.0 to 22.5 °C" in opened
    assert "The battery at minute 299." in past


def test_the_probe_is_told_in_the_legend_in_a_sentence_and_in_the_table_but_only_where_there_is_one(
    client: TestClient, store: Store, batch_id: BatchId
) -> None:
    without = text(client.get(f"/batches/{batch_id}").text)
    store.append_probe_readings([brewery.probed(hours, 17.0 + hours / 100) for hours in range(110)])
    store.append_probe_readings([brewery.probed(-3.0, 40.0), brewery.probed(5.0, 1.0, "FV2")])

    html = client.get(f"/batches/{batch_id}").text

    assert "vessel's own probe" not in without.lower()
    assert "vessel's own probe" in text(html.split('aria-label="Legend"')[1].split("</ul>")[0])
    assert "The vessel's own probe thermowell was between 17.0 °C and 18.1 °C, last at 18.1 °C." in text(html)
    assert "temperature, and that of the vessel" in html.split('<svg class="picture')[1]
    told = re.findall(r'data-label="Probe">([^<]+)<', html.split("The whole course as a table")[1])
    assert (told[0], told[-1]) == ("17.0 °C", "silent")
