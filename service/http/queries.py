"""Query strings: strict fields that match in full, and one schema per set of parameters.

Nothing is coerced: `5.7`, `+5`, ` 5` and `5` with a line break are no whole numbers, and `1` is
no truth value. An unknown parameter, or one given twice, is refused.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any, Final

import marshmallow as ma
from flask import Request
from webargs.flaskparser import FlaskParser

from service.errors import Finding, InvalidParameter
from service.http.wording import KEY_WORDS

KEY_PATTERN: Final = r"[A-Za-z0-9](?:[A-Za-z0-9._-]{0,62}[A-Za-z0-9])?"
INSTANT_PATTERN: Final = (
    r"[0-9]{4}-(?:0[1-9]|1[0-2])-(?:0[1-9]|[12][0-9]|3[01])T(?:[01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9]"
    r"(?:\.[0-9]{1,6})?(?:Z|[+-](?:[01][0-9]|2[0-3]):[0-5][0-9])"
)
SEQUENCE_MAX: Final = 9_007_199_254_740_991
PAGE_MAX: Final = 500
PAGE_DEFAULT: Final = 100
PURPOSES: Final = ("pressure_test", "chemical_clean", "release", "heat_up", "acceptance")
STATES: Final = ("locked", "cleared", "easing", "stops_out", "positioning", "released", "proved", "on_hold")
NO_INSTANT: Final = "is no instant that exists"
INSTANT_WORDS: Final = "RFC 3339 with offset, as 2026-05-04T08:30:00Z; write + as %2B"


class Text(ma.fields.Field[Any]):
    """Text that matches a pattern from its first to its last character.

    pattern: as Python and ECMAScript read it alike. accepted: the same in words, for a refusal.
    schema: what the description of the interface says in place of text with this pattern.
    """

    def __init__(
        self,
        pattern: str,
        accepted: Any,
        description: str,
        *,
        schema: Mapping[str, Any] | None = None,
        example: str | None = None,
        **kwargs: Any,
    ) -> None:
        self.accepted = accepted
        self._pattern = re.compile(pattern)
        metadata: dict[str, Any] = dict(schema or {"type": "string", "pattern": f"^{pattern}$"})
        metadata["description"] = description
        if example is not None:
            metadata["examples"] = [example]
        super().__init__(metadata=metadata, **kwargs)

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> Any:
        if not isinstance(value, str) or self._pattern.fullmatch(value) is None:
            raise ma.ValidationError("is not of the form wanted")
        return self.convert(value)

    def convert(self, value: str) -> Any:
        """The value that the text stands for."""
        return value


class Whole(Text):
    """A whole number in digits, between bounds; above `cap` it is taken as `cap`."""

    def __init__(self, description: str, least: int = 0, cap: int | None = None, **kwargs: Any) -> None:
        super().__init__(
            r"(?:0|[1-9][0-9]{0,15})",
            f"a whole number in digits, from {least} to {SEQUENCE_MAX}",
            description,
            schema={"type": "integer", "minimum": least, "maximum": SEQUENCE_MAX},
            **kwargs,
        )
        self._least, self._cap = least, cap

    def convert(self, value: str) -> int:
        """The number. Raises marshmallow's ValidationError outside the bounds."""
        number = int(value)
        if not self._least <= number <= SEQUENCE_MAX:
            raise ma.ValidationError("is out of range")
        return number if self._cap is None else min(number, self._cap)


class Choice(Text):
    """One of a closed list of words."""

    def __init__(self, choices: Sequence[str], description: str, **kwargs: Any) -> None:
        pattern = "|".join(re.escape(choice) for choice in choices)
        schema = {"type": "string", "enum": list(choices)}
        super().__init__(pattern, list(choices), description, schema=schema, **kwargs)


class Flag(Text):
    """`true` or `false`."""

    def __init__(self, description: str, **kwargs: Any) -> None:
        super().__init__("true|false", ["true", "false"], description, schema={"type": "boolean"}, **kwargs)

    def convert(self, value: str) -> bool:
        """Whether it says true."""
        return value == "true"


