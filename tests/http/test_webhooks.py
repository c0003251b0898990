"""Webhooks over HTTP: registered, changed, rotated, replayed and removed; and what the log learns of it."""

from __future__ import annotations

import base64
import hashlib
import json
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text

from service.application import webhooks as use_cases
from service.bootstrap import OPERATOR
from service.domain.webhooks import secret_of
from service.http.documents import Document
from service.persistence.outbox import SqlOutbox
from service.relay.relay import Relay
from tests.http.conftest import small_plant
from tests.http.running import LINE, Caller, Running, hanger, inspection, problem_of
from tests.relay.receiver import Receiver, Reply, receiving, wait_until

HOOKS = "/v1/plants/P/webhooks"
URL = "https://maintenance.example/in/secret-part?key=hidden-key"
NOBODY = "wh_" + "0" * 26


@pytest.fixture
def allowing(tmp_path: Path) -> Iterator[Running]:
    """A service whose operator allows this machine as a target, at the present time."""
    made = Running(tmp_path, WEBHOOK_ALLOWED_TARGETS="127.0.0.1")
    made.clock.now = datetime.now(UTC)
    small_plant(made)
    yield made
    made.close()


@pytest.fixture
def integrator(fresh: Running) -> Caller:
    return fresh.caller("integrator", kind="system")


def register(caller: Caller, **more: Any) -> dict[str, Any]:
    response = caller.post(HOOKS, {"url": URL, **more})
    assert response.status_code == 201, response.json
    document: dict[str, Any] = response.json
    return document


def last_event(running: Running, back: int = 1) -> Any:
    with running.store.read("P") as reader:
        stored = reader.event(reader.size - back)
    assert stored is not None
    return stored


# --- registering ----------------------------------------------------------------------------------
def test_a_webhook_is_registered_with_a_secret_that_is_shown_once(fresh: Running, integrator: Caller) -> None:
    before = last_event(fresh).event.sequence
    response = integrator.post(HOOKS, {"url": URL, "line": "l-1"}, {"Idempotency-Key": "register-1"})
    assert response.status_code == 201
    made = response.json
    hook = made["webhook"]
    assert response.headers["Location"] == f"{HOOKS}/{hook['id']}"
    assert hook == {
        "id": hook["id"], "url": URL, "line": "L-1", "hanger": None, "type": None, "active": True,
        "disabled": None, "disabled_at": None, "revision": 1, "secret_generation": 1,
        "previous_secret_until": None, "created_at": hook["created_at"], "created_by": integrator.principal,
    }  # fmt: skip
    assert len(base64.b64decode(made["secret"].removeprefix("whsec_"))) == 32
    assert made["event"]["type"] == "webhook-registered"
    assert made["event"]["sequence"] == before + 1
    assert response.headers["Log-Leaf-Hash"] == made["leaf_hash"]
    again = integrator.post(HOOKS, {"url": URL, "line": "l-1"}, {"Idempotency-Key": "register-1"})
    assert again.headers["Idempotent-Replayed"] == "true"
    assert again.json == {**made, "secret": None}
    assert integrator.get(f"{HOOKS}/{hook['id']}").json == hook
    assert integrator.get(HOOKS).json == {"items": [hook], "next": None}
    assert integrator.get(f"{HOOKS}/{hook['id']}/progress").json["next_sequence"] == before + 1


