"""Webhooks: a plant's events sent to an address of the caller's choosing, signed, in order and at least once.

Pure rules: which targets are allowed, what is sent and how it is signed, when it is tried again, and
which events of a window may go now.
"""

from __future__ import annotations

from service.domain.webhooks.messages import (
    MEDIA_TYPE,
    Message,
    StoredBytes,
    headers_of,
    message_of,
    secret_mark,
    secret_of,
    signature,
)
from service.domain.webhooks.ports import Leadership, Outbox, Pass, WebhookReader, WebhookWriter
from service.domain.webhooks.records import (
    CAUSES,
    DELIVERED,
    FAILING,
    GONE,
    MOST_REPLAYS,
    MOST_WEBHOOKS,
    OUTCOMES,
    WAITING,
    Delivery,
    Progress,
    Replay,
    Result,
    Webhook,
    after_attempt,
    disabling_reason,
    rest_until,
    result_of,
)
from service.domain.webhooks.rounds import LANES, WINDOW, Round, Window, cursor_after, plan_round
from service.domain.webhooks.schedule import (
    OVERLAP,
    asked_delay_s,
    gives_up,
    must_wait,
    next_attempt,
    retry_delay_s,
)
from service.domain.webhooks.targets import Target, host_of, inward, is_allowed, parse_target

__all__ = [
    "CAUSES",
    "DELIVERED",
    "FAILING",
    "GONE",
    "LANES",
    "MEDIA_TYPE",
    "MOST_REPLAYS",
    "MOST_WEBHOOKS",
    "OUTCOMES",
    "OVERLAP",
    "WAITING",
    "WINDOW",
    "Delivery",
    "Leadership",
    "Message",
    "Outbox",
    "Pass",
    "Progress",
    "Replay",
    "Result",
    "Round",
    "StoredBytes",
    "Target",
    "Webhook",
    "WebhookReader",
    "WebhookWriter",
    "Window",
    "after_attempt",
    "asked_delay_s",
    "cursor_after",
    "disabling_reason",
    "gives_up",
    "headers_of",
    "host_of",
    "inward",
    "is_allowed",
    "message_of",
    "must_wait",
    "next_attempt",
    "parse_target",
    "plan_round",
    "rest_until",
    "result_of",
    "retry_delay_s",
    "secret_mark",
    "secret_of",
    "signature",
]
