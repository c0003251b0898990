"""Generated requests against the whole application in its own process, made from its own description."""

from __future__ import annotations

import functools
import json
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import schemathesis
from schemathesis.config import SchemathesisConfig
from schemathesis.core.parameters import ParameterLocation
from schemathesis.engine import Status, events, from_schema
from schemathesis.generation.meta import CoverageScenario, TestPhase
from schemathesis.transport.wsgi import WSGI_TRANSPORT

from service.http.openapi import operations_of
from tests.http.running import Caller, Running

PHASES: Final = ("examples", "coverage", "fuzzing", "stateful")

# Their documents are so deep that the coverage phase makes thousands of requests of each: it takes
# them in the long run alone. The other phases take them always.
DEEP: Final = (
    "putHanger",
    "putHangers",
    "putCriteria",
    "planNut",
    "checkDocuments",
    "planDocuments",
    "putLineModel",
    "balanceLine",
    "balancePosted",
    "orderRelease",
    "orderPosted",
    "nextStep",
    "estimateFromField",
    "estimatePosted",
)

# Rules that no schema can state (a time to come, a key that differs from the path, a stop that the
# record does not have) are 422 too: `only_rules_refuse_valid_data` looks at those answers itself.
ACCEPTED_FOR_VALID: Final = ["2xx", "304", "400", "401", "403", "404", "409", "412", "413", "422", "428"]
REFUSED_FOR_INVALID: Final = [
    "400",
    "401",
    "403",
    "404",
    "405",
    "406",
    "409",
    "412",
    "413",
    "415",
    "422",
    "428",
]
# Rules of a document's schema, or of the JSON text, that generated valid data must never meet.
RULES_OF_SCHEMAS: Final = frozenset(
    {
        "type",
        "required",
        "enum",
        "const",
        "pattern",
        "format",
        "unknown-key",
        "set-by-the-service",
        "unit",
        "mass-for-force",
        "minimum",
        "maximum",
        "exclusiveMinimum",
        "exclusiveMaximum",
        "minLength",
        "maxLength",
        "minItems",
        "maxItems",
        "uniqueItems",
        "maxProperties",
        "minProperties",
        "propertyNames",
        "anyOf",
        "oneOf",
        "json",
        "utf-8",
        "unicode",
        "unique-keys",
        "not-empty",
        "form",
        "entity-tags",
    }
)


@schemathesis.check
def only_rules_refuse_valid_data(context: Any, response: Any, case: Any) -> None:
    """Data that the description calls valid is never refused for its form."""
    meta = case.meta
    if meta is None or not meta.generation.mode.is_positive or response.status_code not in (400, 422):
        return
    refused = {finding["rule"] for finding in response.json()["errors"]} & RULES_OF_SCHEMAS
    # Numbers beyond 2^53 and nesting beyond 32 levels can stand in `extensions` alone.
    assert not refused, f"valid data was refused: {response.json()['errors'][:3]}"


@schemathesis.check
def every_refusal_is_a_problem(context: Any, response: Any, case: Any) -> None:
    """Every answer of 400 and more is a problem document whose code is documented for its status."""
    if response.status_code < 400:
        return
    assert response.headers["content-type"] == ["application/problem+json"], response.headers["content-type"]
    document = response.json()
    assert document["status"] == response.status_code
    described = (
        case.operation.definition.raw["responses"].get(str(response.status_code), {}).get("description", "")
    )
    assert response.status_code == 405 or f"`{document['code']}`" in described, (document["code"], described)


# What the small plant of these tests holds; keys that a run creates are added.
KNOWN: Final[dict[str, set[str]]] = {"plant": {"P"}, "line": {"L-1"}, "mark": {"H-1"}}
# The token of the run itself: an administrator who revokes it meets 401 alone from there on.
OWN_TOKEN: Final[set[str]] = set()
CREATES: Final = {"putPlant": "plant", "putLine": "line", "putHanger": "mark"}


