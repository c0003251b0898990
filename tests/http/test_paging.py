"""Pages: opaque signed cursors bound to list, filter and caller; every item once."""

from __future__ import annotations

from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest

from service.errors import InvalidParameter
from service.http.cursors import Cursors
from service.http.documents import Document
from tests.http.running import Caller, Running, hanger, problem_of

MARKS = ["H-1", *(f"K-{number:02d}" for number in range(12))]


@pytest.fixture(scope="module")
def filled(shared: Running) -> Running:
    engineer = shared.caller("engineer")
    for number, mark in enumerate(MARKS[1:]):
        kind = "constant" if number % 3 == 0 else "variable"
        assert engineer.put(f"/v1/plants/P/hangers/{mark}", hanger(mark, kind=kind)).status_code == 201
    return shared


def walk(caller: Caller, path: str) -> list[dict[str, Any]]:
    """Every item of a list, by its Link headers."""
    found: list[dict[str, Any]] = []
    for _ in range(100):
        response = caller.get(path)
        assert response.status_code == 200, response.data
        found += response.json["items"]
        link = response.headers.get("Link")
        if link is None:
            assert response.json["next"] is None
            return found
        target, _, relation = link.partition("; ")
        assert relation == 'rel="next"'
        path = target.strip("<>")
        assert parse_qs(urlsplit(path).query)["cursor"] == [response.json["next"]]
    raise AssertionError("the list does not end")


@pytest.mark.parametrize("limit", [1, 2, 5, 13, 500])
def test_walking_the_pages_gives_every_item_once_and_in_order(filled: Running, limit: int) -> None:
    items = walk(filled.caller("reader"), f"/v1/plants/P/hangers?limit={limit}")
    assert [item["mark"] for item in items] == MARKS


def test_a_filter_goes_with_the_pages(filled: Running) -> None:
    items = walk(filled.caller("reader"), "/v1/plants/P/hangers?kind=constant&limit=2&units=us")
    assert [item["mark"] for item in items] == ["K-00", "K-03", "K-06", "K-09"]


def test_a_page_is_as_its_schema_says(filled: Running) -> None:
    Document("page-hangers").validate(filled.caller("reader").get("/v1/plants/P/hangers?limit=3").json)


def test_a_cursor_of_another_list_filter_or_caller_is_refused(filled: Running) -> None:
    reader = filled.caller("reader")
    cursor = reader.get("/v1/plants/P/hangers?limit=2&kind=variable").json["next"]
    assert reader.get(f"/v1/plants/P/hangers?limit=7&kind=variable&cursor={cursor}").status_code == 200
    for path in (
        f"/v1/plants/P/hangers?cursor={cursor}",
        f"/v1/plants/P/hangers?kind=constant&cursor={cursor}",
        f"/v1/plants/P/hangers?kind=variable&line=L-1&cursor={cursor}",
        f"/v1/plants/P/lines?cursor={cursor}",
    ):
        (finding,) = problem_of(reader.get(path), 400, "invalid-parameter")["errors"]
        assert finding["name"] == "cursor"
    other = filled.caller("reader").get(f"/v1/plants/P/hangers?kind=variable&cursor={cursor}")
    problem_of(other, 400, "invalid-parameter")


def test_a_cursor_holds_for_every_token_of_the_same_principal(filled: Running) -> None:
    reader = filled.caller("reader")
    cursor = reader.get("/v1/plants/P/hangers?limit=2").json["next"]
    again = filled.caller("auditor", principal=reader.principal)
    assert again.get(f"/v1/plants/P/hangers?cursor={cursor}").status_code == 200


def test_a_cursor_changed_in_one_character_anywhere_is_refused() -> None:
    cursors = Cursors(b"s" * 32)
    bound = {"path": "/p", "filters": {"kind": "variable"}, "principal": "pr_1"}
    cursor = cursors.make("h-12", **bound)
    assert cursors.read(cursor, **bound) == "h-12"
    for place in range(len(cursor)):
        changed = cursor[:place] + ("A" if cursor[place] != "A" else "B") + cursor[place + 1 :]
        with pytest.raises(InvalidParameter):
            cursors.read(changed, **bound)
    for cut in (cursor[:-1], cursor + "A", "", "A", cursor[:22], cursor + "\n", "é" * 30):
        with pytest.raises(InvalidParameter):
            cursors.read(cut, **bound)


def test_a_cursor_belongs_to_the_path_of_its_list() -> None:
    cursors = Cursors(b"s" * 32)
    bound: dict[str, Any] = {"filters": {}, "principal": "pr_1"}
    cursor = cursors.make("x", path="/v1/plants/P/lines", **bound)
    assert cursors.read(cursor, path="/v1/plants/P/lines", **bound) == "x"
    for path in ("/v1/plants/Q/lines", "/v1/plants/P/hangers", "/v1/plants", ""):
        with pytest.raises(InvalidParameter):
            cursors.read(cursor, path=path, **bound)


def test_a_cursor_of_another_secret_is_refused_and_a_short_secret_is_no_secret() -> None:
    bound: dict[str, Any] = {"path": "/p", "filters": {}, "principal": "pr_1"}
    with pytest.raises(InvalidParameter):
        Cursors(b"t" * 32).read(Cursors(b"s" * 32).make(7, **bound), **bound)
    with pytest.raises(ValueError, match="16 bytes"):
        Cursors(b"s" * 15)


def test_what_binds_a_cursor_cannot_be_shifted_between_its_parts() -> None:
    cursors = Cursors(b"s" * 32)
    cursor = cursors.make("x", path="/p", filters={"a": "b"}, principal="c")
    for path, filters, principal in (
        ("/p", {"a": "b", "c": ""}, ""),
        ("/pa", {"": "b"}, "c"),
        ("/p", {"ab": ""}, "c"),
    ):
        with pytest.raises(InvalidParameter):
            cursors.read(cursor, path=path, filters=filters, principal=principal)


def test_lines_plants_revisions_and_principals_page_alike(filled: Running) -> None:
    administrator, engineer = filled.caller("administrator"), filled.caller("engineer")
    for number in range(3):
        assert administrator.put(f"/v1/plants/Q{number}", {"name": "another"}).status_code == 201
        assert engineer.put(f"/v1/plants/P/lines/L-2{number}", {}).status_code == 201
        assert (
            engineer.revise("/v1/plants/P/hangers/H-1", hanger(drawing_mark=f"D{number}")).status_code == 200
        )
    assert [item["key"] for item in walk(engineer, "/v1/plants?limit=2")] == ["P", "Q0", "Q1", "Q2"]
    assert [item["key"] for item in walk(engineer, "/v1/plants/P/lines?limit=2")] == [
        "L-1",
        "L-20",
        "L-21",
        "L-22",
    ]
    revisions = walk(engineer, "/v1/plants/P/hangers/H-1/revisions?limit=1")
    assert [item["revision"] for item in revisions] == [1, 2, 3, 4]
    assert [item["until"] for item in revisions] == [item["sequence"] for item in revisions[1:]] + [None]
    listed = walk(administrator, "/v1/principals?limit=2")
    assert sorted(item["id"] for item in listed) == [item["id"] for item in listed]
    tokens = walk(administrator, "/v1/tokens?limit=3")
    assert not any("token" in item for item in tokens)
    for name, path in {
        "page-plants": "/v1/plants",
        "page-lines": "/v1/plants/P/lines",
        "page-hanger-revisions": "/v1/plants/P/hangers/H-1/revisions",
        "page-principals": "/v1/principals",
        "page-tokens": "/v1/tokens",
    }.items():
        Document(name).validate(administrator.get(path).json)
