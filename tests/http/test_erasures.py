"""Erasing words and names over HTTP: gone from every answer and every file, the log unharmed."""

from __future__ import annotations

import base64
import hashlib
import json
from pathlib import Path
from typing import Any

import pytest

from tests.http.conftest import small_plant
from tests.http.running import Caller, Running, inspection, problem_of

# Long enough to lie in several places of a page and beyond it, each part to be found on its own.
PARTS = [f"the tall fitter {number} from Quuxford" for number in range(45)]
WORDS = ", ".join(PARTS)
NAME = "Zebulon Quuxington"
EVENTS = "/v1/plants/P/events"
KEY = {"Idempotency-Key": "the-act-of-note"}


def noted(fresh: Running, **more: Any) -> dict[str, Any]:
    """An inspection with a note, as its receipt tells it."""
    document = inspection(**{"note": WORDS, **more})
    answer = fresh.caller("recorder").post("/v1/plants/P/hangers/H-1/inspections", document)
    assert answer.status_code == 201, answer.data
    return dict(answer.json["event"])


def erasures(sequence: int) -> str:
    return f"{EVENTS}/{sequence}/erasures"


def folder_holds(fresh: Running, words: str) -> bool:
    """Whether any file of the data folder holds the words, as a person with the disk would look."""
    folder = Path(fresh.settings.data_directory)
    return any(words.encode() in file.read_bytes() for file in folder.rglob("*") if file.is_file())


def test_erased_words_are_in_no_answer_and_in_no_file_and_the_event_is_as_it_was(fresh: Running) -> None:
    event = noted(fresh)
    auditor = fresh.caller("auditor")
    path = f"{EVENTS}/{event['sequence']}"
    before = auditor.get(path).json
    assert before["texts"] == {"note": WORDS}
    assert folder_holds(fresh, PARTS[0])

    answer = fresh.caller("administrator").post(erasures(event["sequence"]), {"why": "personal-data"})

    assert answer.status_code == 201
    erased = answer.json["event"]
    assert (erased["type"], erased["subject"], erased["line"]) == ("text-erased", "hanger/H-1", "L-1")
    assert erased["data"] == {"sequence": event["sequence"], "fields": ["note"], "why": "personal-data"}
    assert answer.headers["Location"] == f"{EVENTS}/{erased['sequence']}"
    after = auditor.get(path).json
    assert after == {**before, "texts": {}}
    assert WORDS not in auditor.get(EVENTS).text
    assert WORDS not in auditor.get(EVENTS, headers={"Accept": "application/x-ndjson"}).text
    assert [part for part in PARTS if folder_holds(fresh, part)] == []


def test_only_the_named_texts_are_erased_and_the_rest_afterwards(fresh: Running) -> None:
    event = noted(fresh)
    corrected = noted(fresh, corrects=event["sequence"], reason="misread")
    administrator = fresh.caller("administrator")
    path = erasures(corrected["sequence"])
    answer = administrator.post(path, {"fields": ["reason"], "why": "entered-by-mistake"})
    assert answer.json["event"]["data"]["fields"] == ["reason"]
    auditor = fresh.caller("auditor")
    assert auditor.get(f"{EVENTS}/{corrected['sequence']}").json["texts"] == {"note": WORDS}
    problem = problem_of(
        administrator.post(path, {"fields": ["note", "reason"], "why": "personal-data"}), 409, "conflict"
    )
    assert problem["facts"] == {"erased": ["reason"], "left": ["note"]}
    assert auditor.get(f"{EVENTS}/{corrected['sequence']}").json["texts"] == {"note": WORDS}
    assert administrator.post(path, {"why": "personal-data"}).json["event"]["data"]["fields"] == ["note"]
    problem_of(administrator.post(path, {"why": "personal-data"}), 409, "conflict")


def test_what_is_not_there_cannot_be_erased(fresh: Running) -> None:
    administrator = fresh.caller("administrator")
    event = noted(fresh)
    problem = problem_of(
        administrator.post(
            erasures(event["sequence"]), {"fields": ["note", "limits"], "why": "personal-data"}
        ),
        422,
        "invalid-document",
    )
    assert [(each["pointer"], each["accepted"]) for each in problem["errors"]] == [("/fields/1", ["note"])]
    problem_of(administrator.post(erasures(0), {"why": "personal-data"}), 409, "conflict")
    problem_of(administrator.post(erasures(9_999), {"why": "personal-data"}), 404, "not-found")
    problem_of(
        administrator.post("/v1/plants/Q/events/0/erasures", {"why": "personal-data"}), 404, "not-found"
    )
    for document in ({}, {"why": "spite"}, {"why": "personal-data", "fields": []}, {"fields": ["note"]}):
        problem_of(administrator.post(erasures(event["sequence"]), document), 422, "invalid-document")
    assert fresh.caller("auditor").get(f"{EVENTS}/{event['sequence']}").json["texts"] == {"note": WORDS}


