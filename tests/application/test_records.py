"""Records: preconditions, keys, revisions and what is refused before it is written."""

from __future__ import annotations

from typing import Any

import pytest

from service.application import hangers, records
from service.application.preconditions import Precondition
from service.errors import (
    DuplicateKey,
    InvalidDocument,
    NotFound,
    NotPermitted,
    PreconditionFailed,
    PreconditionRequired,
)
from tests.application.conftest import SiteAt
from tests.application.plant import ANY, HANGERS, NEW, PLANT, hanger_document, line_document
from tests.application.site import Site

NONE = Precondition()


def _put(site: Site, kind: str, precondition: Precondition, key: str | None = None, **changes: Any) -> Any:
    """A PUT of a record of this kind, by default of one that exists."""
    if kind == "plant":
        document = {"name": "Invented works", **changes}
        return records.put_plant(site.context("administrator"), key or PLANT, document, precondition)
    if kind == "line":
        return site.put_line(key or "LA", line_document("LA", **changes), precondition)
    if kind == "hanger":
        return site.put_hanger(
            key or "A-1", {**hanger_document("A-1"), "mark": key or "A-1", **changes}, precondition
        )
    return site.put_criteria(precondition=precondition, **changes)


@pytest.mark.parametrize("kind", ["plant", "line", "hanger"])
def test_creating_wants_that_nothing_is_there(engine_site_at: SiteAt, kind: str) -> None:
    site = engine_site_at("registered")
    ids = {"external_ids": []} if kind == "hanger" else {}
    with site.refused(PreconditionRequired):
        _put(site, kind, NONE, "New-1", **ids)
    for claim in (ANY, Precondition(if_match=(1,))):
        with site.refused(PreconditionFailed):
            _put(site, kind, claim, "New-1", **ids)
    written = _put(site, kind, NEW, "New-1", **ids)
    assert (written.created, written.changed, written.revision) == (True, True, 1)
    with site.refused(PreconditionFailed) as refusal:
        _put(site, kind, NEW, "New-1", **ids)
    assert refusal.error.facts["revision"] == 1
    # Another letter case is the same key.
    with site.refused(PreconditionFailed):
        _put(site, kind, NEW, "nEW-1", **ids)


CHANGES: dict[str, dict[str, Any]] = {
    "plant": {"name": "Renamed"},
    "line": {"description": "renamed"},
    "hanger": {"drawing_mark": "renamed"},
    "criteria": {"bearing_valid_minutes": 45},
}


@pytest.mark.parametrize("kind", sorted(CHANGES))
def test_changing_wants_the_revision_that_stands(site_at: SiteAt, kind: str) -> None:
    site = site_at("registered")
    if kind == "criteria":
        _put(site, kind, ANY, bearing_valid_minutes=50)
    with site.refused(PreconditionRequired) as refusal:
        _put(site, kind, NONE, **CHANGES[kind])
    assert refusal.error.facts["revision"] == 1
    for claim in (NEW, Precondition(if_match=(2,)), Precondition(if_match=())):
        with site.refused(PreconditionFailed):
            _put(site, kind, claim, **CHANGES[kind])
    written = _put(site, kind, Precondition(if_match=(7, 1)), **CHANGES[kind])
    assert (written.created, written.changed, written.revision) == (False, True, 2)
    with site.refused(PreconditionFailed):
        _put(site, kind, Precondition(if_match=(1,)), **CHANGES[kind])


@pytest.mark.parametrize("kind", sorted(CHANGES))
def test_an_equal_record_is_no_event(site_at: SiteAt, kind: str) -> None:
    site = site_at("registered")
    first = _put(site, kind, ANY, **CHANGES[kind])
    size = site.traces()
    again = _put(site, kind, ANY, **CHANGES[kind])
    assert (again.changed, again.sequence, again.revision) == (False, None, first.revision)
    assert site.traces() == size
    with site.refused(PreconditionFailed):
        _put(site, kind, Precondition(if_match=(9,)), **CHANGES[kind])


