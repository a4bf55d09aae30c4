"""A number as a person types it, with what the keyboard at hand has: a point or a comma, one minus or another. Pure.

The number pads of phones have no point in half of the world's languages, and some have digits of their own. Files keep
to the contract: a comma separates their columns.
"""

from __future__ import annotations

import re
import unicodedata
from typing import Final

_LONGEST: Final = 40  # characters; more is no number that anyone types
_NUMBER: Final = re.compile(r"[-+]?(\d+(\.\d*)?|\.\d+)", re.ASCII)
_MAY_GROUP: Final = re.compile(r"[-+]?[1-9]\d{0,2},\d{3}", re.ASCII)
# What keyboards make of a minus (the sign itself, an en dash, hyphens) and of a decimal mark (Arabic, full width).
_LIKE_ASCII: Final = str.maketrans(
    dict.fromkeys("\u2212\u2013\u2010\u2011\ufe63\uff0d", "-") | {"\u066b": ".", "\uff0e": ".", "\uff0c": ","}
)

# By the unit of a field, the ways in which people write it behind their number; in small letters.
_SPELLED: Final = {
    "l": ("l", "litre", "litres", "liter", "liters"),
    "%": ("%",),
    "°C": ("°c", "c"),
    "°F": ("°f", "f"),
    "g": ("g", "gram", "grams"),
    "points": ("points", "point"),
    "SG": ("sg",),
    "Plato": ("°plato", "plato", "°p", "p"),
    "Brix": ("°brix", "brix", "°bx", "bx"),
    "g/cm3": ("g/cm3", "g/cm³"),
}


def without_unit(typed: str, unit: str) -> str:
    """What was typed without the unit behind it, where that is the one meant; another one stays, to be asked about."""
    plain = typed.strip()
    for spelled in sorted(_SPELLED.get(unit, ()), key=len, reverse=True):
        number = plain[: -len(spelled)]
        if plain.casefold().endswith(spelled) and number_of(number) is not None:
            return number.strip()
    return plain


def number_of(typed: str) -> float | None:
    """The number; None: it is no plain one. `thousands_doubt` says whether a comma in it may mean something else."""
    plain = point_form(typed)
    return float(plain) if len(plain) <= _LONGEST and _NUMBER.fullmatch(plain) else None


def point_form(typed: str) -> str:
    """The same number written with a point and plain digits; what is no number stays as it was typed."""
    plain = in_ascii(typed).strip()
    if plain.count(",") == 1 and "." not in plain:
        plain = plain.replace(",", ".")
    return plain if _NUMBER.fullmatch(plain) else typed


def why_no_number(typed: str) -> str:
    """Why `number_of` gives none, as the end of a sentence about it."""
    plain = in_ascii(typed).strip()
    parts = re.split(r"[.,]", plain)
    if len(parts) > 2 and "".join(parts).isdecimal():
        return "has more than one point or comma; write one, before the decimals, and none between thousands"
    return "is not a plain number"


def thousands_doubt(typed: str, most: float) -> str:
    """What may be meant by a comma before three digits; empty: it stands for a point.

    Parameters
    ----------
    most : the largest number that makes sense there; below a thousand, no comma stands between thousands
    """
    plain = in_ascii(typed).strip()
    whole = plain.replace(",", "")
    if not _MAY_GROUP.fullmatch(plain) or abs(float(whole)) > most:
        return ""
    # Whoever has no point on the keyboard is told another way to write the decimals.
    again = plain.rstrip("0").rstrip(",") if plain.endswith("0") else f"{plain}0"
    decimal = f"{float(point_form(plain)):g}"
    return f"did you mean {whole} or {decimal}? A comma before three digits may be either; type {whole} or {again}"


def in_ascii(typed: str) -> str:
    """Digits, marks and minus of other keyboards as those of a plain number; the rest stays."""
    return "".join(str(unicodedata.decimal(each, each)) for each in typed).translate(_LIKE_ASCII)
