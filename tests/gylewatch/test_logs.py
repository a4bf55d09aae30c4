"""Log lines: one an event, ours and the libraries', readable by a person or a machine."""

from __future__ import annotations

import json
import subprocess
import sys

PROGRAM = """
import logging, structlog
from gylewatch.logs import LogSettings, configure
configure(LogSettings(level="info", format={format!r}))
structlog.get_logger("ours").info("broker away", broker="cellar:1883")
structlog.get_logger("ours").debug("too fine")
logging.getLogger("theirs").warning("a library says %s", "hello")
logging.getLogger("alembic.runtime").info("job run")
try:
    1 / 0
except ZeroDivisionError:
    structlog.get_logger("ours").exception("a fault")
"""


def lines(form: str) -> list[str]:
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM.format(format=form)], capture_output=True, text=True, check=True
    )
    assert done.stdout == ""
    return done.stderr.splitlines()


def test_as_text_each_event_is_one_line_of_keys_and_values() -> None:
    first, second, third = lines("text")

    assert 'event="broker away"' in first
    assert "broker=cellar:1883" in first
    assert 'level=warning event="a library says hello"' in second
    assert "ZeroDivisionError" in third


def test_as_json_each_line_is_an_object() -> None:
    first, second, third = (json.loads(line) for line in lines("json"))

    assert (first["event"], first["broker"], first["level"]) == ("broker away", "cellar:1883", "info")
    assert second["logger"] == "theirs"
    assert "ZeroDivisionError" in third["exception"]