def test_the_log_learns_the_host_and_nothing_else_of_the_url_nor_any_secret(
    fresh: Running, integrator: Caller
) -> None:
    made = register(integrator)
    identifier = made["webhook"]["id"]
    path = f"{HOOKS}/{identifier}"
    rotated = integrator.post(f"{path}/secret-rotations").json
    changed = {"url": URL.replace("in", "other"), "active": False}
    assert integrator.put(path, changed, {"If-Match": "*"}).status_code == 200
    assert integrator.post(f"{path}/removals").status_code == 201
    with fresh.store.read("P") as reader:
        bodies = b"".join(reader.bodies(0, reader.size))
        events = reader.subject_events(f"webhook/{identifier}")
    assert [each.type for each in events] == [
        "webhook-registered", "webhook-changed", "webhook-changed", "webhook-removed",
    ]  # fmt: skip
    assert events[0].data == {
        "webhook": identifier, "host": "maintenance.example", "line": None, "hanger": None, "type": None,
        "active": True, "disabled": None, "revision": 1, "secret_generation": 1,
    }  # fmt: skip
    for hidden in ("secret-part", "hidden-key", made["secret"], rotated["secret"]):
        assert hidden.encode() not in bodies


def test_no_secret_is_in_the_database(fresh: Running, integrator: Caller) -> None:
    made = register(integrator)
    rotated = integrator.post(f"{HOOKS}/{made['webhook']['id']}/secret-rotations").json
    secrets = (made["secret"], rotated["secret"])
    fresh.close()
    content = b"".join(file.read_bytes() for file in fresh.settings.data_directory.glob("service.sqlite3*"))
    assert made["webhook"]["id"].encode() in content
    for secret in secrets:
        for form in (secret, secret.removeprefix("whsec_")):
            assert form.encode() not in content
        assert base64.b64decode(secret.removeprefix("whsec_")) not in content
    assert hashlib.sha256(rotated["secret"].encode()).hexdigest().encode() in content


@pytest.mark.parametrize(
    ("document", "pointer", "rule"),
    [
        ({"url": "http://maintenance.example/"}, "/url", "scheme"),
        ({"url": "https://user@maintenance.example/"}, "/url", "user-name"),
        ({"url": "https://maintenance.example/#x"}, "/url", "absolute-url"),
        ({"url": "https://127.0.0.1/"}, "/url", "outward"),
        ({"url": "https://[::ffff:10.0.0.1]/"}, "/url", "outward"),
        ({"url": "https://localhost:8443/"}, "/url", "outward"),
        ({"url": "https://2130706433/"}, "/url", "host"),
        ({"url": "https://a b/"}, "/url", "pattern"),
        ({"url": URL, "line": "L-9"}, "/line", "known-line"),
        ({"url": URL, "hanger": "H-9"}, "/hanger", "known-hanger"),
        ({"url": URL, "line": "L-2", "hanger": "H-1"}, "/hanger", "of-the-line"),
        ({"url": URL, "type": "token-issued"}, "/type", "enum"),
        ({"url": URL, "from": 999}, "/from", "within-the-log"),
        ({"url": URL, "secret": "whsec_x"}, "/secret", "unknown-key"),
        ({"url": URL, "id": NOBODY}, "/id", "set-by-the-service"),
        ({}, "/url", "required"),
    ],
)
def test_what_cannot_be_served_is_refused(
    shared: Running, document: dict[str, Any], pointer: str, rule: str
) -> None:
    shared.caller("engineer").put("/v1/plants/P/lines/L-2", LINE)
    caller = shared.caller("integrator", kind="system")
    problem = problem_of(caller.post(HOOKS, document), 422, "invalid-document")
    assert [(each["pointer"], each["rule"]) for each in problem["errors"]] == [(pointer, rule)]
    assert caller.get(HOOKS).json["items"] == []


def test_a_trial_registers_nothing_and_shows_no_secret(fresh: Running, integrator: Caller) -> None:
    before = last_event(fresh).event.sequence
    response = integrator.post(f"{HOOKS}?dry_run=true", {"url": URL})
    assert response.status_code == 200
    assert (response.json["secret"], response.json["dry_run"]) == (None, True)
    assert integrator.get(HOOKS).json["items"] == []
    assert last_event(fresh).event.sequence == before
    made = register(integrator)
    path = f"{HOOKS}/{made['webhook']['id']}"
    for trial in (
        integrator.post(f"{path}/secret-rotations?dry_run=true"),
        integrator.post(f"{path}/removals?dry_run=true"),
        integrator.post(f"{path}/replays?dry_run=true", {"from": 0}),
        integrator.put(f"{path}?dry_run=true", {"url": URL, "active": False}, {"If-Match": "*"}),
    ):
        assert trial.status_code == 200
        assert trial.json["dry_run"] is True
        assert trial.json.get("secret") is None
    assert integrator.get(path).json == made["webhook"]
    assert integrator.get(f"{path}/progress").json["replays"] == []
    assert last_event(fresh).event.sequence == before + 1


