"""Names of floats and vessels outside the database: what must change with one, and when it cannot change yet. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final, Literal

Named = Literal["float", "vessel"]

HERE: Final = "<float>"
"""Stands for a float's name in `Naming.places`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Naming:
    """What a configuration says about names."""

    places: tuple[str, ...] = ()  # where a float that sends its name sends it, each with `HERE` in it
    floats: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))  # by name, the table that has it
    vessels: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))

    def table_of(self, what: Named, name: str) -> str:
        """The table of the configuration that names a float or vessel; empty: none does."""
        return (self.floats if what == "float" else self.vessels).get(name, "")

    def why_not_renamed(self, what: Named, old: str, new: str) -> str:
        """Why a float or vessel cannot have another name yet; empty: it can.

        The configuration is read when the service starts. Under a name that it does not know a float would be read
        along another axis, or not at all, and a vessel would lose its probe.
        """
        table = self.table_of(what, old)
        if not table:
            return ""
        return (
            f"the configuration names it, under {table}: stop the service, write {new} there, then give "
            f"gylewatch {what} rename {old} {new}, and start the service again"
        )

    def to_change(self, what: Named, old: str, new: str, *, address: str | None = None) -> tuple[str, ...]:
        """What is to be changed elsewhere once a float or vessel is called `new`, in sentences.

        Parameters
        ----------
        address : the float's radio address, if it is known by one
        """
        if what == "vessel":
            return (f"In batch files write {new} from now on.",)
        said = []
        if address is not None:
            said.append(f"Over Bluetooth it is known by its address {address}, and nothing is to be changed there.")
        if self.places:
            places = ", or ".join(place.replace(HERE, new) for place in self.places)
            who = "it" if address is None else "a gateway that sends its name"
            unknown = f"What comes as {old} is of an unknown float now, and not kept."
            said.append(f"Let {who} send {new} in place of {old}: {places}. {unknown}")
        return (*said, f"In batch and reference files write {new} from now on.")
