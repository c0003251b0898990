"""Proofs and receipts over HTTP, checked by the recursion of RFC 9162 that the tests have of their own."""

from __future__ import annotations

import base64
import hashlib
import json
import subprocess
import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from service.http.documents import Document
from service.ledger import verifier
from tests.http import rfc9162
from tests.http.running import LINE, PLANT, Caller, Running, hanger, inspection, problem_of

LOG = "/v1/plants/P/log"
EVENTS = "/v1/plants/P/events"


@dataclass(frozen=True)
class Log:
    """A log of 45 events, one or two a transaction."""

    running: Running
    auditor: Caller
    bodies: list[bytes]
    signed: list[int]  # sizes for which there is a checkpoint, by what was written
    vkey: str

    @property
    def leaves(self) -> list[bytes]:
        return [rfc9162.leaf(body) for body in self.bodies]


@pytest.fixture(scope="module")
def log(shared: Running) -> Log:
    engineer = shared.caller("engineer")
    assert engineer.put("/v1/plants/P/lines/L-2", LINE).status_code == 201
    assert engineer.put("/v1/plants/P/hangers/H-2", hanger("H-2", "L-2")).status_code == 201
    signed = [0, 1, 2, 3, 4, 5]
    size = 5
    for number in range(40):
        mark = f"H-{number % 2 + 1}"
        if number % 7 == 3:  # two events in one transaction: no checkpoint between them
            rows = b"".join(
                json.dumps({"record": hanger(f"B-{number}{part}", "L-2")}).encode() + b"\n" for part in "ab"
            )
            answer = engineer.post_bytes("/v1/plants/P/hangers:bulk", rows, "application/x-ndjson")
            size += 2
        else:
            answer = engineer.post(
                f"/v1/plants/P/hangers/{mark}/inspections", inspection(note=f"look {number}")
            )
            size += 1
        assert answer.status_code in (200, 201)
        signed.append(size)
    auditor = shared.caller("auditor")
    lines = auditor.get(f"{EVENTS}?trailer=false", headers={"Accept": "application/x-ndjson"}).data
    vkey = auditor.get(f"{LOG}/key").json["keys"][0]["vkey"]
    return Log(shared, auditor, lines.splitlines(), signed, vkey)


def hashes(document: dict[str, list[str]]) -> list[bytes]:
    return [base64.b64decode(each) for each in document["proof"]]


def test_the_log_is_what_the_tests_below_rest_on(log: Log) -> None:
    assert len(log.bodies) == log.signed[-1] == 51
    assert 9 not in log.signed


# --- inclusion ----------------------------------------------------------------------------------------
def test_every_event_is_proved_in_every_size_that_was_signed(log: Log) -> None:
    leaves = log.leaves
    for size in log.signed[1:]:
        root = rfc9162.mth(leaves[:size])
        for sequence in range(size):
            answer = log.auditor.get(f"{LOG}/proofs/inclusion?sequence={sequence}&size={size}")
            document = answer.json
            assert rfc9162.root_of_inclusion(leaves[sequence], sequence, size, hashes(document)) == root
            assert (document["sequence"], document["size"]) == (sequence, size)
            assert document["leaf_hash"] == leaves[sequence].hex()
            checkpoint = rfc9162.checkpoint(document["checkpoint"].encode(), log.vkey)
            assert checkpoint[1:] == (size, root)


def test_without_a_size_the_proof_leads_to_the_newest_checkpoint(log: Log) -> None:
    document = Document("inclusion-proof").validate(
        log.auditor.get(f"{LOG}/proofs/inclusion?sequence=7").json
    )
    assert document["size"] == 51
    assert document["checkpoint"].encode() == log.auditor.get(f"{LOG}/checkpoint").data
    assert document["log_id"] == json.loads(log.bodies[0])["log_id"]


@pytest.mark.parametrize(
    ("query", "name", "rule"),
    [
        ("", "sequence", "required"),
        ("sequence=-1", "sequence", "form"),
        ("sequence=7&size=9", "size", "signed-size"),
        ("sequence=7&size=52", "size", "signed-size"),
        ("sequence=7&size=7", "size", "reaches-the-event"),
        ("sequence=0&size=0", "size", "reaches-the-event"),
        ("sequence=7&size=x", "size", "form"),
    ],
)
def test_what_cannot_be_proved_is_refused_with_what_can(log: Log, query: str, name: str, rule: str) -> None:
    answer = log.auditor.get(f"{LOG}/proofs/inclusion?{query}")
    (finding,) = problem_of(answer, 400, "invalid-parameter")["errors"]
    assert (finding["in"], finding["name"], finding["rule"]) == ("query", name, rule)
    assert finding["accepted"]


def test_a_size_that_was_never_signed_is_answered_with_those_near_it(log: Log) -> None:
    answer = log.auditor.get(f"{LOG}/proofs/inclusion?sequence=7&size=9")
    (finding,) = problem_of(answer, 400, "invalid-parameter")["errors"]
    assert "51" in finding["accepted"]
    assert "10" in finding["accepted"]


