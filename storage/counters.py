"""Counters of encrypted advertisements: the last one of each float, so that a recording stays old after a restart."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from sqlalchemy import Connection, update

from gylewatch.errors import NotFound
from gylewatch.values import FloatId
from storage.part import Part
from storage.schema import FloatRow

NO_COUNTERS: Final[Mapping[FloatId, int]] = MappingProxyType({})


class Counters(Part):
    """Written with the readings; see `storage.readings`."""

    def forget_counter(self, float_id: FloatId) -> None:
        """Let a float's counter begin anew, as after a change of its battery.

        Raises
        ------
        NotFound
            No float has that name.
        """
        change = update(FloatRow).where(FloatRow.float_id == float_id).values(advert_counter=None)
        with self._database.writing() as connection:
            if connection.execute(change).rowcount == 0:
                raise NotFound("float", float_id, "see: gylewatch float list")


def save_counters(connection: Connection, counters: Mapping[FloatId, int]) -> None:
    """Within a transaction; a float that is not known any more is left out."""
    for float_id, counter in counters.items():
        connection.execute(update(FloatRow).where(FloatRow.float_id == float_id).values(advert_counter=counter))