def test_equal_is_what_json_holds_for_equal(site_at: SiteAt) -> None:
    site = site_at("registered")
    site.revise_hanger("A-1", extensions={"x": 1, "y": [2.0]})
    assert site.revise_hanger("A-1", extensions={"y": [2], "x": 1.0}).changed is False
    assert site.revise_hanger("A-1", extensions={"x": True, "y": [2]}).changed is True
    record = hangers.get_hanger(site.context("reader"), PLANT, "A-1")
    assert record.document["extensions"]["x"] is True


def test_keys_compare_ignoring_letter_case_and_keep_their_spelling(engine_site_at: SiteAt) -> None:
    site = engine_site_at("erected")
    assert hangers.get_hanger(site.context("reader"), PLANT, "a-1").key == "A-1"
    assert records.get_line(site.context("reader"), PLANT.upper(), "la").key == "LA"
    receipt = site.do("inspect", "inspector", "a-1", assembly=1, in_place=True)
    assert (receipt["event"]["subject"], receipt["event"]["line"]) == ("hanger/A-1", "LA")
    receipt = site.do("inspect line", "inspector", "la", contents="empty")
    assert receipt["event"]["subject"] == "line/LA"
    assert [event.sequence for event in site.events(hanger="a-1")] == [
        event.sequence for event in site.events(hanger="A-1")
    ]


@pytest.mark.parametrize(
    ("changes", "rule"),
    [
        ({"mark": "A-2"}, ("/mark", "same-as-path")),
        ({"mark": "a-1"}, ("/mark", "same-as-path")),
        ({"plant": "Works-2"}, ("/plant", "same-as-path")),
        ({"line": "LX"}, ("/line", "known-line")),
        ({"line": "la"}, ("/line", "known-line")),
    ],
)
def test_keys_inside_a_record_are_those_of_its_place(
    site_at: SiteAt, changes: dict[str, str], rule: tuple[str, str]
) -> None:
    site = site_at("registered")
    with site.refused(InvalidDocument) as refusal:
        site.put_hanger("A-1", {**hanger_document("A-1"), **changes}, ANY)
    assert refusal.rules == [rule]


def test_an_external_id_names_one_hanger(engine_site_at: SiteAt) -> None:
    site = engine_site_at("registered")
    taken = hanger_document("A-1")["external_ids"]
    with site.refused(DuplicateKey) as refusal:
        site.revise_hanger("A-2", external_ids=[{"source": "other", "id": "1"}, *taken])
    assert refusal.rules == [("/external_ids/1", "unique-external-id")]
    twice = [{"source": "other", "id": "1"}, {"source": "other", "id": "1", "note": "x"}]
    with site.refused(DuplicateKey) as refusal:
        hangers.put_hanger(
            site.context("integrator"), PLANT, "A-2", {**hanger_document("A-2"), "external_ids": twice}, ANY
        )
    assert refusal.rules == [("/external_ids/1", "unique-external-id")]
    site.revise_hanger("A-1", external_ids=[])
    assert site.revise_hanger("A-2", external_ids=taken).revision == 2


def test_a_plant_a_line_and_a_hanger_that_are_not_there_are_not_found(site_at: SiteAt) -> None:
    site = site_at("registered")
    reader = site.context("reader")
    for question in (
        lambda: records.get_plant(reader, "Works-9"),
        lambda: records.get_line(reader, PLANT, "LX"),
        lambda: hangers.get_hanger(reader, PLANT, "X-1"),
        lambda: records.get_revision(reader, PLANT, "hanger", "A-1", 2),
        lambda: records.get_revision(reader, PLANT, "hanger", "X-1", 1),
        lambda: records.list_revisions(reader, PLANT, "line", "LX", 0, 10),
        lambda: site.readiness("LX"),
        lambda: site.release("X-1"),
    ):
        with site.refused(NotFound):
            question()


def test_every_revision_stays_as_it_was_written(site_at: SiteAt) -> None:
    site = site_at("registered")
    site.revise_hanger("A-1", drawing_mark="H 1")
    site.revise_hanger("A-1", drawing_mark="H 2")
    reader = site.context("reader")
    page = records.list_revisions(reader, PLANT, "hanger", "a-1", 0, 2)
    assert [each.document.get("drawing_mark") for each in page.items] == [None, "H 1"]
    assert page.following == 2
    page = records.list_revisions(reader, PLANT, "hanger", "a-1", 2, 2)
    assert ([each.revision for each in page.items], page.following) == ([3], None)
    assert records.get_revision(reader, PLANT, "hanger", "A-1", 2).document["drawing_mark"] == "H 1"


