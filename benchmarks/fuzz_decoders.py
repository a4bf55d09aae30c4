"""Feed decoders with made-up bytes: each must give values or refusals, and raise nothing.

    python -m benchmarks.fuzz_decoders [--inputs 1000000] [--seed 1]      mutated packets, seeded, no further package
    python -m benchmarks.fuzz_decoders --atheris -- -runs=1000000         coverage-guided, where atheris is installed

An input that raises is written out in hex, and the exit code is 1.
"""

from __future__ import annotations

import argparse
import importlib
import math
import random
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import cbor2

from collector.admit import admit
from collector.advert import BleDecoding, BleFloat, decode_heard, encode_advert
from collector.bthome import decode_bthome
from collector.layout import AdvertLayout, LayoutField
from collector.mapping import JsonMapping, Place, decode_json
from collector.packet import Fields, Packet, Refusal, Rejected, Source
from collector.senml import decode_senml, encode_senml_cbor, encode_senml_json
from gylewatch.values import FloatId, Reading

NOW = datetime(2026, 3, 2, 18, 30, tzinfo=UTC)
ADDRESS = "54:48:E6:8F:80:A5"
KEY = bytes.fromhex("231d39c1d7cc1ab1aee224cd096db932")
KNOWN = frozenset({FloatId("heron")})
MAPPING = JsonMapping(
    topic="t",
    float_name="heron",
    angle=Place(pointer="/n", unit="rad"),
    temperature=Place(pointer="/0/v", unit="F"),
    time=Place(pointer="/t", unit="iso"),
    rssi=Place(pointer="/v", unit="dBm"),
)
LAYOUT = AdvertLayout(
    company=0xFFFF,
    angle=LayoutField(offset=1, type="f32", unit="rad"),
    temperature=LayoutField(offset=5, type="f64", unit="F", scale=1e300),
)
DECODING = BleDecoding(floats={ADDRESS: BleFloat(name="heron", key=KEY)}, layouts=(LAYOUT,))
READINGS = tuple(
    Reading(
        time=NOW.replace(minute=minute),
        float_id=FloatId("heron"),
        angle_deg=40.0,
        temperature_c=19.0,
        battery_v=3.9,
        battery_percent=80.0,
        rssi_dbm=-70,
        acceleration_g=size,
    )
    for minute, size in ((0, None), (15, 1.0))
)
TOKENS = (
    *(b"NaN", b"1e999", b"-", b'"bver":', b'"x_":', b'"t":', b'"bt":', b"null", b"true", b"[", b"]", b"{", b"}", b","),
    *(
        b"\xfb",
        b"\xf9\x7e\x00",
        b"\xc2",
        b"\xc4",
        b"\xc5",
        b"\xd9\xd9\xf7",
        b"\x9f",
        b"\xff",
        b"\xbf",
        b"\xa1",
        b"\x7f",
    ),
    *map(cbor2.dumps, (2**70, -(2**70), math.nan, math.inf, [], {}, None, "bt", -3, 6)),
)


def judge(found: Fields | Refusal | None, source: Source, payload: bytes) -> None:
    if found is None:
        return
    packet = Packet(source=source, origin="t", payload=payload, received=NOW)
    outcome = admit(found, packet, now=NOW, known=KNOWN)
    assert isinstance(outcome, Reading | Rejected)


def one_senml(payload: bytes) -> None:
    found = decode_senml("heron", payload, NOW)
    assert found
    for one in found:
        judge(one, Source.MQTT, payload)


def one_json(payload: bytes) -> None:
    judge(decode_json(MAPPING, "t", payload), Source.MQTT, payload)


def one_bthome(payload: bytes) -> None:
    judge(
        decode_bthome("heron", ADDRESS, payload, key=KEY if payload[:1] > b"\x80" else None).found, Source.BLE, payload
    )


def one_advert(payload: bytes) -> None:
    packet = Packet(source=Source.BLE, origin=ADDRESS, payload=payload, received=NOW)
    judge(decode_heard(DECODING, {}, packet)[1], Source.BLE, payload)


Target = tuple[Callable[[bytes], None], tuple[bytes, ...]]
TARGETS: tuple[Target, ...] = (
    (one_senml, (encode_senml_json(READINGS), encode_senml_cbor(READINGS))),
    (one_json, (b'{"n":0.7,"0":{"v":68},"t":"2026-03-02T18:30:00Z","v":-70}',)),
    (one_bthome, (bytes.fromhex("400009016102CA090C020C3FC201"), bytes.fromhex("41a47266c95f730011223378237214"))),
    (one_advert, (encode_advert({0xFCD2: b"\x40\x02\xca\x09\x3f\xc2\x01"}, {0xFFFF: bytes(range(13))}),)),
)


def mutated(chance: random.Random, seed: bytes) -> bytes:
    """`seed` with a few bytes changed, cut, doubled, or replaced by what decoders stumble over."""
    data = bytearray(seed)
    for _ in range(chance.randint(1, 6)):
        at = chance.randint(0, len(data))
        match chance.randint(0, 5):
            case 0 if data:
                data[at % len(data)] = chance.randint(0, 255)
            case 1:
                data[at:at] = chance.choice(TOKENS)
            case 2:
                del data[at : at + chance.randint(1, 8)]
            case 3:
                data[at:at] = data[at : at + chance.randint(1, 30)]
            case 4:
                token = chance.choice(TOKENS)
                data[at : at + len(token)] = token
            case _:
                data[at:at] = chance.randbytes(chance.randint(1, 6))
    return bytes(data)


def fuzz(inputs: int, seed: int) -> int:
    chance = random.Random(seed)
    started = time.monotonic()
    shown = started
    for number in range(inputs):
        target, seeds = TARGETS[number % len(TARGETS)]
        payload = mutated(chance, chance.choice(seeds)) if chance.random() > 0.05 else chance.randbytes(40)
        try:
            target(payload)
        except Exception as error:  # noqa: BLE001, RUF100 - any exception is what is looked for
            print(f"{target.__name__} raised {type(error).__name__}: {error}\ninput: {payload.hex()}")
            return 1
        if time.monotonic() - shown > 10:
            shown = time.monotonic()
            print(f"{number + 1:,} inputs, nothing raised", flush=True)
    print(f"{inputs:,} inputs in {time.monotonic() - started:.0f} s (seed {seed}): nothing but values and refusals")
    return 0


def fuzz_by_coverage(arguments: list[str]) -> int:
    try:
        atheris: Any = importlib.import_module("atheris")
    except ImportError:
        print("atheris is not installed; run without --atheris, or install it")
        return 2

    def one(data: bytes) -> None:
        if data:
            TARGETS[data[0] % len(TARGETS)][0](data[1:])

    atheris.instrument_all()
    atheris.Setup([sys.argv[0], *arguments], one)
    atheris.Fuzz()
    return 0


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--inputs", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--atheris", action="store_true")
    parser.add_argument("rest", nargs="*")
    options = parser.parse_args()
    return fuzz_by_coverage(options.rest) if options.atheris else fuzz(options.inputs, options.seed)


if __name__ == "__main__":
    sys.exit(main())
