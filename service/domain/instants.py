"""Instants: RFC 3339 text to aware times and back. The clock itself is always an argument."""

from __future__ import annotations

from datetime import UTC, datetime

from service.errors import Finding, InvalidDocument


def parse_instant(text: str, pointer: str = "/occurred_at") -> datetime:
    """The instant that an RFC 3339 text states, in UTC.

    A leap second (`:60`) and an offset beyond a day are refused, since they name no instant that
    can be compared. Errors: InvalidDocument with the pointer given.
    """
    try:
        moment = datetime.fromisoformat(text)
        if moment.tzinfo is None:
            raise ValueError("no offset from UTC")
        return moment.astimezone(UTC)
    except (ValueError, OverflowError):
        raise InvalidDocument(
            f"{text!r} is not an instant that can be used.",
            errors=[
                Finding(
                    "body",
                    "instant",
                    "not an RFC 3339 date and time with offset",
                    pointer=pointer,
                    accepted="RFC 3339 with offset, as 2026-05-04T08:30:00+02:00, years 0002 to 9998",
                )
            ],
        ) from None


def format_instant(moment: datetime) -> str:
    """RFC 3339 in UTC with six decimals, so that texts sort as the instants do."""
    # strftime does not pad years below 1000 everywhere.
    return moment.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="microseconds") + "Z"
