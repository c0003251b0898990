"""Exports: the signed trailer, ranges, documents and words, and that a damaged file shows."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import pytest

from service.domain.ports import StoredCheckpoint
from service.errors import LogCorrupt
from service.http.documents import Document
from service.ledger.verifier import Refused, VerifierKey, verify_export
from tests.http import rfc9162
from tests.http.running import LINE, PLANT, Caller, Running, hanger, inspection, problem_of

EVENTS = "/v1/plants/P/events"
NDJSON = {"Accept": "application/x-ndjson"}


@dataclass(frozen=True)
class Log:
    """A log of 20 events on two lines: words beside some, one with a document beside the log."""

    running: Running
    auditor: Caller
    vkey: str
    bodies: list[bytes]
    large: int

    def export(self, query: str = "", caller: Caller | None = None) -> list[bytes]:
        """Lines of an export, without their line breaks."""
        answer = (caller or self.auditor).get(f"{EVENTS}{query}", headers=NDJSON)
        assert answer.status_code == 200, answer.data
        assert answer.data.endswith(b"\n")
        lines: list[bytes] = answer.data.removesuffix(b"\n").split(b"\n")
        return lines

    def verified(self, lines: list[bytes]) -> Any:
        return verify_export((line + b"\n" for line in lines), [VerifierKey.parse(self.vkey)])


@pytest.fixture(scope="module")
def log(shared: Running) -> Log:
    engineer = shared.caller("engineer")
    assert engineer.put("/v1/plants/P/lines/L-2", LINE).status_code == 201
    assert engineer.put("/v1/plants/P/hangers/H-2", hanger("H-2", "L-2")).status_code == 201
    filler = {**LINE, "extensions": {"filler": "x" * 17_000}}
    large = engineer.put("/v1/plants/P/lines/L-3", filler).json["sequence"]
    for number in range(14):
        shared.clock.advance(minutes=1)
        words = {"note": f'look {number}, ünd \u2028 so "on"\n'} if number % 3 else {}
        mark = f"H-{number % 2 + 1}"
        path = f"/v1/plants/P/hangers/{mark}/inspections"
        assert engineer.post(path, inspection(**words)).status_code == 201
    auditor = shared.caller("auditor")
    lines = auditor.get(f"{EVENTS}?trailer=false", headers=NDJSON).data.removesuffix(b"\n").split(b"\n")
    vkey = auditor.get("/v1/plants/P/log/key").json["keys"][0]["vkey"]
    return Log(shared, auditor, vkey, lines, large)


@dataclass(frozen=True)
class Sealed:
    """What a trailer states, its signatures checked by the tests' own code."""

    checkpoint: tuple[str, int, bytes]
    name: str
    fields: dict[str, str]


def sealed(trailer: bytes, vkey: str) -> Sealed:
    document = Document("export-line").validate(json.loads(trailer))["trailer"]
    name, *rest = rfc9162.opened(document["seal"].encode(), vkey).removesuffix("\n").split("\n")
    fields = dict(line.split(" ", 1) for line in rest)
    assert list(fields) == ["size", "from", "count", "root", "filter"]
    return Sealed(rfc9162.checkpoint(document["checkpoint"].encode(), vkey), name, fields)


def root_of(bodies: list[bytes]) -> str:
    return base64.b64encode(rfc9162.mth([rfc9162.leaf(body) for body in bodies])).decode()


def test_the_log_is_what_the_tests_below_rest_on(log: Log) -> None:
    assert len(log.bodies) == 20
    assert log.large == 5


# --- the trailer --------------------------------------------------------------------------------------
def test_the_last_line_seals_what_was_given(log: Log) -> None:
    *rows, last = log.export()
    assert rows == log.bodies
    found = sealed(last, log.vkey)
    origin, size, root = found.checkpoint
    assert (size, root) == (20, rfc9162.mth([rfc9162.leaf(body) for body in rows]))
    assert found.name == f"{origin}/export"
    assert found.fields == {
        "size": "20",
        "from": "0",
        "count": "20",
        "root": root_of(rows),
        "filter": "{}",
    }


def test_without_the_trailer_there_are_events_alone(log: Log) -> None:
    assert log.export("?trailer=false") == log.bodies
    assert log.export("?trailer=true")[:-1] == log.bodies


def test_every_line_is_as_the_schema_says(log: Log) -> None:
    for line in log.export("?documents=true&texts=true"):
        Document("export-line").validate(json.loads(line))


def test_an_export_from_any_place_is_sealed_and_verified(log: Log) -> None:
    for start in range(21):
        *rows, last = log.export(f"?from={start}")
        assert rows == log.bodies[start:]
        fields = sealed(last, log.vkey).fields
        assert (fields["from"], fields["count"]) == (str(start), str(20 - start))
        assert fields["root"] == root_of(rows)
        log.verified([*rows, last])


