"""A float and a vessel are renamed while the service runs: it goes on without a restart, and no reading is lost."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from collector.packet import Reason
from collector.senml import encode_senml_json
from collector.topics import readings_topic
from gylewatch.demo_sink import Sink
from gylewatch.values import FloatId, VesselId
from storage.store import Store
from tests.broker import Broker
from tests.collector.sender import connected_sender
from tests.eventually import eventually
from tests.gylewatch.brew import PITCHED, pale_readings
from tests.gylewatch.live import BATCH, Inbox, furnish, running, settings

HERON, EGRET, FV1, TANK = FloatId("heron"), FloatId("egret"), VesselId("FV1"), VesselId("Tank-1")
READINGS = pale_readings(140)


def test_a_float_that_is_renamed_goes_on_under_its_new_name(
    tmp_path: Path, broker: Broker, sink: Sink, inbox: Inbox
) -> None:
    url = furnish(tmp_path, PITCHED)
    with (
        Store.open(url) as store,
        running(settings(url, broker.port, sink), READINGS[-1].time, tick_s=0.2),
        connected_sender(broker.port) as sender,
    ):
        for reading in READINGS[:110]:
            sender.send(readings_topic(HERON), encode_senml_json([reading]))
        eventually("the start is told", lambda: inbox.has("Fermentation has started"))
        eventually("all is concluded", lambda: len(store.estimates(BATCH)) == 110)
        before = store.estimates(BATCH)

        store.rename_float(HERON, EGRET)
        store.rename_vessel(FV1, TANK)
        for reading in READINGS[110:]:
            sender.send(readings_topic(EGRET), encode_senml_json([replace(reading, float_id=EGRET)]))
        sender.send(readings_topic(HERON), encode_senml_json([READINGS[-1]]))

        eventually("it goes on", lambda: store.estimates(BATCH)[-1].time == READINGS[-1].time)
        eventually("the old name is an unknown one", lambda: [each.name for each in store.heard_floats()] == [HERON])
        kept, estimates, refused = store.readings(EGRET), store.estimates(BATCH), store.rejected_counts()

    assert [each.time for each in kept] == [each.time for each in estimates] == [each.time for each in READINGS]
    assert estimates[:110] == before
    assert refused == {Reason.UNKNOWN_FLOAT: 1}
    assert [title for title, _ in inbox.notices if "started" in title] == [inbox.notices[0][0]]  # told once


def test_what_comes_in_the_very_moment_of_the_renaming_is_kept_or_told(tmp_path: Path, broker: Broker) -> None:
    url = furnish(tmp_path, PITCHED, curve=False)
    with (
        Store.open(url) as store,
        running(settings(url, broker.port), READINGS[-1].time),
        connected_sender(broker.port) as sender,
    ):
        for count, reading in enumerate(READINGS):
            sender.send(readings_topic(HERON), encode_senml_json([reading]))
            if count == 50:
                store.rename_float(HERON, EGRET)

        def told() -> int:
            return len(store.readings(EGRET)) + store.rejected_counts().get(Reason.UNKNOWN_FLOAT, 0)

        eventually("all are told", lambda: told() == len(READINGS))
        assert store.readings(HERON) == ()
