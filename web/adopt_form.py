"""A float that was heard, and what a person typed to take it in: to a `FloatRecord`, or to a question. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from collector.packet import Source
from gylewatch.values import FloatId, check_name
from storage.records import FloatRecord, HeardFloat
from web.typed import Question
from web.words import capital

_NOTE_LENGTH = 200


def sends_its_name(heard: HeardFloat) -> bool:
    """Whether the float is known by what it sends; over radio only its address is heard."""
    return heard.source != Source.BLE


def parse_adoption(fields: Mapping[str, str], heard: HeardFloat, *, created: datetime) -> FloatRecord | Question:
    """The float as the user names it.

    Parameters
    ----------
    fields : ``name`` and ``note``; a float that sends its name keeps it, whatever was typed
    """
    name = heard.name if sends_its_name(heard) else fields.get("name", "").strip()
    if not name:
        return Question(field="name", sentence="What shall the float be called? The field is empty.")
    try:
        check_name("float", name)
    except ValueError as error:
        sentence = f"{error}." if not sends_its_name(heard) else f"{error}; change it where the float is set up."
        return Question(field="name", sentence=capital(sentence))
    return FloatRecord(
        float_id=FloatId(name),
        created=created,
        note=fields.get("note", "").strip()[:_NOTE_LENGTH],
        address=None if sends_its_name(heard) else heard.name,
    )
