"""A stored belief is gone on from, or refused; it never fails in another way."""

from __future__ import annotations

import json
import math
import struct
import zlib

import pytest

from fermentation import smooth
from fermentation.belief import decode_belief, encode_belief
from tests.fermentation.brew import batch, readings, run


def with_head(stored: bytes, **change: object) -> bytes:
    """A stored belief of which the readable part says something else."""
    magic, packed = stored.split(b"\n", 1)
    plain = zlib.decompress(packed)
    (size,) = struct.unpack_from("<I", plain)
    text = json.dumps({**json.loads(plain[4 : 4 + size]), **change}).encode()
    return magic + b"\n" + zlib.compress(struct.pack("<I", len(text)) + text + plain[4 + size :])


@pytest.mark.parametrize(
    "change",
    [
        {"step": "many"},
        {"step": 1.5},
        {"rocking": None},
        {"rocking": [[51.0], 0.4]},
        {"rocking": [[51.0], 0.4, 7, 0.8, 9, "none"]},
        {"warmest_c": [19.0]},
        {"undrawn_hours": math.inf},
        {"additions_done": 10**400},
        {"rocking": [[51.0, "steep"], 0.4, 7, 0.8, 9, 0.0]},
        {"pending": [["low"], [19.0], 1]},
        {"shape": [10**9, 240]},
        {"shape": [15, 10**30]},
        {"shape": [0, 0]},
        {"shape": [-15, 240]},
    ],
)
def test_a_stored_belief_of_other_things_than_its_numbers_is_refused(change: dict[str, object]) -> None:
    belief, _ = run(smooth.start(batch()), readings(5.0))
    stored = encode_belief(belief)

    with pytest.raises(ValueError, match="the stored belief"):
        decode_belief(with_head(stored, **change), batch())
    assert encode_belief(decode_belief(with_head(stored), batch())) == stored


def test_a_stored_belief_that_is_nested_without_end_is_refused() -> None:
    magic, text = encode_belief(smooth.start(batch())).split(b"\n", 1)[0], b"[" * 100_000
    stored = magic + b"\n" + zlib.compress(struct.pack("<I", len(text)) + text)

    with pytest.raises(ValueError, match="damaged"):
        decode_belief(stored, batch())
