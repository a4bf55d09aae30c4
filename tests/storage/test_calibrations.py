from __future__ import annotations

import pytest

from calibration import session as sessions
from calibration.session import Session
from gylewatch.errors import NotFound
from gylewatch.values import FloatId
from storage.store import Store
from tests.storage.examples import at

HERON = FloatId("heron")


def begun(name: FloatId = HERON) -> Session:
    return sessions.begin(name, (1.0, 1.03, 1.06), begun=at(0), gravity_sd_sg=0.0004)


def test_a_calibration_in_progress_comes_back_as_it_went_in(store: Store) -> None:
    store.keep_calibration(begun())
    store.keep_calibration(sessions.drop(sessions.add(begun(), 1.09), 2))

    assert store.calibration(HERON) == sessions.drop(sessions.add(begun(), 1.09), 2)
    assert store.calibration(FloatId("wren")) is None


def test_a_calibration_that_ended_is_forgotten_alone(store: Store) -> None:
    store.keep_calibration(begun())
    store.keep_calibration(begun(FloatId("wren")))

    store.forget_calibration(HERON)

    assert store.calibration(HERON) is None
    assert store.calibration(FloatId("wren")) == begun(FloatId("wren"))


def test_an_unknown_float_is_not_calibrated(store: Store) -> None:
    with pytest.raises(NotFound, match="gylewatch float add"):
        store.keep_calibration(begun(FloatId("lark")))
