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
        """A copy of a dataclass with slots, some fields changed: as `dataclasses.replace`, in half the time.

        The estimator and the rules make some twenty such copies at each reading. The `__init__` of a frozen class looks
        each field up by its name to set it; here the slots are found once.
        """
        kind = type(value)
        kept_of, put_each, check = _way(kind, tuple(changes))
        copy = object.__new__(kind)
        for put, each in zip(put_each, (*kept_of(value), *changes.values()), strict=True):
            put(copy, each)
        if check is not None:
            check(copy)
        return copy


_Put = Callable[[object, object], None]


@cache
def _way(
    kind: type, changed: tuple[str, ...]
) -> tuple[Callable[[object], tuple[object, ...]], tuple[_Put, ...], Callable[[object], None] | None]:
    """What reads the fields that are kept, what sets those and then the changed ones, and what checks the whole."""
    names = [each.name for each in fields(kind) if each.init]
    for name in changed:
        if name not in names:
            raise TypeError(f"{kind.__name__} has no field {name!r} that could be changed")
    kept = [name for name in names if name not in changed]
    puts = tuple(getattr(kind, name).__set__ for name in (*kept, *changed))
    return _reader(kept), puts, getattr(kind, "__post_init__", None)


def _reader(names: list[str]) -> Callable[[object], tuple[object, ...]]:
    if len(names) < 2:  # for one name `attrgetter` gives no tuple, and it takes at least one
        return lambda value: tuple(getattr(value, name) for name in names)
    return attrgetter(*names)