def test_a_plant_has_a_bounded_number_of_webhooks(
    fresh: Running, integrator: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(use_cases, "MOST_WEBHOOKS", 2)
    for _ in range(2):
        register(integrator)
    problem_of(integrator.post(HOOKS, {"url": URL}), 409, "conflict")


def test_webhooks_are_paged(fresh: Running, integrator: Caller) -> None:
    made = sorted(register(integrator)["webhook"]["id"] for _ in range(3))
    first = integrator.get(f"{HOOKS}?limit=2").json
    second = integrator.get(f"{HOOKS}?limit=2&cursor={first['next']}").json
    assert [each["id"] for each in first["items"] + second["items"]] == made
    assert second["next"] is None


# --- changing ---------------------------------------------------------------------------------------
def test_a_change_wants_the_present_revision(fresh: Running, integrator: Caller) -> None:
    made = register(integrator)
    path = f"{HOOKS}/{made['webhook']['id']}"
    tag = integrator.get(path).headers["ETag"]
    assert tag == '"r1"'
    assert integrator.get(path, headers={"If-None-Match": tag}).status_code == 304
    wanted = {
        "url": "https://other.example/", "line": "L-1", "hanger": "h-1", "type": "hanger-inspected",
        "active": False,
    }  # fmt: skip
    problem_of(integrator.put(path, wanted, {}), 428, "precondition-required")
    problem_of(integrator.put(path, wanted, {"If-Match": '"r2"'}), 412, "precondition-failed")
    problem_of(integrator.put(path, wanted, {"If-None-Match": "*"}), 412, "precondition-failed")
    response = integrator.put(path, wanted, {"If-Match": tag})
    assert response.status_code == 200
    assert response.headers["ETag"] == '"r2"'
    changed = response.json["webhook"]
    assert changed == {**made["webhook"], **wanted, "hanger": "H-1", "revision": 2}
    assert response.json["event"]["data"]["host"] == "other.example"
    assert response.json["event"]["line"] == "L-1"
    assert integrator.get(path).json == changed
    # Equal to the present: no event.
    before = last_event(fresh).event.sequence
    same = integrator.put(path, wanted, {"If-Match": '"r2"'})
    assert (same.status_code, same.json["event"], same.json["webhook"]) == (200, None, changed)
    assert same.headers["ETag"] == '"r2"'
    assert last_event(fresh).event.sequence == before
    # What is left out is any.
    wide = integrator.put(path, {"url": wanted["url"], "active": True}, {"If-Match": '"r2"'}).json["webhook"]
    assert [wide[name] for name in ("line", "hanger", "type", "active")] == [None, None, None, True]


def test_a_change_may_not_point_inward(fresh: Running, integrator: Caller) -> None:
    path = f"{HOOKS}/{register(integrator)['webhook']['id']}"
    refused = integrator.put(path, {"url": "https://10.0.0.1/", "active": True}, {"If-Match": "*"})
    problem_of(refused, 422, "invalid-document")
    assert integrator.get(path).json["url"] == URL


@pytest.mark.parametrize("change", ["target", "activity", "filter"])
def test_a_new_target_and_being_active_again_have_what_waits_tried_at_once(
    fresh: Running, integrator: Caller, change: str
) -> None:
    path = f"{HOOKS}/{register(integrator, active=change != 'activity', line='L-1')['webhook']['id']}"
    with fresh.store.engine.begin() as connection:  # type: ignore[attr-defined]
        connection.execute(
            text(
                "INSERT INTO deliveries (webhook, replay, sequence, outcome, attempts, status, cause, "
                "first_attempt_at, last_attempt_at, next_attempt_at) VALUES "
                "(:id, 0, 3, 'waiting', 9, 503, 'busy', :at, :at, :at)"
            ),
            {"id": path.rpartition("/")[2], "at": "2026-05-04T09:00:00.000000Z"},
        )
        connection.execute(text("UPDATE webhooks SET resume_at = '2026-05-04T09:00:00.000000Z'"))
    before = integrator.get(f"{path}/progress").json
    assert (before["waiting"]["attempts"], before["resting_until"]) == (9, "2026-05-04T09:00:00.000000Z")
    wanted = {"url": URL, "line": "L-1", "active": True}
    wanted |= {"target": {"url": URL + "x"}, "activity": {}, "filter": {"hanger": "H-1"}}[change]
    assert integrator.put(path, wanted, {"If-Match": "*"}).status_code == 200
    after = integrator.get(f"{path}/progress").json
    if change == "filter":
        assert (after["waiting"], after["resting_until"]) == (before["waiting"], before["resting_until"])
    else:
        assert (after["waiting"], after["resting_until"]) == (None, None)


def test_a_rotation_shows_a_new_secret_once_and_says_until_when_the_old_one_signs(
    fresh: Running, integrator: Caller
) -> None:
    made = register(integrator)
    path = f"{HOOKS}/{made['webhook']['id']}"
    response = integrator.post(f"{path}/secret-rotations", headers={"Idempotency-Key": "rotate-1"})
    assert response.status_code == 201
    rotated = response.json
    assert rotated["secret"] not in (None, made["secret"])
    assert rotated["webhook"]["secret_generation"] == 2
    occurred = datetime.fromisoformat(rotated["event"]["occurred_at"])
    until = datetime.fromisoformat(rotated["webhook"]["previous_secret_until"])
    assert (until - occurred).total_seconds() == 24 * 3600
    again = integrator.post(f"{path}/secret-rotations", headers={"Idempotency-Key": "rotate-1"})
    assert again.json == {**rotated, "secret": None}
    master = fresh.settings.webhook_secret_file.read_bytes().strip()
    assert secret_of(master, made["webhook"]["id"], 1) == made["secret"]
    assert secret_of(master, made["webhook"]["id"], 2) == rotated["secret"]


# --- removing ---------------------------------------------------------------------------------------
def test_a_removed_webhook_is_gone_and_its_url_forgotten(fresh: Running, integrator: Caller) -> None:
    made = register(integrator)
    other = register(integrator)
    path = f"{HOOKS}/{made['webhook']['id']}"
    assert integrator.post(f"{path}/secret-rotations").status_code == 201
    response = integrator.post(f"{path}/removals", headers={"Idempotency-Key": "remove-1"})
    assert response.status_code == 201
    assert response.json["event"]["type"] == "webhook-removed"
    assert response.json["webhook"]["url"] == ""
    again = integrator.post(f"{path}/removals", headers={"Idempotency-Key": "remove-1"})
    assert (again.status_code, again.headers["Idempotent-Replayed"]) == (201, "true")
    assert again.json == response.json
    for method, tail in (
        ("GET", ""), ("GET", "/progress"), ("GET", "/deliveries"), ("POST", "/removals"),
        ("POST", "/secret-rotations"),
    ):  # fmt: skip
        sent = integrator.get(path + tail) if method == "GET" else integrator.post(path + tail)
        problem_of(sent, 404, "not-found")
    problem_of(integrator.put(path, {"url": URL, "active": True}, {"If-Match": "*"}), 404, "not-found")
    problem_of(integrator.post(f"{path}/replays", {"from": 0}), 404, "not-found")
    assert integrator.get(HOOKS).json["items"] == [other["webhook"]]
    with fresh.store.engine.connect() as connection:  # type: ignore[attr-defined]
        urls = connection.execute(text("SELECT url FROM webhooks ORDER BY url")).scalars().all()
        answers = connection.execute(text("SELECT answer FROM idempotency_keys")).scalars().all()
    assert urls == ["", URL]
    assert ["hidden-key" in each for each in answers if made["webhook"]["id"] in each] == [False] * 3
    assert sum("hidden-key" in each for each in answers) == 1


# --- replays ------------------------------------------------------------------------------------------
def test_a_replay_is_kept_and_bounded(
    fresh: Running, integrator: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = f"{HOOKS}/{register(integrator)['webhook']['id']}"
    size = last_event(fresh).event.sequence + 1
    response = integrator.post(f"{path}/replays", {"from": 1, "until": 3})
    assert response.status_code == 201
    assert response.headers["Location"] == f"{path}/progress"
    first = {
        "number": 1, "from": 1, "until": 3, "next_sequence": 1, "created_at": response.json["created_at"],
        "created_by": integrator.principal, "finished_at": None,
    }  # fmt: skip
    assert response.json == {**first, "dry_run": False}
    second = integrator.post(f"{path}/replays", {"from": 0}).json
    assert (second["number"], second["until"]) == (2, size)
    assert [each["number"] for each in integrator.get(f"{path}/progress").json["replays"]] == [2, 1]
    assert integrator.get(f"{path}/progress").json["replays"][1] == first
    for document, pointer in (
        ({"from": 2, "until": 2}, "/from"),
        ({"from": size}, "/from"),
        ({"from": 0, "until": size + 1}, "/until"),
    ):
        problem = problem_of(integrator.post(f"{path}/replays", document), 422, "invalid-document")
        assert problem["errors"][0]["pointer"] == pointer
    monkeypatch.setattr(use_cases, "MOST_REPLAYS", 2)
    problem_of(integrator.post(f"{path}/replays", {"from": 0}), 409, "conflict")


# --- who ------------------------------------------------------------------------------------------------
def test_roles(fresh: Running, integrator: Caller) -> None:
    path = f"{HOOKS}/{register(integrator)['webhook']['id']}"
    auditor = fresh.caller("auditor")
    for tail in ("", "/progress", "/deliveries"):
        assert auditor.get(path + tail).status_code == 200
    assert auditor.get(HOOKS).status_code == 200
    writing = [
        lambda caller: caller.post(HOOKS, {"url": URL}),
        lambda caller: caller.put(path, {"url": URL, "active": False}, {"If-Match": "*"}),
        lambda caller: caller.post(f"{path}/removals"),
        lambda caller: caller.post(f"{path}/secret-rotations"),
        lambda caller: caller.post(f"{path}/replays", {"from": 0}),
    ]
    for send in writing:
        problem_of(send(auditor), 403, "not-permitted")
    for role in ("reader", "recorder", "engineer", "administrator"):
        caller = fresh.caller(role)
        for tail in ("", "/progress", "/deliveries"):
            problem_of(caller.get(path + tail), 403, "not-permitted")
        problem_of(caller.get(HOOKS), 403, "not-permitted")
        for send in writing:
            problem_of(send(caller), 403, "not-permitted")
    assert integrator.get(path).json["revision"] == 1


def test_a_token_of_lines_has_webhooks_of_its_lines_alone(fresh: Running, integrator: Caller) -> None:
    engineer = fresh.caller("engineer")
    assert engineer.put("/v1/plants/P/lines/L-2", LINE).status_code == 201
    assert engineer.put("/v1/plants/P/hangers/H-2", hanger("H-2", "L-2")).status_code == 201
    scoped = fresh.caller("integrator", kind="system", plants=["P"], lines=["L-1"])
    plain, other = register(integrator), register(integrator, line="L-2")
    own = register(scoped, line="l-1")
    assert [each["id"] for each in scoped.get(HOOKS).json["items"]] == [own["webhook"]["id"]]
    assert len(integrator.get(HOOKS).json["items"]) == 3
    for document in ({"url": URL}, {"url": URL, "line": "L-2"}, {"url": URL, "hanger": "H-1"}):
        problem_of(scoped.post(HOOKS, document), 404, "not-found")
    for made in (plain, other):
        path = f"{HOOKS}/{made['webhook']['id']}"
        problem_of(scoped.get(path), 404, "not-found")
        problem_of(scoped.get(f"{path}/progress"), 404, "not-found")
        problem_of(scoped.get(f"{path}/deliveries"), 404, "not-found")
        problem_of(scoped.post(f"{path}/removals"), 404, "not-found")
        problem_of(scoped.post(f"{path}/secret-rotations"), 404, "not-found")
        problem_of(scoped.post(f"{path}/replays", {"from": 0}), 404, "not-found")
        problem_of(
            scoped.put(path, {"url": URL, "line": "L-1", "active": True}, {"If-Match": "*"}), 404, "not-found"
        )
    # Its own may not be widened, and another line's hanger answers like none.
    path = f"{HOOKS}/{own['webhook']['id']}"
    for line in ("L-2", None):
        wide = {"url": URL, "active": True, **({"line": line} if line else {})}
        problem_of(scoped.put(path, wide, {"If-Match": "*"}), 404, "not-found")
    answers = [
        problem_of(scoped.post(HOOKS, {"url": URL, "line": "L-1", "hanger": mark}), 422, "invalid-document")
        for mark in ("H-2", "H-9")
    ]
    assert answers[0]["errors"] == answers[1]["errors"]
    assert scoped.post(f"{path}/removals").status_code == 201


def test_another_plant_hides_its_webhooks(fresh: Running, integrator: Caller) -> None:
    path = f"{HOOKS}/{register(integrator)['webhook']['id']}"
    elsewhere = fresh.caller("integrator", kind="system", plants=["Q"])
    problem_of(elsewhere.get(path), 404, "not-found")
    problem_of(elsewhere.post(HOOKS, {"url": URL}), 404, "not-found")
    problem_of(integrator.get(f"/v1/plants/Q/webhooks/{NOBODY}"), 404, "not-found")
    problem_of(integrator.get(f"{HOOKS}/{NOBODY}"), 404, "not-found")
    problem_of(integrator.get(f"{HOOKS}/wh_1"), 400, "invalid-parameter")


# --- end to end -----------------------------------------------------------------------------------------
def relay_of(running: Running) -> Relay:
    master = running.settings.webhook_secret_file.read_bytes().strip()
    return Relay(
        store=running.store,
        outbox=SqlOutbox(running.store, running.settings),  # type: ignore[arg-type]
        secrets=lambda webhook, generation: secret_of(master, webhook, generation),
        allowed=running.settings.webhook_allowed_targets,
        clock=lambda: datetime.now(UTC),
        new_id=running.chance.id,
        actor=OPERATOR,
        poll_s=0.05,
    )


def test_from_registration_to_delivery_rotation_and_replay(allowing: Running) -> None:
    caller = allowing.caller("integrator", kind="system")
    recorder = allowing.caller("recorder")
    stop = threading.Event()
    thread = threading.Thread(target=relay_of(allowing).run, args=(stop,))
    with receiving() as receiver:
        url = f"http://127.0.0.1:{receiver.port}/in"
        response = caller.post(HOOKS, {"url": url, "line": "L-1"})
        assert response.status_code == 201, response.json
        made = response.json
        path = f"{HOOKS}/{made['webhook']['id']}"
        start = made["event"]["sequence"]
        thread.start()
        try:
            seen = inspection(occurred_at=datetime.now(UTC).isoformat(timespec="seconds"))
            assert recorder.post("/v1/plants/P/hangers/H-1/inspections", seen).status_code == 201
            got = receiver.wait_for(2)
            # The first message is the registration's own event, the second what happened since.
            assert {each.document["data"]["type"] for each in got} == {
                "webhook-registered",
                "hanger-inspected",
            }
            for each in got:
                each.verify(made["secret"])
            wait_until(lambda: caller.get(f"{path}/progress").json["behind"] == 0)
            page = caller.get(f"{path}/deliveries?limit=1").json
            more = caller.get(f"{path}/deliveries?limit=1&cursor={page['next']}").json
            listed = page["items"] + more["items"]
            assert [(each["sequence"], each["outcome"]) for each in listed] == [
                (start, "delivered"),
                (start + 1, "delivered"),
            ]
            assert more["next"] is None
            assert caller.get(f"{path}/deliveries?outcome=waiting").json["items"] == []

            rotated = caller.post(f"{path}/secret-rotations").json
            got = receiver.wait_for(3)
            got[2].verify(made["secret"])
            got[2].verify(rotated["secret"])

            assert caller.post(f"{path}/replays", {"from": start, "until": start + 2}).status_code == 201
            got = receiver.wait_for(5)
            # Of two subjects, which do not wait for each other.
            assert {each.id for each in got[3:]} == {each.id for each in got[:2]}
            wait_until(lambda: len(caller.get(f"{path}/deliveries?replay=1").json["items"]) == 2)
            check_failure(caller, recorder, path, receiver)
        finally:
            stop.set()
            thread.join(60)


def check_failure(caller: Caller, recorder: Caller, path: str, receiver: Receiver) -> None:
    """A receiver that fails shows in the progress; one that is gone disables, and a change enables again."""
    receiver.answer = lambda _: Reply(503)
    seen = inspection(occurred_at=datetime.now(UTC).isoformat(timespec="seconds"))
    assert recorder.post("/v1/plants/P/hangers/H-1/inspections", seen).status_code == 201
    wait_until(lambda: caller.get(f"{path}/progress").json["resting_until"] is not None)
    progress = caller.get(f"{path}/progress").json
    assert progress["behind"] == 1
    assert (progress["waiting"]["cause"], progress["waiting"]["status"]) == ("busy", 503)
    assert progress["waiting"] == caller.get(f"{path}/deliveries?outcome=waiting").json["items"][0]
    receiver.answer = lambda _: Reply(410)
    present = caller.get(path).json
    again = {"url": present["url"] + "?again", "line": "L-1", "active": True}
    assert caller.put(path, again, {"If-Match": "*"}).status_code == 200
    wait_until(lambda: caller.get(path).json["disabled"] == "gone")
    disabled = caller.get(path)
    assert (disabled.json["active"], disabled.headers["ETag"]) == (False, '"r4"')
    receiver.answer = lambda _: Reply()
    count = len(receiver.got)
    assert caller.put(path, again, {"If-Match": '"r4"'}).json["webhook"]["disabled"] is None
    receiver.wait_for(count + 1)
    wait_until(lambda: caller.get(f"{path}/progress").json["behind"] == 0)


def test_answers_meet_their_schemas(fresh: Running, integrator: Caller) -> None:
    made = register(integrator)
    path = f"{HOOKS}/{made['webhook']['id']}"
    Document("webhook-receipt").validate(made)
    Document("webhook").validate(integrator.get(path).json)
    Document("page-webhooks").validate(integrator.get(HOOKS).json)
    Document("webhook-replay-receipt").validate(integrator.post(f"{path}/replays", {"from": 0}).json)
    Document("webhook-progress").validate(integrator.get(f"{path}/progress").json)
    Document("page-webhook-deliveries").validate(integrator.get(f"{path}/deliveries").json)
    changed = integrator.put(path, {"url": URL, "active": False}, {"If-Match": "*"})
    Document("webhook-receipt").validate(json.loads(changed.data))
