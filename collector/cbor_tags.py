"""Semantic tags in CBOR, found before anything is decoded. Pure.

A decoder turns tags into objects: one tag compiles a regular expression, another parses an e-mail. SenML needs numbers
only, and a few kilobytes of the others can keep a processor busy for minutes.
"""

from __future__ import annotations

from typing import Final

NUMBER_TAGS: Final = frozenset({2, 3, 4, 5})  # bignums, decimal fractions, bigfloats: RFC 8949, section 3.4, table 5

_ARGUMENT_BYTES: Final = {24: 1, 25: 2, 26: 4, 27: 8}  # RFC 8949, section 3
_BYTE_STRING, _TEXT_STRING, _TAG = 2, 3, 6


def foreign_tag(encoded: bytes) -> int | None:
    """The first tag in `encoded` that is not of a number, or None.

    Heads follow each other without regard to nesting, so one pass finds every tag. It ends where the encoding is not
    well formed, which is where the decoder ends as well.

    Source: RFC 8949 (2020), section 3.
    """
    position, end = 0, len(encoded)
    while position < end:
        major, low = encoded[position] >> 5, encoded[position] & 0x1F
        position += 1
        size = _ARGUMENT_BYTES.get(low, 0)
        argument = int.from_bytes(encoded[position : position + size], "big") if size else low
        position += size
        if major == _TAG and argument not in NUMBER_TAGS:
            return argument
        if major in (_BYTE_STRING, _TEXT_STRING) and low < 28:  # 31 opens chunks, each with a head of its own
            position += argument
    return None
