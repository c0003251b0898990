"""Checkpoint, keys and tiles over HTTP, byte for byte against what the test computes from the events."""

from __future__ import annotations

import gzip
import json
from dataclasses import dataclass
from typing import Any

import pytest

from service.application.proofs import origins_of
from service.domain.ports import LogFault
from service.http.documents import Document
from service.persistence.signing import add_key, retire_key
from tests.http import rfc9162
from tests.http.running import Caller, Running, hanger, inspection, problem_of

LOG = "/v1/plants/P/log"
OCTETS = "application/octet-stream"


@dataclass(frozen=True)
class Tree:
    """A log of 837 events, and what the test knows of it from its NDJSON."""

    running: Running
    auditor: Caller
    bodies: list[bytes]
    sizes: list[int]

    @property
    def leaves(self) -> list[bytes]:
        return [rfc9162.leaf(body) for body in self.bodies]


def bodies_of(caller: Caller) -> list[bytes]:
    answer = caller.get("/v1/plants/P/events?trailer=false", headers={"Accept": "application/x-ndjson"})
    found: list[bytes] = answer.data.splitlines()
    return found


@pytest.fixture(scope="module")
def tree(shared: Running) -> Tree:
    """Grown in steps, each its own transactions, so that checkpoints of many sizes were made on the way."""
    integrator = shared.caller("integrator", kind="system")
    sizes = [3]

    def grow(first: int, count: int) -> None:
        rows = b"".join(
            json.dumps({"record": hanger(f"T-{number:04d}")}).encode() + b"\n"
            for number in range(first, first + count)
        )
        answer = integrator.post_bytes("/v1/plants/P/hangers:bulk", rows, "application/x-ndjson")
        assert answer.status_code == 200
        sizes.append(sizes[-1] + count)

    grown = 0
    for count in (1, 250, 2, 1, 255, 300, 25):
        grow(grown, count)
        grown += count
    auditor = shared.caller("auditor")
    return Tree(shared, auditor, bodies_of(auditor), sizes)


def octets(caller: Caller, path: str) -> bytes:
    answer = caller.get(f"{LOG}/tile/{path}", headers={"Accept-Encoding": "identity"})
    assert answer.status_code == 200, (path, answer.data)
    assert answer.content_type == OCTETS
    assert answer.headers["Cache-Control"] == "private, max-age=31536000, immutable"
    assert "Authorization" in answer.headers["Vary"]
    return bytes(answer.data)


def test_the_log_is_of_the_size_that_the_tests_below_rest_on(tree: Tree) -> None:
    assert tree.sizes == [3, 4, 254, 256, 257, 512, 812, 837]
    assert len(tree.bodies) == 837


# --- checkpoint and keys ----------------------------------------------------------------------------
def test_the_checkpoint_is_signed_under_the_origin_and_covers_the_whole_log(tree: Tree) -> None:
    answer = tree.auditor.get(f"{LOG}/checkpoint")
    assert answer.content_type == "text/plain; charset=utf-8"
    assert "no-cache" in answer.headers["Cache-Control"]
    key = tree.auditor.get(f"{LOG}/key").json
    origin, size, root = rfc9162.checkpoint(answer.data, key["keys"][0]["vkey"])
    assert origin == key["origin"]
    log_id = json.loads(tree.bodies[0])["log_id"]
    assert origin == f"hangers.example/log/{log_id}"
    assert (size, root) == (837, rfc9162.mth(tree.leaves))


def test_the_checkpoint_covers_an_event_when_its_write_is_acknowledged(fresh: Running) -> None:
    engineer = fresh.caller("engineer")
    vkey = engineer.get(f"{LOG}/key").json["keys"][0]["vkey"]
    for _ in range(3):
        made = engineer.post("/v1/plants/P/hangers/H-1/inspections", inspection()).json["event"]["sequence"]
        _, size, root = rfc9162.checkpoint(engineer.get(f"{LOG}/checkpoint").data, vkey)
        assert size == made + 1
        assert root == rfc9162.mth([rfc9162.leaf(body) for body in bodies_of(engineer)])
    before = engineer.get(f"{LOG}/checkpoint").data
    tried = engineer.post("/v1/plants/P/hangers/H-1/inspections?dry_run=true", inspection())
    assert tried.status_code == 200
    assert engineer.get(f"{LOG}/checkpoint").data == before