def test_an_event_that_is_absent_or_hidden_is_404(log: Log) -> None:
    problem_of(log.auditor.get(f"{LOG}/proofs/inclusion?sequence=51"), 404, "not-found")
    scoped = log.running.caller("engineer", plants=["P"], lines=["L-2"])
    for sequence, body in enumerate(log.bodies):
        answer = scoped.get(f"{LOG}/proofs/inclusion?sequence={sequence}")
        receipt = scoped.get(f"{EVENTS}/{sequence}/receipt")
        if json.loads(body)["line"] == "L-2":
            assert (answer.status_code, receipt.status_code) == (200, 200)
        else:
            problem_of(answer, 404, "not-found")
            problem_of(receipt, 404, "not-found")


# --- consistency --------------------------------------------------------------------------------------
def test_every_size_is_proved_a_beginning_of_every_later_one_that_was_signed(log: Log) -> None:
    leaves = log.leaves
    for second in log.signed:
        new = rfc9162.mth(leaves[:second])
        for first in range(second + 1):
            document = log.auditor.get(f"{LOG}/proofs/consistency?first={first}&second={second}").json
            checkpoint = rfc9162.checkpoint(document["checkpoint"].encode(), log.vkey)
            assert checkpoint[1:] == (second, new)
            assert (document["first"], document["second"]) == (first, second)
            if first == 0:
                assert document["proof"] == []
                continue
            old = rfc9162.mth(leaves[:first])
            assert rfc9162.roots_of_consistency(first, second, hashes(document), old) == (old, new)


def test_without_a_second_size_the_newest_checkpoint_is_meant(log: Log) -> None:
    document = Document("consistency-proof").validate(
        log.auditor.get(f"{LOG}/proofs/consistency?first=9").json
    )
    assert (document["first"], document["second"]) == (9, 51)
    assert document["checkpoint"].encode() == log.auditor.get(f"{LOG}/checkpoint").data


@pytest.mark.parametrize(
    ("query", "name", "rule"),
    [
        ("", "first", "required"),
        ("first=52", "first", "within-the-log"),
        ("first=11&second=10", "first", "within-the-log"),
        ("first=1&second=9", "second", "signed-size"),
        ("first=1&second=99", "second", "signed-size"),
    ],
)
def test_sizes_that_there_were_not_are_refused(log: Log, query: str, name: str, rule: str) -> None:
    answer = log.auditor.get(f"{LOG}/proofs/consistency?{query}")
    (finding,) = problem_of(answer, 400, "invalid-parameter")["errors"]
    assert (finding["name"], finding["rule"]) == (name, rule)


@pytest.mark.parametrize(
    "path",
    [f"{LOG}/proofs/inclusion?sequence=1", f"{LOG}/proofs/consistency?first=1", f"{EVENTS}/1/receipt"],
)
def test_proofs_are_for_those_who_account_for_the_log(log: Log, path: str) -> None:
    for role in ("reader", "recorder", "administrator"):
        problem_of(log.running.caller(role).get(path), 403, "not-permitted")
    problem_of(log.running.caller("auditor", plants=["Q"]).get(path), 404, "not-found")


# --- receipts -----------------------------------------------------------------------------------------
def parts(receipt: bytes) -> tuple[bytes, int, list[bytes], bytes]:
    """Entry, index, proof and checkpoint of a receipt, by the text of C2SP tlog-proof."""
    head, _, note = receipt.partition(b"\n\n")
    mark, extra, index, *proof = head.decode("ascii").split("\n")
    assert mark == "c2sp.org/tlog-proof@v1"
    assert extra.startswith("extra ")
    assert index.startswith("index ")
    return (
        base64.b64decode(extra.removeprefix("extra ")),
        int(index.removeprefix("index ")),
        [base64.b64decode(each) for each in proof],
        note,
    )


def test_every_event_has_a_receipt_that_proves_it(log: Log) -> None:
    for sequence, body in enumerate(log.bodies):
        answer = log.auditor.get(f"{EVENTS}/{sequence}/receipt")
        assert answer.content_type == "text/plain; charset=utf-8"
        assert answer.headers["Content-Disposition"] == f'attachment; filename="P-{sequence}.tlog-proof"'
        entry, index, proof, note = parts(answer.data)
        assert (entry, index) == (body, sequence)
        _, size, root = rfc9162.checkpoint(note, log.vkey)
        assert size == 51
        assert rfc9162.root_of_inclusion(rfc9162.leaf(body), sequence, size, proof) == root


def test_a_receipt_for_a_signed_size_is_the_same_for_ever(fresh: Running) -> None:
    engineer = fresh.caller("engineer")
    before = engineer.get(f"{EVENTS}/1/receipt?size=3").data
    newest = engineer.get(f"{EVENTS}/1/receipt").data
    assert before == newest
    assert engineer.post("/v1/plants/P/hangers/H-1/inspections", inspection()).status_code == 201
    assert engineer.get(f"{EVENTS}/1/receipt?size=3").data == before
    assert engineer.get(f"{EVENTS}/1/receipt").data != before
    answer = engineer.get(f"{EVENTS}/3/receipt?size=3")
    assert problem_of(answer, 400, "invalid-parameter")["errors"][0]["rule"] == "reaches-the-event"


