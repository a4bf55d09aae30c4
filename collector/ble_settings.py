"""What the user sets about one Bluetooth adapter. Values only; importing this loads no Bluetooth library."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from collector.layout import AdvertLayout


@dataclass(frozen=True, slots=True, kw_only=True)
class BleSettings:
    """One adapter."""

    adapter: str | None = None  # e.g. hci0; None: the first that is switched on
    scanning: Literal["active", "passive"] = "active"
    # Active scanning works with every Bluetooth service; passive spares the floats' batteries a little but needs a
    # recent one.
    layouts: tuple[AdvertLayout, ...] = ()
    silence_s: float = 300.0
    # The scanner is rebuilt when no advertisement at all was heard for so long: the Bluetooth service may have been
    # restarted, which is reported to nobody. Rebuilding a healthy scanner costs a fraction of a second.

    def __post_init__(self) -> None:
        if self.scanning not in ("active", "passive"):
            raise ValueError(f'scanning {self.scanning!r} is not known; write "active" or "passive"')
        if not self.silence_s > 0:
            raise ValueError(f"silence_s {self.silence_s:g} must be above 0")