def test_criteria_begin_as_the_defaults_and_are_revised(site_at: SiteAt) -> None:
    site = site_at("registered")
    reader = site.context("reader")
    assert records.get_criteria(reader, PLANT).revision == 0
    assert records.list_revisions(reader, PLANT, "criteria", PLANT, 0, 10).items == []
    assert records.get_revision(reader, PLANT, "criteria", PLANT, 0).document["limits"]
    written = site.put_criteria(precondition=Precondition(if_match=(0,)), bearing_valid_minutes=45)
    assert (written.revision, written.created) == (1, True)
    assert [
        each.revision for each in records.list_revisions(reader, PLANT, "criteria", PLANT, 0, 10).items
    ] == [1]
    assert site.readiness("LA")["evaluated"]["criteria_revision"] == 1
    assert site.readiness("LA", as_of=site.size() - 2)["evaluated"]["criteria_revision"] == 0


def test_criteria_that_contradict_themselves_are_refused_before_they_are_written(site_at: SiteAt) -> None:
    site = site_at("registered")
    document = dict(records.get_criteria(site.context("reader"), PLANT).document)
    low = {**document["limits"]["cold_range_low"], "value": {"value": 80, "unit": "degC"}}
    document["limits"] = {**document["limits"], "cold_range_low": low}
    with site.refused(InvalidDocument):
        records.put_criteria(site.context("engineer"), PLANT, document, ANY)
    assert site.readiness("LA")["evaluated"]["criteria_revision"] == 0


@pytest.mark.parametrize("who", ["fitter", "inspector", "auditor", "reader", "administrator"])
def test_records_are_written_by_engineers_and_integrators(site_at: SiteAt, who: str) -> None:
    site = site_at("registered")
    with site.refused(NotPermitted):
        site.put_hanger("A-1", hanger_document("A-1"), ANY, who)
    with site.refused(NotPermitted):
        site.put_line("LA", line_document("LA"), ANY, who)
    with site.refused(NotPermitted):
        site.put_criteria(who, bearing_valid_minutes=45)


@pytest.mark.parametrize("who", ["engineer", "integrator", "auditor"])
def test_plants_are_opened_by_administrators(site_at: SiteAt, who: str) -> None:
    site = site_at("registered")
    with site.refused(NotPermitted):
        records.put_plant(site.context(who), "Works-2", {"name": "Another"}, NEW)


def test_a_plant_whose_record_cannot_be_kept_leaves_no_log(site_at: SiteAt) -> None:
    site = site_at("registered")
    for document in (
        {"name": "Another", "plant": "works-2"},
        {"name": "Another", "extensions": {"x": float("nan")}},
        {"name": "\ud800"},
    ):
        with site.refused(InvalidDocument):
            records.put_plant(site.context("administrator"), "Works-2", document, NEW)
    assert site.store.plants("", 10, None) == [PLANT]


def test_a_plant_whose_opening_was_cut_short_is_taken_up_again(site_at: SiteAt) -> None:
    site = site_at("registered")
    with site.store.write_service() as service:
        service.open_plant("Works-2")
    admin = site.context("administrator")
    assert [each.key for each in records.list_plants(admin, "", 10).items] == [PLANT]
    with site.refused(NotFound):
        records.get_plant(admin, "Works-2")
    assert records.put_plant(admin, "Works-2", {"name": "Another"}, NEW).revision == 1
    assert [each.key for each in records.list_plants(admin, "", 10).items] == [PLANT, "Works-2"]


def test_lists_are_paged_by_key(site_at: SiteAt) -> None:
    site = site_at("registered")
    reader = site.context("reader")
    marks, after = [], ""
    while True:
        page = hangers.list_hangers(reader, PLANT, hangers.HangerFilter(), after, 3)
        marks += [row.mark for row in page.items]
        if page.following is None:
            break
        after = str(page.following)
    assert marks == sorted(HANGERS)
    page = records.list_lines(reader, PLANT, "", 1)
    assert ([each.key for each in page.items], page.following) == (["LA"], "la")
