"""One round of deliveries: which events may go now, in which lanes, and how far the cursor moves after.

Events of one subject (a hanger, a line) reach the endpoint in the order of the log: a subject has one
lane, a lane sends one message after the other, and what is waiting for another attempt holds back the
later events of its subject. Subjects do not wait for each other within a window of the log.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from service.domain.instants import parse_instant
from service.domain.webhooks.messages import Message
from service.domain.webhooks.records import WAITING, Delivery
from service.domain.webhooks.schedule import must_wait

WINDOW: Final = 64  # events from the cursor on that may be under way
LANES: Final = 4


@dataclass(frozen=True)
class Window:
    """The next events that a webhook wants, from its cursor on, with what is known of their deliveries.

    scanned_to: every event before this place that the webhook wants is in the window.
    """

    messages: Sequence[Message]
    deliveries: Mapping[int, Delivery]
    scanned_to: int


@dataclass(frozen=True)
class Round:
    """What may be sent now. lanes: each in order of sequence. held_until: when the first held one is due."""

    lanes: Sequence[Sequence[Message]]
    held_until: datetime | None


def plan_round(window: Window, now: datetime, *, probing: bool, most_lanes: int = LANES) -> Round:
    """The lanes of the next round.

    Args:
        window: from the cursor on
        now: the present
        probing: the endpoint failed last time: one message tries whether it is back
        most_lanes: how many messages may be under way at once
    """
    held: set[str] = set()
    held_until: datetime | None = None
    queues: dict[str, list[Message]] = {}
    for message in window.messages:
        subject = message.subject.casefold()
        delivery = window.deliveries.get(message.sequence)
        if subject in held or (delivery is not None and delivery.outcome != WAITING):
            continue
        due = _due(delivery)
        if due is not None and must_wait(due, now):
            held.add(subject)
            held_until = due if held_until is None else min(held_until, due)
            continue
        queues.setdefault(subject, []).append(message)
    if probing and queues:
        first = min((queue[0] for queue in queues.values()), key=_place)
        return Round([[first]], held_until)
    return Round(_lanes(list(queues.values()), most_lanes), held_until)


def cursor_after(window: Window, delivered: Collection[int]) -> int:
    """The first place that is not done, once these sequences are delivered besides those that were."""
    for message in window.messages:
        known = window.deliveries.get(message.sequence)
        if message.sequence not in delivered and (known is None or known.outcome == WAITING):
            return message.sequence
    return window.scanned_to


def _due(delivery: Delivery | None) -> datetime | None:
    if delivery is None or delivery.next_attempt_at is None:
        return None
    return parse_instant(delivery.next_attempt_at)


def _place(message: Message) -> int:
    return message.sequence


def _lanes(queues: list[list[Message]], most: int) -> list[list[Message]]:
    """The queues of the subjects dealt out: the longest first, each to the lane with least to do."""
    lanes: list[list[Message]] = [[] for _ in range(min(most, len(queues)))]
    for queue in sorted(queues, key=len, reverse=True):
        min(lanes, key=len).extend(queue)
    return [sorted(lane, key=_place) for lane in lanes]