def test_only_administrators_of_the_place_erase(fresh: Running) -> None:
    event = noted(fresh)
    path = erasures(event["sequence"])
    for role in ("reader", "recorder", "engineer", "integrator", "auditor"):
        problem_of(fresh.caller(role).post(path, {"why": "personal-data"}), 403, "not-permitted")
    for scope in ({"plants": ["other"]}, {"plants": ["P"], "lines": ["L-9"]}):
        caller = fresh.caller("administrator", **scope)
        problem_of(caller.post(path, {"why": "personal-data"}), 404, "not-found")
    person = fresh.caller("reader").principal
    for role in ("reader", "recorder", "engineer", "integrator", "auditor"):
        problem_of(fresh.caller(role).post(f"/v1/principals/{person}/erasures"), 403, "not-permitted")
    narrow = fresh.caller("administrator", plants=["P"])
    problem_of(narrow.post(f"/v1/principals/{person}/erasures"), 403, "not-permitted")
    assert fresh.caller("administrator", plants=["P"]).post(path, {"why": "personal-data"}).status_code == 201


def test_a_trial_erases_nothing(fresh: Running) -> None:
    event = noted(fresh)
    answer = fresh.caller("administrator").post(
        f"{erasures(event['sequence'])}?dry_run=true", {"why": "personal-data"}
    )
    assert (answer.status_code, answer.json["dry_run"]) == (200, True)
    auditor = fresh.caller("auditor")
    assert auditor.get(f"{EVENTS}/{event['sequence']}").json["texts"] == {"note": WORDS}
    assert auditor.get(f"{EVENTS}?type=text-erased").json["items"] == []


def test_a_repeated_erasure_is_the_same_erasure(fresh: Running) -> None:
    event = noted(fresh)
    administrator = fresh.caller("administrator")
    first = administrator.post(erasures(event["sequence"]), {"why": "personal-data"}, KEY)
    again = administrator.post(erasures(event["sequence"]), {"why": "personal-data"}, KEY)
    assert (first.status_code, again.status_code) == (201, 201)
    assert again.json == first.json
    assert again.headers["Idempotent-Replayed"] == "true"


def kept_keys(fresh: Running) -> list[dict[str, Any]]:
    engine: Any = fresh.store.engine  # type: ignore[attr-defined]
    with engine.connect() as connection:
        return [dict(row) for row in connection.exec_driver_sql("SELECT * FROM idempotency_keys").mappings()]


def digest_of(path: str, body: bytes) -> str:
    return hashlib.sha256(b"POST\0" + path.encode() + b"\0\0" + body).hexdigest()


def test_a_key_remembers_nothing_from_which_the_words_could_be_guessed(fresh: Running) -> None:
    recorder = fresh.caller("recorder")
    path = "/v1/plants/P/hangers/H-1/inspections"
    body = json.dumps(inspection(note=WORDS)).encode()
    other = json.dumps(inspection(note="nothing to erase")).encode()
    event = recorder.post_bytes(path, body, Idempotency_Key="first-act").json["event"]
    assert recorder.post_bytes(path, other, Idempotency_Key="second-act").status_code == 201
    digests = {row["request_digest"] for row in kept_keys(fresh)}
    assert {digest_of(path, body), digest_of(path, other)} <= digests

    fresh.caller("administrator").post(erasures(event["sequence"]), {"why": "personal-data"})

    digests = {row["request_digest"] for row in kept_keys(fresh)}
    assert digest_of(path, body) not in digests
    assert digest_of(path, other) in digests
    # A repeat that comes late is not done again, and is not told to take a new key either.
    size = len(fresh.caller("auditor").get(EVENTS).json["items"])
    problem = problem_of(
        recorder.post_bytes(path, body, Idempotency_Key="first-act"), 422, "idempotency-key-reused"
    )
    assert "new key" not in problem["detail"]
    replayed = recorder.post_bytes(path, other, Idempotency_Key="second-act")
    assert replayed.headers["Idempotent-Replayed"] == "true"
    assert len(fresh.caller("auditor").get(EVENTS).json["items"]) == size