def test_a_receipt_is_verified_offline_with_the_key_alone(log: Log, tmp_path: Path) -> None:
    receipt = tmp_path / "P-7.tlog-proof"
    receipt.write_bytes(log.auditor.get(f"{EVENTS}/7/receipt").data)
    alone = tmp_path / "verifier.py"
    alone.write_bytes(Path(verifier.__file__).read_bytes())

    def verified(path: Path, key: str) -> int:
        # In a folder and a mode in which nothing of the service can be imported.
        command = [sys.executable, "-I", str(alone), str(path), "--key", key]
        return subprocess.run(command, cwd=tmp_path, capture_output=True, check=False).returncode

    assert verified(receipt, log.vkey) == 0
    altered = tmp_path / "altered"
    entry, _, _, _ = parts(receipt.read_bytes())
    changed = base64.b64encode(entry.replace(b'in_place":true', b'in_place":false'))
    altered.write_bytes(receipt.read_bytes().replace(base64.b64encode(entry), changed))
    assert altered.read_bytes() != receipt.read_bytes()
    assert verified(altered, log.vkey) == 1


def test_free_text_is_no_part_of_a_receipt_and_its_digest_is(log: Log) -> None:
    entry, _, _, _ = parts(log.auditor.get(f"{EVENTS}/7/receipt").data)
    assert set(json.loads(entry)["data"]["note"]) == {"sha256"}
    assert b"look" not in entry


def test_nothing_is_given_out_as_proved_that_is_not_what_was_signed(
    fresh: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    auditor = fresh.caller("auditor")
    with fresh.store.read("P") as reader:
        kind = type(reader)
    stored = kind.event

    def altered(self: Any, sequence: int) -> Any:
        found = stored(self, sequence)
        return found and replace(found, body=found.body.replace(b"L-1", b"L-2"))

    monkeypatch.setattr(kind, "event", altered)
    assert auditor.get(f"{EVENTS}/0/receipt").status_code == 200  # the plant's record names no line
    for path in (f"{EVENTS}/1/receipt", f"{LOG}/proofs/inclusion?sequence=1"):
        problem_of(auditor.get(path), 500, "log-corrupt")


# --- what a write tells -------------------------------------------------------------------------------
def test_the_answer_to_a_write_names_its_leaf_and_its_receipt(fresh: Running) -> None:
    administrator, engineer = fresh.caller("administrator"), fresh.caller("engineer")
    hangers = "/v1/plants/P/hangers"
    answers = [
        administrator.put("/v1/plants/Q", PLANT),
        engineer.put("/v1/plants/P/lines/L-2", LINE),
        engineer.put(f"{hangers}/H-2", hanger("H-2", "L-2")),
        engineer.revise(f"{hangers}/H-2", hanger("H-2", "L-2", drawing_mark="D")),
        engineer.revise("/v1/plants/P/criteria", {"limits": {}}),
        engineer.post(f"{hangers}/H-1/inspections", inspection()),
    ]
    for answer in answers:
        assert answer.status_code in (200, 201), answer.data
        document = answer.json
        sequence = document["event"]["sequence"] if "event" in document else document["sequence"]
        plant = answer.request.path.split("/")[3]
        where = f"/v1/plants/{plant}/events/{sequence}/receipt"
        assert answer.headers["Log-Receipt"] == where
        entry, index, _, _ = parts(engineer.get(where).data)
        assert index == sequence
        assert answer.headers["Log-Leaf-Hash"] == hashlib.sha256(b"\x00" + entry).hexdigest()


def test_the_answer_to_what_wrote_nothing_names_none(fresh: Running) -> None:
    engineer, administrator = fresh.caller("engineer"), fresh.caller("administrator")
    named = administrator.post("/v1/principals", {"kind": "person", "display_name": "a name"}).json["id"]
    for answer in (
        engineer.revise("/v1/plants/P/hangers/H-1", hanger()),
        engineer.post("/v1/plants/P/hangers/H-1/inspections?dry_run=true", inspection()),
        engineer.put("/v1/plants/P/lines/L-7?dry_run=true", LINE),
        administrator.put("/v1/plants/Q?dry_run=true", PLANT),
        # The service's own log gives no receipts over HTTP.
        administrator.post("/v1/principals", {"kind": "person"}),
        administrator.post(f"/v1/principals/{named}/erasures"),
    ):
        assert answer.status_code in (200, 201), answer.data
        assert not {"Log-Receipt", "Log-Leaf-Hash"} & set(answer.headers.keys())


def test_a_replayed_answer_names_the_receipt_again(fresh: Running) -> None:
    engineer = fresh.caller("engineer")
    key = {"Idempotency-Key": "the-same-key-twice"}
    first, again = (
        engineer.post("/v1/plants/P/hangers/H-1/inspections", inspection(), headers=key) for _ in range(2)
    )
    assert again.headers["Idempotent-Replayed"] == "true"
    for name in ("Log-Receipt", "Log-Leaf-Hash"):
        assert first.headers[name] == again.headers[name]
