"""HttpSettings: how the page and the API are served."""

from __future__ import annotations

from dataclasses import dataclass, field

from collector.senml_pack import MAX_PACK_BYTES


@dataclass(frozen=True, slots=True, kw_only=True)
class HttpSettings:
    """The section ``[http]`` of the configuration."""

    host: str = "127.0.0.1"  # only this machine, until the brewer opens it on purpose
    port: int = 8220  # free in the list of common services, and above 1024: no root needed
    token: str | None = field(default=None, repr=False)  # None: nothing may be written over the API
    fahrenheit: bool = False  # on the screen only; the API and the database stay in degrees Celsius
    max_body_bytes: int = MAX_PACK_BYTES  # the decoder refuses longer packs anyway
    # Host names beside plain addresses, single words and local domains; see `web.security.is_local_host`.
    names: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not 0 <= self.port <= 65535:
            raise ValueError(f"port {self.port} is outside 0 to 65535")
        if self.token is not None and len(self.token) < 16:
            # 16 characters of hex are 64 bits: not to be guessed over a network.
            raise ValueError("the token is shorter than 16 characters; make one with: openssl rand -hex 24")
        if self.token is not None and not (self.token.isascii() and self.token.isprintable()):
            # It travels in the head of a request, in which other letters are written in more ways than one.
            raise ValueError("the token must be plain letters (a to z, A to Z), digits and signs")
        if self.max_body_bytes < 1_000:
            raise ValueError(f"max_body_bytes {self.max_body_bytes} is below 1000: no reading would fit")
