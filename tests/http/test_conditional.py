"""Conditional requests: entity tags name revision and representation; a stale one changes nothing."""

from __future__ import annotations

import pytest

from service.http.documents import Document
from tests.http.running import Caller, Running, hanger, problem_of

H1 = "/v1/plants/P/hangers/H-1"


@pytest.fixture
def writer(fresh: Running) -> Caller:
    return fresh.caller("engineer")


def test_the_entity_tag_names_the_revision_and_the_representation(writer: Caller) -> None:
    assert writer.get(H1).headers["ETag"] == '"r1"'
    assert writer.get(f"{H1}?units=si").headers["ETag"] == '"r1-si"'
    assert writer.get(f"{H1}?units=us").headers["ETag"] == '"r1-us"'


def test_the_entity_tag_is_the_same_for_every_token(fresh: Running) -> None:
    tags = {fresh.caller(role).get(H1).headers["ETag"] for role in ("reader", "engineer", "auditor")}
    assert tags == {'"r1"'}


@pytest.mark.parametrize(
    "tag", ['"r1"', '"r1-si"', '"r1-us"', '"r7", "r1"', "*", ' "r1" ', '"other","r1-us"']
)
def test_if_match_takes_any_representation_of_the_current_revision(writer: Caller, tag: str) -> None:
    response = writer.put(H1, hanger(drawing_mark="new"), {"If-Match": tag})
    assert response.status_code == 200, response.data
    assert response.headers["ETag"] == '"r2"'
    assert response.json["revision"] == 2


@pytest.mark.parametrize(
    "tag", ['"r2"', '"r0"', 'W/"r1"', '"R1"', '"r1-eu"', '"1"', '""', '"r01"', '"r1-si-x"']
)
def test_if_match_of_another_revision_or_a_weak_or_foreign_tag_is_412(writer: Caller, tag: str) -> None:
    response = writer.put(H1, hanger(drawing_mark="new"), {"If-Match": tag})
    assert problem_of(response, 412, "precondition-failed")["facts"]["revision"] == 1
    assert writer.get(H1).headers["ETag"] == '"r1"'


@pytest.mark.parametrize("tag", ["r1", "'r1'", '"r1', '"r1" "r2"', ",", "", '"r1",,"r2"', '"r1";'])
def test_if_match_that_is_no_list_of_entity_tags_is_400(writer: Caller, tag: str) -> None:
    response = writer.put(H1, hanger(drawing_mark="new"), {"If-Match": tag})
    (finding,) = problem_of(response, 400, "invalid-parameter")["errors"]
    assert (finding["in"], finding["name"]) == ("header", "If-Match")


def test_no_precondition_is_428_both_ways(writer: Caller) -> None:
    problem_of(writer.put(H1, hanger(), {}), 428, "precondition-required")
    problem_of(writer.put("/v1/plants/P/hangers/H-2", hanger("H-2"), {}), 428, "precondition-required")
    problem_of(writer.get("/v1/plants/P/hangers/H-2"), 404, "not-found")


def test_creating_what_exists_and_replacing_what_does_not_are_412(writer: Caller) -> None:
    problem_of(writer.put(H1, hanger(), {"If-None-Match": "*"}), 412, "precondition-failed")
    response = writer.put("/v1/plants/P/hangers/H-2", hanger("H-2"), {"If-Match": "*"})
    problem_of(response, 412, "precondition-failed")


@pytest.mark.parametrize("tag", ['"r1"', '"r9"', 'W/"r1"', "r1"])
def test_if_none_match_of_a_put_is_the_star_alone(writer: Caller, tag: str) -> None:
    document = problem_of(writer.put(H1, hanger(), {"If-None-Match": tag}), 400, "invalid-parameter")
    assert document["errors"][0]["accepted"] == "*"


