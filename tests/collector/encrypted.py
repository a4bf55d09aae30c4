"""Encrypted advertisements for tests. Source of the layout and the nonce: BTHome v2, bthome.io/encryption."""

from __future__ import annotations

from cryptography.hazmat.primitives.ciphers.aead import AESCCM

KEY = bytes.fromhex("231d39c1d7cc1ab1aee224cd096db932")


def encrypted_bthome(address: str, body: bytes, counter: int, key: bytes = KEY) -> bytes:
    """Service data from the device information byte on; `body` holds the objects."""
    info, count = b"\x41", counter.to_bytes(4, "little")
    nonce = bytes.fromhex(address.replace(":", "")) + b"\xd2\xfc" + info + count
    sealed = AESCCM(key, tag_length=4).encrypt(nonce, body, None)
    return info + sealed[:-4] + count + sealed[-4:]
