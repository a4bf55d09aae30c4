"""Copies of frozen values with some fields changed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from functools import cache
from operator import attrgetter
from typing import TYPE_CHECKING, Any

__all__ = ["replace"]

if TYPE_CHECKING:
    # The same function as the type checker sees it, which then knows the fields and their types.
    from dataclasses import replace
else:

    def replace(value: Any, /, **changes: Any) -> Any:
        """A copy of a dataclass with some fields changed: as `dataclasses.replace`, in about two thirds of the time.

        The estimator and the rules make some twenty such copies at each reading. Which fields a copy keeps is the same
        each time, and is not found out anew.
        """
        kept, values_of = _kept(type(value), tuple(changes))
        changes.update(zip(kept, values_of(value), strict=True))
        return type(value)(**changes)


@cache
def _kept(kind: type, changed: tuple[str, ...]) -> tuple[tuple[str, ...], Callable[[object], tuple[object, ...]]]:
    """The fields of `kind` that are not changed, and what reads them all."""
    names = tuple(each.name for each in fields(kind) if each.init and each.name not in changed)
    if len(names) < 2:  # for one name `attrgetter` gives no tuple, and it takes at least one
        return names, lambda value: tuple(getattr(value, name) for name in names)
    return names, attrgetter(*names)
