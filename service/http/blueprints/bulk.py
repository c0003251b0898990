"""Many hanger records at once, as NDJSON; a result for each row."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import islice
from typing import Any

import orjson
from flask import Response

from service.application import hangers
from service.application.hangers import BulkRow, error_document
from service.errors import Finding, InvalidDocument, ServiceError
from service.http import answers, problems
from service.http.bodies import BULK_BYTES, BULK_ROWS, NDJSON, ROW_BYTES, RawRow, read_rows, split_rows
from service.http.documents import Document
from service.http.operations import Call, EdgeBlueprint, Operation, Reply, operation
from service.http.queries import BulkQuery
from service.http.state import request_id

blueprint = EdgeBlueprint("bulk", __name__, description="Many records in one request.")

ROW = Document("bulk-row")
ROWS_A_CHUNK = 500
READ = "row_was_read"  # kept beside a problem on its way; never sent


@operation(
    blueprint,
    Operation(
        "putHangers",
        "POST",
        "/v1/plants/<plant>/hangers:bulk",
        "Write many hangers",
        f'Reads NDJSON: one object a line, up to {BULK_ROWS} lines, each `{{"record": hanger record, '
        '"if_revision": n}` (see bulk-row). `if_revision` 0 wants a hanger that does not exist yet; left '
        "out, the row is written whatever is there. The answer has one line for each row, in order: "
        "`status`, and `revision` or `problem`. A bad row does not stop the others. With `atomic=true` all "
        "rows are written or none: one refused row makes the whole answer a 422 problem that lists the "
        "refused rows. A last line with status `stopped` says that the service could not go on: repeat the "
        "request with the same Idempotency-Key and what was committed is replayed. Roles: engineer, "
        "integrator.",
        {200: Reply("A result for each row, in order.", {NDJSON: Document("bulk-result")})},
        query=BulkQuery,
        body=ROW,
        body_limit=BULK_BYTES,
        body_media=NDJSON,
        writes=True,
        formats=(NDJSON,),
        errors=("not-permitted",),
    ),
)
def put_hangers(call: Call, plant: str) -> Response:
    """Write many hangers."""
    rows = split_rows(call.raw)
    atomic = bool(call.query["atomic"])
    results = hangers.bulk_hangers(call.context, plant, map(bulk_row, read_rows(rows, ROW_BYTES)), atomic)
    if atomic:
        results = iter(all_or_nothing(list(results)))
    return answers.stream_answer(lines_of(results))


def bulk_row(raw: RawRow) -> BulkRow:
    """A row as the use case takes it: read and valid, or with its problem."""
    try:
        if raw.error is not None:
            raise raw.error
        ROW.validate(raw.value)
    except ServiceError as error:
        return BulkRow(line=raw.number, problem={**error_document(error), READ: False})
    return BulkRow(line=raw.number, document=raw.value["record"], if_revision=raw.value.get("if_revision"))


def all_or_nothing(results: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The results of an atomic request. Raises InvalidDocument with the refused rows when there are any."""
    refused = [whole(result) for result in results if result["status"] == "refused"]
    if not refused:
        return results
    findings = [
        Finding("body", "row", f"Row {result['line']}: {result['problem']['detail']}", pointer="")
        for result in refused[:50]
    ]
    raise InvalidDocument(
        f"Nothing was written: {len(refused)} of {len(results)} rows were refused.",
        errors=findings,
        rows=len(results),
        refused=refused,
    )


def whole(result: Mapping[str, Any]) -> dict[str, Any]:
    """A result as it is sent: its problem has the shape of every other problem."""
    sent = {name: result.get(name) for name in ("line", "status", "mark", "revision", "sequence")}
    said = result.get("problem")
    if said is None:
        return sent
    found = problems.CATALOGUE[said["code"]]
    problem = {
        "type": f"/problems/{said['code']}",
        "status": problems.STATUS[found],
        "request_id": request_id(),
        **said,
    }
    if problem.pop(READ, True):
        # What the use case points at lies in the record; the caller's row holds it under `record`.
        problem["errors"] = [
            {**finding, "pointer": f"/record{finding['pointer']}"} if "pointer" in finding else finding
            for finding in problem["errors"]
        ]
    return {**sent, "problem": problem}


def lines_of(results: Iterator[dict[str, Any]]) -> Iterator[bytes]:
    """The results as NDJSON, many lines at a time. An error after the first lines becomes the last line."""
    begun = False
    while True:
        lines: list[bytes] = []
        try:
            lines.extend(orjson.dumps(whole(result)) for result in islice(results, ROWS_A_CHUNK))
        except ServiceError as error:
            if not begun and not lines:
                raise
            lines.append(stopped(error))
        if not lines:
            return
        begun = True
        yield b"\n".join(lines) + b"\n"


def stopped(error: ServiceError) -> bytes:
    """The last line when the service could not go on."""
    result = {"line": None, "status": "stopped", "problem": problems.document_of(error)}
    return orjson.dumps({"mark": None, "revision": None, "sequence": None, **result}, default=str)