@pytest.mark.parametrize(
    ("query", "stated", "fits"),
    [
        ("line=L-2", {"line": "L-2"}, lambda event: event["line"] == "L-2"),
        ("hanger=h-1", {"hanger": "h-1"}, lambda event: event["subject"] == "hanger/H-1"),
        (
            "type=hanger-inspected&from=9",
            {"type": "hanger-inspected"},
            lambda event: event["type"] == "hanger-inspected" and event["sequence"] >= 9,
        ),
        (
            "since=2026-05-04T08:05:00%2B02:00",
            {"since": "2026-05-04T06:05:00.000000Z"},
            lambda event: event["recorded_at"] >= "2026-05-04T06:05:00.000000Z",
        ),
        ("type=line-authorised", {"type": "line-authorised"}, lambda event: False),
    ],
)
def test_a_filtered_export_is_sealed_with_its_filter(
    log: Log, query: str, stated: dict[str, str], fits: Any
) -> None:
    *rows, last = log.export(f"?{query}")
    assert rows == [body for body in log.bodies if fits(json.loads(body))]
    found = sealed(last, log.vkey)
    assert json.loads(found.fields["filter"]) == stated
    assert (found.fields["count"], found.fields["root"]) == (str(len(rows)), root_of(rows))
    assert found.checkpoint[1] == 20
    log.verified([*rows, last])


def test_an_export_for_a_token_scoped_to_lines_says_so(log: Log) -> None:
    scoped = log.running.caller("engineer", plants=["P"], lines=["L-2", "L-1"])
    *rows, last = log.export("", scoped)
    assert rows == [body for body in log.bodies if json.loads(body)["line"] in ("L-1", "L-2")]
    fields = sealed(last, log.vkey).fields
    assert json.loads(fields["filter"]) == {"lines": ["l-1", "l-2"]}
    log.verified([*rows, last])


# --- ranges -------------------------------------------------------------------------------------------
def test_a_range_gives_the_same_bytes_when_the_log_has_grown(fresh: Running) -> None:
    engineer = fresh.caller("engineer")
    path = f"{EVENTS}?from=1&to=3"
    before = engineer.get(path, headers=NDJSON).data
    pages = engineer.get(path).json
    for _ in range(3):
        assert engineer.post("/v1/plants/P/hangers/H-1/inspections", inspection()).status_code == 201
    assert engineer.get(path, headers=NDJSON).data == before
    assert engineer.get(path).json == pages
    assert [item["event"]["sequence"] for item in pages["items"]] == [1, 2]
    assert pages["next"] is None


def test_every_range_holds_its_events_and_is_verified(log: Log) -> None:
    for start in range(0, 21, 3):
        for end in range(start, 21):
            *rows, last = log.export(f"?from={start}&to={end}")
            assert rows == log.bodies[start:end]
            found = sealed(last, log.vkey)
            # Each event was a transaction of its own, so that each size was signed.
            assert found.checkpoint[1] == end
            assert found.fields["filter"] == "{}"
            log.verified([*rows, last])


def test_a_range_that_ends_between_two_signed_sizes_carries_the_next_one(fresh: Running) -> None:
    engineer = fresh.caller("engineer")
    rows = b"".join(json.dumps({"record": hanger(f"B-{part}")}).encode() + b"\n" for part in range(4))
    assert engineer.post_bytes("/v1/plants/P/hangers:bulk", rows, "application/x-ndjson").status_code == 200
    vkey = engineer.get("/v1/plants/P/log/key").json["keys"][0]["vkey"]
    before = engineer.get(f"{EVENTS}?to=5", headers=NDJSON).data
    *bodies, last = before.splitlines()
    found = sealed(last, vkey)
    assert (len(bodies), found.checkpoint[1], found.fields["size"]) == (5, 7, "7")
    assert json.loads(found.fields["filter"]) == {"to": 5}
    verify_export(before.splitlines(keepends=True), [VerifierKey.parse(vkey)])
    assert engineer.post("/v1/plants/P/hangers/H-1/inspections", inspection()).status_code == 201
    assert engineer.get(f"{EVENTS}?to=5", headers=NDJSON).data == before


def test_a_file_resumed_part_by_part_is_the_file_pulled_at_once(log: Log) -> None:
    parts: list[bytes] = []
    while len(parts) < 20:
        parts += log.export(f"?from={len(parts)}&to={min(len(parts) + 7, 20)}&trailer=false")
    assert parts == log.bodies