def test_an_empty_log_has_a_checkpoint_too(fresh: Running) -> None:
    with fresh.store.write_service() as service:
        service.open_plant("Q")
    auditor = fresh.caller("auditor")
    vkey = auditor.get("/v1/plants/Q/log/key").json["keys"][0]["vkey"]
    _, size, root = rfc9162.checkpoint(auditor.get("/v1/plants/Q/log/checkpoint").data, vkey)
    assert (size, root) == (0, rfc9162.mth([]))
    for path in ("0/000", "0/000.p/1", "1/000.p/1", "entries/000", "entries/000.p/1"):
        problem_of(auditor.get(f"/v1/plants/Q/log/tile/{path}"), 404, "not-found")


def test_the_keys_come_as_a_document_and_as_lines(tree: Tree) -> None:
    document = Document("log-key").validate(tree.auditor.get(f"{LOG}/key").json)
    (only,) = document["keys"]
    assert only["until"] is None
    assert only["origin"] == document["origin"]
    name, key_id, _ = only["vkey"].split("+", 2)
    assert (name, key_id) == (only["origin"], only["key_id"])
    text = tree.auditor.get(f"{LOG}/key", headers={"Accept": "text/plain"})
    assert text.content_type == "text/plain; charset=utf-8"
    assert text.get_data(as_text=True) == only["vkey"] + "\n"


def test_while_two_keys_sign_either_verifies_and_afterwards_the_old_one_what_it_signed(
    fresh: Running,
) -> None:
    engineer = fresh.caller("engineer")

    def act() -> bytes:
        posted = engineer.post("/v1/plants/P/hangers/H-1/inspections", inspection())
        assert posted.status_code == 201
        return bytes(engineer.get(f"{LOG}/checkpoint").data)

    def keys() -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = engineer.get(f"{LOG}/key").json["keys"]
        return found

    (old,) = keys()
    alone = act()
    add_key(fresh.settings, fresh.chance.bytes)
    both = act()
    first, second = keys()
    assert first["vkey"] == old["vkey"]
    assert first["until"] is second["until"] is None
    assert len(both.splitlines()) == len(alone.splitlines()) + 1
    for key in (first, second):
        assert rfc9162.checkpoint(both, key["vkey"])[1] == 5
    retire_key(fresh.settings, old["public_key"], fresh.chance.bytes)
    after = act()
    present, past = keys()
    assert (present["vkey"], past["vkey"]) == (second["vkey"], old["vkey"])
    assert present["until"] is None
    assert past["until"] > past["since"]
    assert rfc9162.checkpoint(after, present["vkey"])[1] == 6
    with pytest.raises(AssertionError):
        rfc9162.checkpoint(after, past["vkey"])
    # What was signed before is given out as it was signed.
    receipt = engineer.get("/v1/plants/P/events/1/receipt?size=4").data.partition(b"\n\n")[2]
    assert receipt == alone
    assert rfc9162.checkpoint(receipt, past["vkey"])[1] == 4


@pytest.mark.parametrize(
    ("origin", "origins"),
    [
        ("a.example/log/ID", ["a.example/log/ID"]),
        ("a.example/log/ID/2", ["a.example/log/ID/2", "a.example/log/ID"]),
        ("a.example/log/ID/3", ["a.example/log/ID/3", "a.example/log/ID/2", "a.example/log/ID"]),
        ("a.example/7/ID", ["a.example/7/ID"]),
        ("a.example/7/ID/2", ["a.example/7/ID/2", "a.example/7/ID"]),
        ("a.example/ID/7/ID/2", ["a.example/ID/7/ID/2", "a.example/ID/7/ID"]),
        ("a.example/other", ["a.example/other"]),
        ("a.example/ID/x", ["a.example/ID/x"]),
    ],
)
def test_a_log_that_goes_on_after_a_declared_loss_has_signed_under_several_origins(
    origin: str, origins: list[str]
) -> None:
    assert list(origins_of(origin, "ID")) == origins