def named(fresh: Running) -> tuple[Caller, str]:
    administrator = fresh.caller("administrator")
    answer = administrator.post("/v1/principals", {"kind": "person", "display_name": NAME}, KEY)
    return administrator, answer.json["id"]


def test_an_erased_name_is_in_no_answer_and_in_no_file(fresh: Running) -> None:
    administrator, principal = named(fresh)
    assert administrator.get(f"/v1/principals/{principal}").json["display_name"] == NAME
    assert folder_holds(fresh, NAME)

    answer = administrator.post(f"/v1/principals/{principal}/erasures")

    assert answer.status_code == 201
    assert answer.json["display_name"] is None
    assert answer.headers["Location"] == f"/v1/principals/{principal}"
    assert administrator.get(f"/v1/principals/{principal}").json == answer.json
    assert NAME not in administrator.get("/v1/principals").text
    assert not folder_holds(fresh, NAME)
    body = json.dumps({"kind": "person", "display_name": NAME}).encode()
    assert digest_of("/v1/principals", body) not in {row["request_digest"] for row in kept_keys(fresh)}
    events = fresh.caller("auditor").get("/v1/service-events?limit=500").json["items"]
    [erased] = [each["event"] for each in events if each["event"]["type"] == "name-erased"]
    assert (erased["subject"], erased["data"]) == ("service/principals", {"principal": principal})
    problem_of(administrator.post(f"/v1/principals/{principal}/erasures"), 409, "conflict")
    problem_of(administrator.post(f"/v1/principals/pr_{'0' * 26}/erasures"), 404, "not-found")


def test_keys_of_what_the_person_did_are_left_alone(fresh: Running) -> None:
    administrator, principal = named(fresh)
    token = {"principal": principal, "role": "reader"}
    assert administrator.post("/v1/tokens", token, {"Idempotency-Key": "the-token-key"}).status_code == 201
    assert administrator.post(f"/v1/principals/{principal}/erasures").status_code == 201
    again = administrator.post("/v1/tokens", token, {"Idempotency-Key": "the-token-key"})
    assert again.headers["Idempotent-Replayed"] == "true"


def test_an_error_of_the_database_does_not_tell_words_to_the_log(fresh: Running) -> None:
    engine: Any = fresh.store.engine  # type: ignore[attr-defined]
    assert engine.hide_parameters


def test_a_leaf_that_names_the_digest_still_fits_the_words_that_somebody_kept(fresh: Running) -> None:
    """Who holds words and salt from before can still show that they are what the leaf says."""
    event = noted(fresh)
    engine: Any = fresh.store.engine  # type: ignore[attr-defined]
    with engine.connect() as connection:
        salt, text = connection.exec_driver_sql("SELECT salt, text FROM texts").one()
    fresh.caller("administrator").post(erasures(event["sequence"]), {"why": "personal-data"})
    stored = fresh.caller("auditor").get(f"{EVENTS}/{event['sequence']}").json["event"]
    assert stored["data"]["note"] == {"sha256": hashlib.sha256(bytes(salt) + bytes(text)).hexdigest()}
    with engine.connect() as connection:
        assert connection.exec_driver_sql("SELECT salt, text FROM texts").one() == (None, None)
    assert base64.b64encode(bytes(salt)).decode() not in fresh.caller("auditor").get(EVENTS).text


def test_words_that_a_reader_still_keeps_in_the_journal_are_told_and_a_repeat_takes_them(
    tmp_path: Path,
) -> None:
    running = Running(tmp_path, WRITE_LOCK_TIMEOUT_S="0.2")
    small_plant(running)
    engine: Any = running.store.engine  # type: ignore[attr-defined]
    with engine.connect() as connection:
        if connection.exec_driver_sql("PRAGMA journal_mode").scalar() != "wal":
            pytest.skip("this SQLite library keeps no write-ahead journal")
    event = noted(running)
    administrator = running.caller("administrator")
    with running.store.read("P") as reader:
        assert reader.size > 0
        busy = administrator.post(erasures(event["sequence"]), {"why": "personal-data"}, KEY)
    problem = problem_of(busy, 503, "store-busy")
    assert "erased" in problem["detail"]
    assert running.caller("auditor").get(f"{EVENTS}/{event['sequence']}").json["texts"] == {}
    again = administrator.post(erasures(event["sequence"]), {"why": "personal-data"}, KEY)
    assert (again.status_code, again.headers["Idempotent-Replayed"]) == (201, "true")
    assert [part for part in PARTS if folder_holds(running, part)] == []
    running.close()