def to_instant(value: str) -> datetime:
    """The instant that RFC 3339 text names, in UTC. Raises ValueError."""
    return datetime.fromisoformat(value).astimezone(UTC)


class Instant(Text):
    """An RFC 3339 date and time with offset, as an aware time in UTC."""

    def __init__(self, description: str, **kwargs: Any) -> None:
        schema = {"type": "string", "pattern": f"^{INSTANT_PATTERN}$", "format": "date-time"}
        example = "2026-05-04T08:30:00Z"
        super().__init__(
            INSTANT_PATTERN, INSTANT_WORDS, description, schema=schema, example=example, **kwargs
        )

    def convert(self, value: str) -> datetime:
        """The instant. Raises marshmallow's ValidationError for one that does not exist."""
        try:
            return to_instant(value)
        except (ValueError, OverflowError):
            raise ma.ValidationError(NO_INSTANT) from None


class Moment(Text):
    """A sequence of the log, or an instant."""

    def __init__(self, description: str, **kwargs: Any) -> None:
        super().__init__(
            rf"(?:0|[1-9][0-9]{{0,14}}|{INSTANT_PATTERN})",
            f"an event's sequence, or {INSTANT_WORDS}",
            description,
            example="41",
            **kwargs,
        )

    def convert(self, value: str) -> int | datetime:
        """The sequence or the instant. Raises marshmallow's ValidationError."""
        if value.isdecimal():
            return int(value)
        try:
            return to_instant(value)
        except (ValueError, OverflowError):
            raise ma.ValidationError(NO_INSTANT) from None


def key_field(description: str, example: str) -> Text:
    """A field for the key of a line or the mark of a hanger."""
    return Text(KEY_PATTERN, KEY_WORDS, description, example=example)


class Query(ma.Schema):
    """No parameter at all; the base of every set."""

    class Meta:
        """Unknown parameters are refused."""

        unknown = ma.RAISE


class UnitsQuery(Query):
    """A read whose quantities can be converted."""

    units = Choice(
        ("si", "us"),
        "System of units for the quantities of the answer; as they were given when left out. "
        "`si`: kN, mm, N/mm, MPa, degC. `us`: lbf, in, lbf/in, psi, degF.",
    )


class DryRunQuery(Query):
    """A write that may be tried."""

    dry_run = Flag(
        "`true`: run every check and permission and answer as the write would, but write nothing. "
        "Sequences in the answer are then those that the write would have had.",
        load_default=False,
    )


class BulkQuery(DryRunQuery):
    """A bulk write."""

    atomic = Flag(
        "`true`: all rows or none; otherwise 500 rows a transaction, each row on its own.", load_default=False
    )


class PageQuery(Query):
    """A page of a list."""

    limit = Whole(
        f"Most items on the page; more than {PAGE_MAX} is taken as {PAGE_MAX}.",
        least=1,
        cap=PAGE_MAX,
        load_default=PAGE_DEFAULT,
    )
    cursor = Text(
        r"[A-Za-z0-9_-]{1,512}",
        "the cursor that the page before gave in `next`",
        "Where the page begins: the cursor of the page before, with the same filters.",
    )


class RecordPageQuery(PageQuery, UnitsQuery):
    """A page of records."""


class HangerPageQuery(RecordPageQuery):
    """A page of hangers, filtered."""

    line = key_field("Only hangers of this line.", "MS-1")
    kind = Choice(("variable", "constant", "rigid"), "Only hangers of this kind.")
    state = Choice(STATES, "Only hangers in this release state.")
    external_source = Text(
        r"[^\u0000-\u001f\u007f]{1,64}",
        "one line of 1 to 64 characters",
        "Information system of `external_id`; both are given, or neither.",
        example="maintenance",
    )
    external_id = Text(
        r"[^\u0000-\u001f\u007f]{1,128}",
        "one line of 1 to 128 characters",
        "Only the hanger with this id in `external_source`.",
        example="000310045",
    )
    changed_since = Whole("Only hangers with an event of a greater sequence than this.")
    retired = Choice(
        ("false", "true", "any"), "Whether retired hangers are left out, alone listed, or listed too."
    )

    @ma.validates_schema
    def external_id_is_whole(self, data: Mapping[str, Any], **kwargs: Any) -> None:
        """An external id without its source names nothing."""
        if ("external_source" in data) != ("external_id" in data):
            missing = "external_id" if "external_source" in data else "external_source"
            raise ma.ValidationError("is missing: source and id belong together", field_name=missing)


