"""When a delivery is tried again, and when it no longer is. The clock and chance are arguments."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from typing import Final

FIRST_S: Final = 5.0
LONGEST_S: Final = 3_600.0
GIVE_UP_AFTER: Final = timedelta(days=5)
LONGEST_ASKED_S: Final = 86_400.0  # of a Retry-After
OVERLAP: Final = timedelta(hours=24)  # for which the secret before the last rotation signs too


def retry_delay_s(attempts: int, chance: float) -> float:
    """Seconds to wait after this many failed attempts: doubled each time, the last third by chance.

    After the first: 5 s to 7.5 s; later: at most one hour. Without chance, receivers that failed
    together would all be tried again together.

    Args:
        attempts: failed attempts so far, >= 1
        chance: in [0, 1)

    Returns:
        seconds from 5 to 3600

    Source: common practice, no source.
    """
    longest = min(LONGEST_S, 1.5 * FIRST_S * 2.0 ** min(attempts - 1, 32))
    return longest * (2.0 + chance) / 3.0


def asked_delay_s(retry_after: str | None, now: datetime) -> float | None:
    """Seconds for which a receiver asked to be left alone; None where it asked for nothing readable.

    retry_after: the header, as seconds or as an HTTP date (RFC 9110, section 10.2.3). More than a day
    is taken as a day, so that a slip of the receiver's does not silence it for years.
    """
    if retry_after is None:
        return None
    text = retry_after.strip()
    if text.isascii() and text.isdecimal() and len(text) <= 15:
        seconds = float(text)
    else:
        try:
            moment = parsedate_to_datetime(text)
        except (TypeError, ValueError, OverflowError):
            return None
        if moment.tzinfo is None:
            moment = moment.replace(tzinfo=UTC)
        seconds = (moment - now).total_seconds()
    return min(max(seconds, 0.0), LONGEST_ASKED_S)


def next_attempt(now: datetime, attempts: int, chance: float, retry_after: str | None = None) -> datetime:
    """When to try again: after the schedule's delay, or after the receiver's where that is longer."""
    asked = asked_delay_s(retry_after, now) or 0.0
    return now + timedelta(seconds=max(retry_delay_s(attempts, chance), asked))


def must_wait(until: datetime | None, now: datetime) -> bool:
    """Whether `until` lies ahead. An instant further ahead than any that is ever set does not count.

    It was set by a clock that had run ahead, and waiting for it could take years.
    """
    return until is not None and now < until <= now + timedelta(seconds=LONGEST_ASKED_S + LONGEST_S)


def gives_up(first_attempt: datetime, now: datetime) -> bool:
    """Whether a delivery has failed for so long that its webhook is disabled: 5 days."""
    return now - first_attempt >= GIVE_UP_AFTER
