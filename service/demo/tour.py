"""The guided tour: requests for a shell, printed with the tokens of this demonstration."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final

from service.demo.records import PLANT, supports_of
from service.domain.access import ROLES


@dataclass(frozen=True)
class Stop:
    """One request of the tour: who asks what, and why. file: where the answer goes, if not to the screen."""

    title: str
    role: str
    method: str
    path: str
    body: Mapping[str, Any] | None = None
    headers: Mapping[str, str] = field(default_factory=dict)
    file: str | None = None


def stops(now: datetime) -> tuple[Stop, ...]:
    """The tour. now: the moment that its acts state as their time on site."""
    stamp = now.strftime("%Y-%m-%dT%H:%M:%SZ")
    base = f"/v1/plants/{PLANT}"
    return (
        Stop("Which lines are ready for release?", "reader", "GET", f"{base}/readiness?for=release"),
        Stop("Why is FW-30 not?", "reader", "GET", f"{base}/lines/FW-30/readiness?for=release"),
        Stop("One hanger's record, in US units.", "reader", "GET", f"{base}/hangers/FW-30-06?units=us"),
        Stop("Its checks.", "reader", "GET", f"{base}/hangers/FW-30-06/checks"),
        Stop(
            "The stops of FW-30-06 are counted again: both are there.",
            "recorder",
            "POST",
            f"{base}/hangers/FW-30-06/inspections",
            {"occurred_at": stamp, "assembly": 1, "stops_counted": 2, "stops_damaged": 0},
            {"Idempotency-Key": '"tour-count"'},
        ),
        Stop("One reason less.", "reader", "GET", f"{base}/lines/FW-30/readiness?for=release"),
        Stop("A hanger at work: state, ledger, stops, what is possible.", "reader", "GET",
             f"{base}/hangers/HR-20-05/release"),
        Stop(
            "The next hanger: which way and how far does its nut turn?",
            "recorder",
            "POST",
            f"{base}/hangers/HR-20-07/nut-plan",
            {
                "purpose": "easing",
                "assembly": 1,
                "rod_load": {
                    "at": "spring",
                    "basis": "estimated",
                    "load": {"low": {"value": 18.4, "unit": "kN"}, "high": {"value": 18.7, "unit": "kN"}},
                },
                "stiffness": {
                    "seen": {"low": {"value": 760, "unit": "N/mm"}, "high": {"value": 800, "unit": "N/mm"}}
                },
            },
        ),
        Stop(
            "A step out of order is refused, with what is possible.",
            "recorder",
            "POST",
            f"{base}/hangers/HR-20-05/transitions",
            {"occurred_at": stamp, "transition": "confirm"},
            {"Idempotency-Key": '"tour-confirm"'},
        ),
        Stop("The log, one event a line.", "auditor", "GET", f"{base}/events?from=0&line=FW-30",
             headers={"Accept": "application/x-ndjson"}),
        Stop("A line with three bare spans: what would its hangers do if released now?", "reader", "GET",
             f"{base}/lines/CR-40/readiness?for=release"),
        Stop(
            "And with its insulation on?",
            "engineer",
            "POST",
            f"{base}/lines/CR-40/balance",
            {"assume": {"insulation": {"value": 100, "unit": "%"}, "jacketing": {"value": 100, "unit": "%"}}},
        ),
        Stop(
            "A line heavier than its springs were set for: in which order do the stops come out?",
            "engineer",
            "POST",
            f"{base}/lines/BP-50/release-order",
            {"given_order": [support.mark for support in supports_of("BP-50")]},
        ),
        Stop("Its drawing.", "reader", "GET", f"{base}/lines/BP-50/balance.svg", file="BP-50.svg"),
    )  # fmt: skip


def curl(stop: Stop, base_url: str) -> str:
    """The request as one shell command; the token comes from a variable named after the role."""
    parts = ["curl -s"]
    if stop.method != "GET":
        parts.append(f"-X {stop.method}")
    parts.append(f'-H "Authorization: Bearer ${stop.role.upper()}"')
    parts += [f"-H '{name}: {value}'" for name, value in stop.headers.items()]
    if stop.body is not None:
        parts += ["-H 'Content-Type: application/json'", f"-d '{json.dumps(stop.body)}'"]
    if stop.file is not None:
        parts.append(f"-o {stop.file}")
    parts.append(f"'{base_url}{stop.path}'")
    return " ".join(parts)


def tour(base_url: str, tokens: Mapping[str, str], now: datetime) -> str:
    """What the demonstration prints: address and tokens as variables, then the requests."""
    lines = [
        "# The invented plant is in place. Its address, and a token for each role, each of another person:",
        f"export SERVICE={base_url}",
        *(f"export {role.upper()}={tokens[role]}" for role in ROLES),
        "",
    ]
    for number, stop in enumerate(stops(now), start=1):
        lines += [f"# {number}. {stop.title}", curl(stop, base_url), ""]
    lines.append(f"# Reference page: {base_url}/docs")
    return "\n".join(lines)


__all__: Final = ["Stop", "curl", "stops", "tour"]