class AsOfQuery(UnitsQuery):
    """A question about now or about the past."""

    as_of = Moment(
        "Answer as of this event's sequence, or this RFC 3339 time compared with `recorded_at`: "
        "what the service knew then."
    )


class PlantReadinessQuery(AsOfQuery):
    """Readiness of all lines for a purpose."""

    purpose = Choice(PURPOSES, "What the lines are wanted ready for.", required=True, data_key="for")


class ReadinessQuery(PlantReadinessQuery):
    """Readiness of one line for a purpose."""

    explain = Flag(
        "`true`: name what was looked at as well, not only what stands in the way.", load_default=False
    )


class DeliveryPageQuery(PageQuery):
    """A page of a webhook's deliveries."""

    replay = Whole("Number of the replay; 0 for the first time round.", load_default=0)
    outcome = Choice(("delivered", "waiting"), "Only deliveries with this outcome.")


class ServiceEventQuery(Query):
    """A part of the service log."""

    start = Whole("First sequence wanted.", data_key="from", load_default=0)
    limit = Whole(
        f"Most events on the page; more than {PAGE_MAX} is taken as {PAGE_MAX}.",
        least=1,
        cap=PAGE_MAX,
        load_default=PAGE_DEFAULT,
    )


class StrictParser(FlaskParser):
    """Reads query strings; answers with the service's own error."""

    DEFAULT_UNKNOWN_BY_LOCATION: dict[str, str | None] = {"query": ma.RAISE}  # noqa: RUF012

    def handle_error(
        self,
        error: ma.ValidationError,
        req: Request,
        schema: ma.Schema,
        *,
        error_status_code: Any,
        error_headers: Any,
    ) -> Any:
        """Turn marshmallow's messages into findings. Raises InvalidParameter always."""
        messages: Any = error.messages
        raise refusal(dict(messages.get("query", {})), schema, req)


def refusal(messages: Mapping[str, Any], schema: ma.Schema, request: Request) -> InvalidParameter:
    """The error for marshmallow's messages about a query."""
    fields = {field.data_key or name: field for name, field in schema.fields.items()}
    findings = []
    for name in sorted(messages):
        field = fields.get(name)
        if field is None:
            known = sorted(fields) or "no parameters"
            findings.append(
                Finding(
                    "query",
                    "unknown-parameter",
                    "is not a parameter of this operation",
                    name=name[:80],
                    accepted=known,
                )
            )
        elif name not in request.args and field.required:
            findings.append(Finding("query", "required", "is missing", name=name, accepted=_accepted(field)))
        else:
            said = messages[name]
            detail = str(said[0]) if isinstance(said, list) and said else "is not of the form wanted"
            rule = "instant" if detail == NO_INSTANT else "form" if name in request.args else "together"
            findings.append(Finding("query", rule, detail, name=name, accepted=_accepted(field)))
    names = ", ".join(str(finding.name) for finding in findings)
    return InvalidParameter(f"The query cannot be read: {names}.", errors=findings)


def _accepted(field: Any) -> Any:
    return field.accepted if isinstance(field, Text) else None


def refuse_repeated(request: Request) -> None:
    """Refuse a parameter given twice: which of the two counts would be a guess.

    Raises:
        InvalidParameter: naming each
    """
    repeated = sorted(name for name, values in request.args.lists() if len(values) > 1)
    if repeated:
        findings = [
            Finding("query", "once", "is given more than once", name=name[:80], accepted="one value")
            for name in repeated
        ]
        raise InvalidParameter("A query parameter is given more than once.", errors=findings)