# --- tiles --------------------------------------------------------------------------------------------
def tiles_of(size: int) -> list[tuple[int, int, int]]:
    """(level, index, width) of every tile of a tree, by the text of C2SP tlog-tiles."""
    found, level = [], 0
    while (count := size // 256**level) > 0:
        found += [(level, index, 256) for index in range(count // 256)]
        if count % 256:
            found.append((level, count // 256, count % 256))
        level += 1
    return found


def path_of(level: int | str, index: int, width: int) -> str:
    """For indices below a thousand."""
    return f"{level}/{index:03d}" + ("" if width == 256 else f".p/{width}")


def test_the_rule_for_partial_tiles_gives_the_example_of_its_standard() -> None:
    found = tiles_of(70_000)
    assert sum(1 for level, _, width in found if (level, width) == (0, 256)) == 273
    assert [each for each in found if each[2] < 256] == [(0, 273, 112), (1, 1, 17), (2, 0, 1)]
    assert tiles_of(256) == [(0, 0, 256), (1, 0, 1)]


def test_every_tile_of_every_size_that_was_signed_is_served_byte_for_byte(tree: Tree) -> None:
    leaves = tree.leaves
    wanted = {each for size in tree.sizes for each in tiles_of(size)}
    assert (1, 0, 3) in wanted
    assert (0, 3, 69) in wanted
    for level, index, width in wanted:
        found = octets(tree.auditor, path_of(level, index, width))
        assert found == rfc9162.tile(leaves, level, index, width), (level, index, width)
        assert len(found) == 32 * width


def test_every_width_of_a_partial_tile_is_the_beginning_of_the_full_one(tree: Tree) -> None:
    full = octets(tree.auditor, "0/001")
    assert len(full) == 8192
    for width in range(1, 256):
        assert octets(tree.auditor, f"0/001.p/{width}") == full[: 32 * width]


def test_every_bundle_holds_the_exact_bytes_of_its_events(tree: Tree) -> None:
    for index, width in [(0, 256), (1, 256), (2, 256), (3, 69), (3, 1), (0, 17)]:
        rest = octets(tree.auditor, path_of("entries", index, width))
        entries = []
        while rest:
            length = int.from_bytes(rest[:2], "big")
            entries.append(rest[2 : 2 + length])
            assert len(entries[-1]) == length
            rest = rest[2 + length :]
        assert entries == tree.bodies[index * 256 : index * 256 + width]


def test_a_bundle_is_compressed_only_for_those_who_take_it(tree: Tree) -> None:
    plain = octets(tree.auditor, "entries/000")
    for accepted in ("gzip", "gzip, identity", "br;q=1.0, gzip;q=0.5", "*"):
        answer = tree.auditor.get(f"{LOG}/tile/entries/000", headers={"Accept-Encoding": accepted})
        assert answer.headers["Content-Encoding"] == "gzip"
        assert gzip.decompress(answer.data) == plain
        assert len(answer.data) < len(plain) / 2
        assert "Accept-Encoding" in answer.headers["Vary"]
    for accepted in ("identity", "gzip;q=0", "br"):
        answer = tree.auditor.get(f"{LOG}/tile/entries/000", headers={"Accept-Encoding": accepted})
        assert "Content-Encoding" not in answer.headers
        assert answer.data == plain


def test_the_root_can_be_computed_from_the_tiles_alone(tree: Tree) -> None:
    vkey = tree.auditor.get(f"{LOG}/key").json["keys"][0]["vkey"]
    _, size, root = rfc9162.checkpoint(tree.auditor.get(f"{LOG}/checkpoint").data, vkey)
    level_0 = octets(tree.auditor, path_of(0, size // 256, size % 256))
    level_1 = octets(tree.auditor, path_of(1, 0, size // 256))
    full = [level_1[place : place + 32] for place in range(0, len(level_1), 32)]
    partial = [level_0[place : place + 32] for place in range(0, len(level_0), 32)]
    # 837 = 3 * 256 + 69: the tree splits at 512, then at 256.
    assert rfc9162.node(rfc9162.mth(full[:2]), rfc9162.node(full[2], rfc9162.mth(partial))) == root


@pytest.mark.parametrize(
    "path",
    [
        "0/003",
        "0/003.p/70",
        "0/004.p/1",
        "0/999",
        "1/000",
        "1/000.p/4",
        "1/001.p/1",
        "2/000.p/1",
        "63/000.p/1",
        "63/000",
        "0/x999/x999/x999/999",
        "entries/003",
        "entries/003.p/70",
        "entries/x001/000",
        "0/000%0A",
    ],
)
def test_a_tile_that_does_not_exist_yet_is_404(tree: Tree, path: str) -> None:
    problem_of(tree.auditor.get(f"{LOG}/tile/{path}"), 404, "not-found")


@pytest.mark.parametrize(
    ("path", "name"),
    [
        ("0/0", "tile"),
        ("0/00", "tile"),
        ("0/0000", "tile"),
        ("0/1", "tile"),
        ("0/x000/001", "tile"),
        ("0/001/001", "tile"),
        ("0/x001", "tile"),
        ("0/X001/001", "tile"),
        ("0/x001//001", "tile"),
        ("0/000/", "tile"),
        ("0/000.p", "tile"),
        ("0/000.p/", "tile"),
        ("0/000.p/0", "tile"),
        ("0/000.p/256", "tile"),
        ("0/000.p/01", "tile"),
        ("0/000.p/1/", "tile"),
        ("0/000.P/1", "tile"),
        ("0/-01", "tile"),
        ("0/00a", "tile"),
        ("0/x999/x999/x999/x999/x999/x999/x999/999", "tile"),
        ("00/000", "level"),
        ("64/000", "level"),
        ("-1/000", "level"),
        ("data/000", "level"),
        ("Entries/000", "level"),
        ("entries/0", "tile"),
        ("entries/000.p/256", "tile"),
    ],
)
def test_a_path_of_another_form_is_400(tree: Tree, path: str, name: str) -> None:
    answer = tree.auditor.get(f"{LOG}/tile/{path}")
    findings = problem_of(answer, 400, "invalid-parameter")["errors"]
    assert [(finding["in"], finding["name"]) for finding in findings] == [("path", name)]


def test_head_answers_as_get_without_a_body(tree: Tree) -> None:
    for path in ("checkpoint", "key", "tile/0/000", "tile/entries/000.p/3"):
        head, get = tree.auditor.send("HEAD", f"{LOG}/{path}"), tree.auditor.get(f"{LOG}/{path}")
        assert (head.status_code, head.data) == (200, b"")
        for name in ("Content-Type", "Cache-Control", "Content-Length"):
            assert head.headers.get(name) == get.headers.get(name), (path, name)
    assert tree.auditor.send("HEAD", f"{LOG}/tile/0/999").status_code == 404


# --- who may ------------------------------------------------------------------------------------------
PATHS = ("checkpoint", "key", "tile/0/000", "tile/entries/000")


@pytest.mark.parametrize("role", ["reader", "recorder", "administrator"])
@pytest.mark.parametrize("path", PATHS)
def test_the_tree_is_for_those_who_account_for_the_log(tree: Tree, role: str, path: str) -> None:
    problem_of(tree.running.caller(role).get(f"{LOG}/{path}"), 403, "not-permitted")


@pytest.mark.parametrize("path", PATHS)
def test_another_plants_tree_is_hidden_and_one_that_there_is_not_looks_the_same(
    tree: Tree, path: str
) -> None:
    hidden = problem_of(tree.running.caller("auditor", plants=["Q"]).get(f"{LOG}/{path}"), 404, "not-found")
    absent = problem_of(tree.auditor.get(f"/v1/plants/none/log/{path}"), 404, "not-found")
    assert hidden["status"] == absent["status"]
    problem_of(tree.running.app.test_client().get(f"{LOG}/{path}"), 401, "not-authenticated")


def test_tiles_are_not_for_a_token_scoped_to_lines_but_the_checkpoint_is(tree: Tree) -> None:
    scoped = tree.running.caller("engineer", plants=["P"], lines=["L-1"])
    for path in ("tile/0/000", "tile/entries/000", "tile/0/999"):
        problem_of(scoped.get(f"{LOG}/{path}"), 404, "not-found")
    assert scoped.get(f"{LOG}/checkpoint").data == tree.auditor.get(f"{LOG}/checkpoint").data
    assert scoped.get(f"{LOG}/key").json == tree.auditor.get(f"{LOG}/key").json


# --- a log that is closed to writes ---------------------------------------------------------------
def test_what_is_read_of_a_closed_log_is_marked(fresh: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    auditor = fresh.caller("auditor")
    paths = ("", "/events", "/log/checkpoint", "/log/tile/0/000.p/2", "/hangers/H-1")
    for path in paths:
        assert "Log-Fault" not in auditor.get(f"/v1/plants/P{path}").headers
    asked: list[Any] = []

    def fault(plant: str) -> LogFault:
        asked.append(plant)
        return LogFault(41, "altered", "2026-05-04T06:00:00.000000Z")

    monkeypatch.setattr(fresh.store, "fault", fault)
    for path in paths:
        answer = auditor.get(f"/v1/plants/P{path}")
        assert (answer.status_code, answer.headers["Log-Fault"]) == (200, "altered; position=41")
    for accept in ("application/x-ndjson",):
        answer = auditor.get("/v1/plants/P/events", headers={"Accept": accept})
        assert answer.headers["Log-Fault"] == "altered; position=41"
    asked.clear()
    # Nothing is asked or told of a plant that the caller may not see, and nothing of the service itself.
    for path in ("/v1/plants/none", "/v1/plants", "/version"):
        assert "Log-Fault" not in auditor.get(path).headers
    hidden = fresh.caller("auditor", plants=["Q"]).get("/v1/plants/P")
    assert (hidden.status_code, "Log-Fault" in hidden.headers) == (404, False)
    assert asked == []
    monkeypatch.setattr(fresh.store, "fault", lambda plant: LogFault(None, "forked", "x"))
    assert auditor.get("/v1/plants/P").headers["Log-Fault"] == "forked"