@pytest.mark.parametrize("accept", ["application/json", "application/x-ndjson"])
@pytest.mark.parametrize(
    ("query", "name", "rule"),
    [
        ("to=21", "to", "within-the-log"),
        ("from=5&to=4", "to", "in-order"),
        ("from=21", "from", "within-the-log"),
        ("to=-1", "to", "form"),
        ("trailer=no", "trailer", "form"),
        ("documents=1", "documents", "form"),
    ],
)
def test_a_range_outside_the_log_is_refused(log: Log, accept: str, query: str, name: str, rule: str) -> None:
    answer = log.auditor.get(f"{EVENTS}?{query}", headers={"Accept": accept})
    (finding,) = problem_of(answer, 400, "invalid-parameter")["errors"]
    assert (finding["name"], finding["rule"]) == (name, rule)


def test_pages_of_a_range_end_with_it(log: Log) -> None:
    found: list[int] = []
    start: int | None = 3
    while start is not None:
        page = log.auditor.get(f"{EVENTS}?from={start}&to=12&limit=4").json
        found += [item["event"]["sequence"] for item in page["items"]]
        start = page["next"]
    assert found == list(range(3, 12))
    assert log.auditor.get(f"{EVENTS}?from=3&to=7&limit=4").json["next"] is None


# --- what stands beside the log -----------------------------------------------------------------------
def test_documents_follow_the_events_that_name_them(log: Log) -> None:
    *lines, last = log.export("?documents=true")
    place = log.large
    assert lines[: place + 1] + lines[place + 2 :] == log.bodies
    document = json.loads(lines[place + 1])["document"]
    named = json.loads(log.bodies[place])["data"]
    content = base64.b64decode(document["base64"])
    assert hashlib.sha256(content).hexdigest() == document["sha256"] == named["document_sha256"]
    assert (len(content), document["media_type"]) == (named["bytes"], named["media_type"])
    assert content == log.auditor.get(f"{EVENTS}/{place}/document").data
    log.verified([*lines, last])


def test_words_follow_their_events_with_the_salt_of_their_digest(log: Log) -> None:
    *lines, last = log.export("?texts=true")
    found, event = {}, None
    for line in map(json.loads, lines):
        if "text" not in line:
            event = line
            continue
        text = line["text"]
        assert event is not None
        assert text["sequence"] == event["sequence"]
        salted = bytes.fromhex(text["salt"]) + text["text"].encode("utf-8")
        assert hashlib.sha256(salted).hexdigest() == event["data"][text["field"]]["sha256"]
        found[text["sequence"]] = text["text"]
    assert found == {6 + number: f'look {number}, ünd \u2028 so "on"\n' for number in range(14) if number % 3}
    assert [line for line in lines if not line.startswith(b'{"text"')] == log.bodies
    log.verified([*lines, last])


def test_erased_words_are_in_no_export_and_it_verifies(fresh: Running) -> None:
    engineer, administrator = fresh.caller("engineer"), fresh.caller("administrator")
    path = "/v1/plants/P/hangers/H-1/inspections"
    for words in ("to be erased", "to be kept"):
        assert engineer.post(path, inspection(note=words)).status_code == 201
    erased = administrator.post(f"{EVENTS}/3/erasures", {"why": "personal-data"})
    assert erased.status_code == 201, erased.data
    answer = engineer.get(f"{EVENTS}?texts=true&documents=true", headers=NDJSON).data
    assert b"to be kept" in answer
    assert b"to be erased" not in answer
    assert b"to be erased" not in engineer.get(EVENTS).data
    vkey = engineer.get("/v1/plants/P/log/key").json["keys"][0]["vkey"]
    verify_export(answer.splitlines(keepends=True), [VerifierKey.parse(vkey)])


def test_words_and_documents_stay_within_the_filter_and_the_scope(log: Log) -> None:
    scoped = log.running.caller("engineer", plants=["P"], lines=["L-1"])
    lines = list(map(json.loads, log.export("?texts=true&documents=true", scoped)[:-1]))
    told = {line["text"]["sequence"] for line in lines if "text" in line}
    assert told == {6 + number for number in range(0, 14, 2) if number % 3}
    assert not any("document" in line for line in lines)


# --- damage -------------------------------------------------------------------------------------------
def refused(log: Log, lines: list[bytes]) -> Refused:
    with pytest.raises(Refused) as caught:
        log.verified(lines)
    return caught.value


def test_a_file_cut_off_at_any_line_shows(log: Log) -> None:
    lines = log.export()
    for length in range(len(lines)):
        assert refused(log, lines[:length]).reason == "cut-off"


def test_a_line_left_out_altered_doubled_or_moved_shows_at_its_place(log: Log) -> None:
    lines = log.export()
    for place in range(20):
        without = lines[:place] + lines[place + 1 :]
        assert refused(log, without).position == place
        altered = lines[place].replace(b'"role":"', b'"role":"x', 1)
        assert altered != lines[place]
        assert refused(log, [*lines[:place], altered, *lines[place + 1 :]]).position == place
        doubled = [*lines[: place + 1], *lines[place:]]
        assert refused(log, doubled).position in (place, place + 1)
    moved = [*lines[:7], lines[8], lines[7], *lines[9:]]
    assert refused(log, moved).position == 7


