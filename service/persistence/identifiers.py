"""Identifiers and instants as the store writes them; time and chance come from outside."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Final

Clock = Callable[[], datetime]
RandomBytes = Callable[[int], bytes]

SALT_BYTES: Final = 32
_LOG_ID_BYTES: Final = 16


def comparable(moment: datetime) -> str:
    """RFC 3339 in UTC with six decimals and a year of four digits: texts sort as the instants do.

    Raises:
        ValueError: the instant has no offset from UTC, so that it names no moment.
    """
    if moment.tzinfo is None:
        raise ValueError("an instant without an offset cannot be compared")
    return moment.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="microseconds") + "Z"


def new_event_id(moment: datetime, random_bytes: RandomBytes) -> str:
    """UUID of version 7: 48 bits of milliseconds since 1970, then 74 random bits (RFC 9562, section 5.7)."""
    milliseconds = int(moment.timestamp() * 1000) & (1 << 48) - 1
    chance = int.from_bytes(random_bytes(10), "big")
    number = (
        milliseconds << 80 | 0x7 << 76 | (chance >> 62 & 0xFFF) << 64 | 0b10 << 62 | chance & (1 << 62) - 1
    )
    digits = f"{number:032x}"
    return "-".join((digits[:8], digits[8:12], digits[12:16], digits[16:20], digits[20:]))


def new_log_id(random_bytes: RandomBytes) -> str:
    """128 random bits in hex: tells this log from every other, also from one of the same plant key."""
    return random_bytes(_LOG_ID_BYTES).hex()
