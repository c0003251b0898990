"""Replies and links that several operations declare alike."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from service.http.bodies import JSON
from service.http.documents import Document
from service.http.operations import Reply

# Headers by the name under which openapi.yaml keeps them.
HEADERS: Final[Mapping[str, Mapping[str, Any]]] = {
    "ETag": {
        "description": "Revision and representation of the record, for If-Match and If-None-Match.",
        "schema": {"type": "string", "pattern": '^"r[0-9]+(-(si|us))?"$'},
    },
    "Location": {
        "description": "Path of what was made.",
        "schema": {"type": "string", "format": "uri-reference"},
    },
    "Link": {
        "description": 'The next page, with rel="next"; absent on the last page.',
        "schema": {"type": "string"},
    },
    "Log-Leaf-Hash": {
        "description": "Leaf hash (RFC 9162) of the event that was written, in hex; absent where none was.",
        "schema": {"type": "string", "pattern": "^[0-9a-f]{64}$"},
    },
    "Log-Receipt": {
        "description": "Path of that event's receipt, which is verified offline.",
        "schema": {"type": "string", "format": "uri-reference"},
    },
    "Log-Fault": {
        "description": (
            "Only while the plant's log is closed to writes because it disagrees with itself or with a "
            "checkpoint it gave: the reason, and the first position that disagrees where it can be named."
        ),
        "schema": {"type": "string", "pattern": "^[a-z][a-z-]*(; position=[0-9]+)?$"},
    },
    "Content-Disposition": {
        "description": "Name under which to keep the file.",
        "schema": {"type": "string", "pattern": '^attachment; filename="[A-Za-z0-9._-]+"$'},
    },
    "Idempotent-Replayed": {
        "description": "`true` when the key had been used for the same request: nothing was done again.",
        "schema": {"type": "string", "enum": ["true"]},
    },
}


# Of the event that a request wrote.
WRITTEN: Final = ("Log-Leaf-Hash", "Log-Receipt")


def document_reply(name: str, description: str, **links: Mapping[str, Any]) -> Reply:
    """One JSON document."""
    return Reply(description, {JSON: Document(name)}, links=links)


def record_replies(name: str) -> dict[int, Reply]:
    """A record alone, or 304."""
    return {
        200: Reply(
            "The current record, as it was given or in the system of units asked for.",
            {JSON: Document(name)},
            headers=("ETag",),
        ),
        304: Reply("The caller holds this representation already.", headers=("ETag",)),
    }


def written_replies(links: Mapping[str, Mapping[str, Any]] | None = None) -> dict[int, Reply]:
    """The receipt of a PUT."""
    content = {JSON: Document("record-receipt")}
    return {
        200: Reply(
            "Revised; or unchanged (`changed` is false and no event was written); or tried with `dry_run`.",
            content,
            headers=("ETag", *WRITTEN),
            links=links or {},
        ),
        201: Reply("Created.", content, headers=("ETag", "Location", *WRITTEN), links=links or {}),
    }


def act_replies(links: Mapping[str, Mapping[str, Any]] | None = None) -> dict[int, Reply]:
    """The receipt of an act."""
    content = {JSON: Document("act-receipt")}
    return {
        200: Reply("Tried with `dry_run`: what the act would have done. Nothing was written.", content),
        201: Reply(
            "Recorded, with the event, its leaf hash and what followed from it.",
            content,
            headers=("Location", "Idempotent-Replayed", *WRITTEN),
            links={**EVENT_LINK, **(links or {})},
        ),
    }


def page_reply(name: str, description: str, **links: Mapping[str, Any]) -> dict[int, Reply]:
    """A page of a list."""
    return {200: Reply(description, {JSON: Document(name)}, headers=("Link",), links=links)}


def link(operation_id: str, description: str, **parameters: str) -> dict[str, Any]:
    """A link to another operation; parameters are runtime expressions."""
    return {"operationId": operation_id, "parameters": parameters, "description": description}


_PLANT: Final = "$request.path.plant"
_MARK: Final = "$request.path.mark"
_LINE: Final = "$request.path.line"

EVENT_LINK: Final = {
    "event": link(
        "getEvent", "The event that was written.", plant=_PLANT, sequence="$response.body#/event/sequence"
    )
}


def plant_links() -> dict[str, Mapping[str, Any]]:
    """Where to go from a plant."""
    return {
        "plant": link("getPlant", "The plant's record.", plant=_PLANT),
        "lines": link("listLines", "Its lines.", plant=_PLANT),
        "putLine": link("putLine", "Give it a line.", plant=_PLANT),
        "criteria": link("getCriteria", "Its criteria.", plant=_PLANT),
        "events": link("listEvents", "Its log.", plant=_PLANT),
    }


def line_links() -> dict[str, Mapping[str, Any]]:
    """Where to go from a line."""
    return {
        "line": link("getLine", "The line's record.", plant=_PLANT, line=_LINE),
        "hangers": link("listHangers", "The plant's hangers.", plant=_PLANT),
        "putHanger": link("putHanger", "Give it a hanger.", plant=_PLANT),
        "inspectLine": link("inspectLine", "Record what was seen of the line.", plant=_PLANT, line=_LINE),
        "readiness": link("getReadiness", "Is it ready?", plant=_PLANT, line=_LINE),
    }


def hanger_links() -> dict[str, Mapping[str, Any]]:
    """Where to go from a hanger."""
    return {
        "hanger": link("getHanger", "The hanger's record.", plant=_PLANT, mark=_MARK),
        "inspect": link("inspectHanger", "Record what was seen.", plant=_PLANT, mark=_MARK),
        "read": link("takeReading", "Record a reading.", plant=_PLANT, mark=_MARK),
        "transition": link("makeTransition", "Take the next step.", plant=_PLANT, mark=_MARK),
        "release": link("getRelease", "State and what is possible.", plant=_PLANT, mark=_MARK),
        "checks": link("getChecks", "Its checks.", plant=_PLANT, mark=_MARK),
        "revisions": link("listHangerRevisions", "Its revisions.", plant=_PLANT, mark=_MARK),
    }


def acted_links() -> dict[str, Mapping[str, Any]]:
    """Where to go from an act at a hanger."""
    return {
        "release": link("getRelease", "State and what is possible now.", plant=_PLANT, mark=_MARK),
        "transition": link("makeTransition", "Take the next step.", plant=_PLANT, mark=_MARK),
    }