@schemathesis.hook
def before_call(context: Any, case: Any, kwargs: Any) -> None:
    """Lead requests to what exists: random keys alone would meet 404 and little else.

    Valid data stays valid: keys become known keys, times of acts lie in the past, a body's keys are
    those of the path, and If-Match and If-None-Match are entity tags: the library knows these headers
    by name and puts `0` there, which would hide everything behind one refusal. Whatever else is
    generated to be refused is sent as it is.
    """
    if case.meta is None or _misses_a_parameter(case):
        return
    operation_id = case.operation.definition.raw["operationId"]
    parts = case.path_parameters or {}
    if operation_id == "revokeToken" and parts.get("token_id") in OWN_TOKEN:
        parts["token_id"] = "tk_" + "0" * 26
    if _is_valid(case, ParameterLocation.PATH):
        for name, known in KNOWN.items():
            if name not in parts or parts[name] in known:
                continue
            if CREATES.get(operation_id) != name or sum(map(ord, parts[name])) % 2:
                parts[name] = sorted(known)[0]
    for name in ("If-Match", "If-None-Match"):
        value = case.headers.get(name, "*")
        if value == "0" or (_is_valid(case, ParameterLocation.HEADER) and re.fullmatch(_TAG, value) is None):
            case.headers[name] = "*"
    if case.meta.phase.name is TestPhase.STATEFUL and case.query and "dry_run" in case.query:
        # What a trial makes is not there afterwards, and links would be followed to it.
        case.query["dry_run"] = "false"
    if case.meta.generation.mode.is_positive:
        for document in case.body if isinstance(case.body, list) else [case.body]:
            if isinstance(document, dict):
                _lead(document.get("record", document), parts, operation_id)


_TAG: Final = r'\*|"r[0-9]{1,9}(-si|-us)?"'


def _misses_a_parameter(case: Any) -> bool:
    """Whether a parameter is left out on purpose; the library forgets that when a header is touched."""
    return getattr(case.meta.phase.data, "scenario", None) is CoverageScenario.MISSING_PARAMETER


def _is_valid(case: Any, place: ParameterLocation) -> bool:
    component = case.meta.components.get(place)
    return component is None or component.mode.is_positive


def _lead(document: Any, parts: Mapping[str, Any], operation_id: str) -> None:
    if not isinstance(document, dict):
        return
    if "occurred_at" in document:
        document["occurred_at"] = "2026-05-04T05:00:00Z"
        document.pop("performed_by", None)
        document.pop("corrects", None)
        document.pop("withdraws", None)
    if operation_id in ("putHanger", "putHangers") and "line" in document:
        document["line"] = "L-1"
    for name in ("plant", "line", "mark"):
        if name in document and name in parts:
            document[name] = parts[name]
    if operation_id == "putHangers" and "plant" in document:
        document["plant"] = parts.get("plant", "P")


@schemathesis.hook
def after_call(context: Any, case: Any, response: Any) -> None:
    """Keep the keys of what was created."""
    name = CREATES.get(case.operation.definition.raw["operationId"])
    if name is not None and response.status_code == 201 and len(KNOWN[name]) < 5:
        KNOWN[name].add(case.path_parameters[name])


@schemathesis.serializer("application/x-ndjson")
def rows(context: Any, value: Any) -> Any:
    """Generated rows as NDJSON; a value that is no list is one row."""
    listed = value if isinstance(value, list) else [value]
    return b"".join(json.dumps(each).encode() + b"\n" for each in listed)


def _without_socket_options(send: Any) -> Any:
    """The in-process transport's `send` without the options that it does not know, which are for sockets."""

    @functools.wraps(send)
    def sent(case: Any, **options: Any) -> Any:
        for name in ("max_redirects", "verify", "cert", "proxies"):
            options.pop(name, None)
        return send(case, **options)

    return sent


WSGI_TRANSPORT.send = _without_socket_options(WSGI_TRANSPORT.send)  # type: ignore[method-assign]


@dataclass
class Outcome:
    """What a run did: answers by status, checks made, failures and errors by their first line."""

    statuses: Counter[int] = field(default_factory=Counter)
    operations: Counter[str] = field(default_factory=Counter)
    phases: dict[str, str] = field(default_factory=dict)
    checks: int = 0
    failures: dict[str, str] = field(default_factory=dict)

    def summary(self) -> str:
        """One line for people."""
        by_status = ", ".join(f"{status}: {count}" for status, count in sorted(self.statuses.items()))
        return (
            f"{sum(self.statuses.values())} requests to {len(self.operations)} operations, "
            f"{self.checks} checks, {len(self.failures)} failures; phases {self.phases}; answers {by_status}"
        )


