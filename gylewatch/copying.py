"""Copies of frozen values with some fields changed."""

from __future__ import annotations

from dataclasses import fields
from functools import cache
from typing import TYPE_CHECKING, Any

__all__ = ["replace"]

if TYPE_CHECKING:
    # The same function as the type checker sees it, which then knows the fields and their types.
    from dataclasses import replace
else:
    from dataclasses import replace as _replace_each

    def replace(value: Any, /, **changes: Any) -> Any:
        """A copy of a dataclass, some fields changed: as `dataclasses.replace`, without slots in a tenth of the time.

        The estimator and the rules make some twenty such copies at each reading. The `__init__` of a frozen class looks
        each field up by its name to set it; here all are taken over at once. What has slots is copied field by field.
        """
        kept = getattr(value, "__dict__", None)
        if kept is None:
            return _replace_each(value, **changes)
        kind = type(value)
        names, check = _of(kind)
        if not changes.keys() <= names:
            raise TypeError(f"{kind.__name__} has no field {min(changes.keys() - names)!r} that could be changed")
        copy = object.__new__(kind)
        copy.__dict__.update(kept, **changes)
        if check is not None:
            check(copy)
        return copy


@cache
def _of(kind: type) -> tuple[frozenset[str], Any]:
    """The fields that can be changed, and what checks the whole."""
    return frozenset(each.name for each in fields(kind) if each.init), getattr(kind, "__post_init__", None)
