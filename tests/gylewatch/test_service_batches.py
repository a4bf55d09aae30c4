"""The running service notices what is done to batches on its page, as it does what is done at the terminal."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import urlencode

from fermentation.estimate import Estimate
from gylewatch.demo_sink import Sink
from gylewatch.service import Service
from storage.store import Store
from tests.eventually import eventually
from tests.gylewatch.brew import PITCHED, pale_readings
from tests.gylewatch.live import BATCH, Inbox, furnish, request, running, settings
from web.batch_form import batch_fields, fingerprint

READINGS = pale_readings(140)
STARTED = "Fermentation has started"


def send(service: Service, path: str, fields: dict[str, str]) -> None:
    """As a browser sends a form of ours."""
    headers = {"Content-Type": "application/x-www-form-urlencoded", "Origin": service.address.rstrip("/")}
    status, body = request(service, "POST", path, urlencode(fields).encode(), headers)
    assert status == 303, body


def test_a_batch_is_started_changed_ended_and_reopened_on_the_page_of_the_running_service(
    tmp_path: Path, sink: Sink, inbox: Inbox
) -> None:
    url = furnish(tmp_path, PITCHED)
    with (
        Store.open(url) as store,
        running(settings(url, None, sink), READINGS[-1].time, connect=False) as service,
    ):
        batch = store.batch(BATCH).batch
        store.remove_batch(BATCH)
        store.append_readings(READINGS[:110])

        def read(count: int, *, but: Estimate | None = None) -> bool:
            found = store.estimates(BATCH)
            return len(found) == count and found[0] != but

        send(service, "/start", batch_fields(batch, fahrenheit=False))
        eventually("it is followed", lambda: read(110))
        eventually("the start is told", lambda: inbox.has(STARTED))
        first = store.estimates(BATCH)[0]

        assert batch.original_gravity_sg is not None
        measured = f"{batch.original_gravity_sg + 0.001:.4f}"
        fields = batch_fields(batch, fahrenheit=False) | {"original_gravity": measured, "seen": fingerprint(batch)}
        send(service, f"/batches/{BATCH}/change", fields)
        eventually("it is read again", lambda: read(110, but=first))

        send(service, f"/batches/{BATCH}/end", {"time": ""})
        eventually("its alerts are over", lambda: store.open_alerts(BATCH) == ())
        store.append_readings(READINGS[110:])
        send(service, f"/batches/{BATCH}/reopen", {})
        eventually("it is read again with what came meanwhile", lambda: read(140))

        assert [each.alert.resolves for each in store.open_alerts(BATCH)] == [None]
        eventually("nothing waits to be told", lambda: store.outbox_counts()["waiting"] == 0)
    (only,) = inbox.notices  # told once, though the batch was read three times
    assert STARTED in only[0]