def untouched(caller: Caller, outcome: Outcome) -> set[str]:
    """operationIds that no request went to."""
    return {
        each.id
        for each in operations_of(caller.app)
        if f"{each.method} {each.path}" not in outcome.operations
    }


# The library asks for the description itself before it begins, and leaves that operation out.
LEFT_OUT: Final = frozenset({"getOpenapiBundle"})


def configuration(caller: Caller, phases: Sequence[str], examples: int, seed: int) -> SchemathesisConfig:
    """All checks but response time, the phases named, the caller's token."""
    return SchemathesisConfig.from_dict(
        {
            "seed": seed,
            "headers": {"Authorization": f"Bearer {caller.token}"},
            "continue-on-failure": True,
            "generation": {"max-examples": examples, "deterministic": False, "database": "none"},
            "phases": {name: {"enabled": name in phases} for name in PHASES},
            "checks": {
                "positive_data_acceptance": {"expected-statuses": ACCEPTED_FOR_VALID},
                "negative_data_rejection": {"expected-statuses": REFUSED_FOR_INVALID},
            },
            "suppress-health-check": ["all"],
        }
    )


def know_a_webhook(running: Running) -> None:
    """Registers a webhook in the small plant, so that requests about webhooks find one."""
    answer = running.caller("integrator").post("/v1/plants/P/webhooks", {"url": "https://receiver.example/"})
    assert answer.status_code == 201, answer.get_data(as_text=True)
    KNOWN["webhook"] = {json.loads(answer.data)["webhook"]["id"]}


def send_generated(
    caller: Caller,
    phases: Sequence[str] = PHASES,
    *,
    examples: int,
    seed: int = 1,
    only: Sequence[str] = (),
    without: Sequence[str] = (),
) -> Outcome:
    """Send generated requests and judge every answer.

    examples: most cases of one operation in the phases that draw at random. only, without: operationIds.
    """
    KNOWN.update(plant={"P"}, line={"L-1"}, mark={"H-1"})
    OWN_TOKEN.clear()
    OWN_TOKEN.add(caller.token_id)
    schema = schemathesis.openapi.from_wsgi(
        "/openapi.json", caller.app, config=configuration(caller, phases, examples, seed)
    )
    if only:
        schema = schema.include(operation_id=list(only))
    if without:
        schema = schema.exclude(operation_id=list(without))
    outcome = Outcome()
    for event in from_schema(schema).execute():
        _take(outcome, event)
    return outcome


def _take(outcome: Outcome, event: Any) -> None:
    if isinstance(event, events.PhaseFinished):
        outcome.phases[event.phase.name.value] = event.status.value
    elif isinstance(event, events.NonFatalError):
        outcome.failures[f"{event.label}: {event.value}"[:400]] = str(event.info.format())[:2000]
    elif isinstance(event, events.FatalError):
        raise event.exception
    elif isinstance(event, events.ScenarioFinished):
        _take_scenario(outcome, event.recorder)


def _take_scenario(outcome: Outcome, recorder: Any) -> None:
    for case_id, interaction in recorder.interactions.items():
        if interaction.response is not None:
            outcome.statuses[interaction.response.status_code] += 1
            outcome.operations[recorder.cases[case_id].value.operation.label] += 1
    for case_id, checks in recorder.checks.items():
        outcome.checks += len(checks)
        for check in checks:
            if check.status == Status.FAILURE:
                _keep(outcome, recorder, case_id, check)


def _keep(outcome: Outcome, recorder: Any, case_id: str, check: Any) -> None:
    failure = check.failure_info.failure
    case = recorder.cases[case_id].value
    name = f"{case.operation.label}: {check.name}: {failure.title}: {str(failure.message)[:200]}"
    interaction = recorder.interactions[case_id]
    answer = interaction.response
    body = answer.content[:600].decode("utf-8", "replace") if answer is not None and answer.content else ""
    sent = interaction.request.body if interaction.request.body else b""
    outcome.failures.setdefault(
        name,
        f"{interaction.request.method} {interaction.request.uri}\n{dict(interaction.request.headers)}\n"
        f"{str(sent)[:600]}\n-> {answer.status_code if answer is not None else None} {body}",
    )