def test_a_filtered_file_with_a_line_less_shows(log: Log) -> None:
    lines = log.export("?type=hanger-inspected")
    for place in range(len(lines) - 1):
        refused(log, lines[:place] + lines[place + 1 :])


def test_the_trailer_of_another_export_does_not_fit(log: Log) -> None:
    whole, part = log.export(), log.export("?from=3")
    refused(log, [*whole[:-1], part[-1]])
    refused(log, [*part[:-1], whole[-1]])
    refused(log, [*log.export("?line=L-2")[:-1], whole[-1]])


def test_another_key_does_not_verify_it(log: Log) -> None:
    name = log.vkey.split("+")[0]
    other = VerifierKey(name, hashlib.sha256(b"another key").digest())
    with pytest.raises(Refused) as caught:
        verify_export((line + b"\n" for line in log.export()), [other])
    assert caught.value.reason == "wrong-key"


def test_nothing_is_sealed_that_differs_from_what_was_signed(
    fresh: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    auditor = fresh.caller("auditor")
    whole = fresh.store.stream

    def altered(*arguments: Any) -> Iterator[list[tuple[int, bytes]]]:
        for chunk in whole(*arguments):
            yield [(sequence, body.replace(b"H-1", b"H-2")) for sequence, body in chunk]

    monkeypatch.setattr(fresh.store, "stream", altered)
    answer = auditor.get(EVENTS, headers=NDJSON, buffered=False)
    sent: list[bytes] = []
    with pytest.raises(LogCorrupt):
        sent.extend(answer.response)
    assert b"trailer" not in b"".join(sent)


def test_no_seal_rests_on_a_stored_checkpoint_that_does_not_verify(
    fresh: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    auditor = fresh.caller("auditor")
    assert fresh.caller("administrator").put("/v1/plants/Q", PLANT).status_code == 201
    with fresh.store.read("P") as reader, fresh.store.read("Q") as another:
        kind, true, strange = type(reader), reader.checkpoint(), another.checkpoint()
    assert true is not None
    assert strange is not None
    text, _, signatures = true.note.partition(b"\n\n")
    origin, size, _ = text.split(b"\n")
    other_root = hashlib.sha256(b"another root").digest()
    rewritten = b"\n".join([origin, size, base64.b64encode(other_root)])
    for false in (
        replace(true, root=other_root),
        replace(true, root=other_root, note=rewritten + b"\n\n" + signatures),
        replace(true, note=true.note.replace(b"\n3\n", b"\n4\n")),
        replace(true, note=true.note[:-9] + b"AAAAAAA=\n"),
        replace(true, note=b"no note at all"),
        strange,
    ):
        assert false.note != true.note or false.root != true.root
        monkeypatch.setattr(kind, "checkpoint", lambda self, size=None, false=false: false)
        problem_of(auditor.get(EVENTS, headers=NDJSON), 500, "log-corrupt")
        assert auditor.get(f"{EVENTS}?trailer=false", headers=NDJSON).status_code == 200
    monkeypatch.setattr(kind, "checkpoint", lambda self, size=None: true)
    assert auditor.get(EVENTS, headers=NDJSON).status_code == 200


def test_an_export_waits_for_the_signature_of_what_another_release_wrote(
    fresh: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    auditor = fresh.caller("auditor")
    with fresh.store.read("P") as reader:
        kind, signed = type(reader), reader.checkpoint(2)
    assert isinstance(signed, StoredCheckpoint)
    monkeypatch.setattr(kind, "checkpoint", lambda self, size=None: signed)
    # The third event is not signed yet: exports with a trailer end before it, those without do not.
    lines = auditor.get(EVENTS, headers=NDJSON).data.splitlines()
    assert [json.loads(line).get("sequence") for line in lines] == [0, 1, None]
    assert len(auditor.get(f"{EVENTS}?trailer=false", headers=NDJSON).data.splitlines()) == 3
    assert len(auditor.get(EVENTS).json["items"]) == 3
    problem_of(auditor.get(f"{EVENTS}?from=3", headers=NDJSON), 503, "store-busy")
    problem_of(auditor.get(f"{EVENTS}/2/receipt"), 503, "store-busy")
    problem_of(auditor.get("/v1/plants/P/log/proofs/inclusion?sequence=2"), 503, "store-busy")
    assert auditor.get("/v1/plants/P/log/tile/0/000.p/2").status_code == 200
    problem_of(auditor.get("/v1/plants/P/log/tile/0/000.p/3"), 404, "not-found")
    problem_of(auditor.get("/v1/plants/P/log/tile/entries/000.p/3"), 404, "not-found")