@pytest.mark.parametrize("tag", ['"r1"', 'W/"r1"', "*", '"r3", "r1"'])
def test_a_representation_that_the_caller_holds_is_304_without_a_body(writer: Caller, tag: str) -> None:
    response = writer.get(H1, headers={"If-None-Match": tag})
    assert response.status_code == 304
    assert response.data == b""
    assert response.headers["ETag"] == '"r1"'


@pytest.mark.parametrize("tag", ['"r2"', '"r1-si"', '"r1-us"'])
def test_another_representation_or_revision_is_sent(writer: Caller, tag: str) -> None:
    assert writer.get(H1, headers={"If-None-Match": tag}).status_code == 200


def test_if_none_match_that_is_no_list_of_entity_tags_is_400(writer: Caller) -> None:
    problem_of(writer.get(H1, headers={"If-None-Match": "r1"}), 400, "invalid-parameter")


def test_a_new_record_is_201_with_its_place_and_its_receipt(writer: Caller) -> None:
    response = writer.put("/v1/plants/P/hangers/H-2", hanger("H-2"))
    assert response.status_code == 201
    assert response.headers["Location"] == "/v1/plants/P/hangers/H-2"
    assert response.headers["ETag"] == '"r1"'
    receipt = Document("record-receipt").validate(response.json)
    assert receipt["record"] == hanger("H-2")
    assert (receipt["revision"], receipt["changed"], receipt["dry_run"]) == (1, True, False)


def test_an_equal_record_is_200_and_writes_no_event(writer: Caller) -> None:
    before = writer.get("/v1/plants/P/events").json["items"]
    response = writer.put(H1, hanger(), {"If-Match": '"r1"'})
    assert response.status_code == 200
    assert (response.json["revision"], response.json["changed"], response.json["sequence"]) == (
        1,
        False,
        None,
    )
    assert writer.get("/v1/plants/P/events").json["items"] == before


def test_a_record_that_differs_in_the_writing_of_numbers_alone_is_equal(writer: Caller) -> None:
    headers = {"If-Match": '"r1"'}
    text = b'{"mark": "H-1", "line": "L-1", "kind": "variable", "assemblies": [{"stops": 2.0}]}'
    response = writer.send("PUT", H1, data=text, content_type="application/json", headers=headers)
    assert (response.status_code, response.json["changed"]) == (200, False)


def test_a_trial_writes_nothing_and_says_so(writer: Caller) -> None:
    response = writer.put("/v1/plants/P/hangers/H-2?dry_run=true", hanger("H-2"))
    assert (response.status_code, response.json["dry_run"]) == (200, True)
    assert "Location" not in response.headers
    problem_of(writer.get("/v1/plants/P/hangers/H-2"), 404, "not-found")


def test_the_criteria_begin_at_revision_0_and_are_replaced_from_there(writer: Caller) -> None:
    read = writer.get("/v1/plants/P/criteria")
    assert read.headers["ETag"] == '"r0"'
    Document("criteria").validate(read.json)
    limits = {
        "limits": {
            "bearing_valid_minutes": {"value": 20, "source": "plant procedure", "source_status": "plant"}
        }
    }
    written = writer.put("/v1/plants/P/criteria", limits, {"If-Match": '"r0"'})
    assert written.headers["ETag"] == '"r1"'
    problem_of(writer.put("/v1/plants/P/criteria", limits, {"If-Match": '"r0"'}), 412, "precondition-failed")


def test_quantities_come_as_given_or_in_the_system_asked_for(writer: Caller) -> None:
    record = hanger(design={"operating_load": {"value": 1000, "unit": "lbf"}})
    assert writer.revise(H1, record).status_code == 200
    assert writer.get(H1).json == record
    # 1 lbf = 4.4482216152605 N exactly; converted numbers have 12 significant digits.
    assert writer.get(f"{H1}?units=si").json["design"]["operating_load"] == {
        "value": 4.44822161526,
        "unit": "kN",
    }
    assert writer.get(f"{H1}?units=us").json["design"]["operating_load"] == {"value": 1000, "unit": "lbf"}
