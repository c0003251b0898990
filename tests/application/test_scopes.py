"""Hidden is missing: for every use case, reading and writing alike."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from service.application import access, hangers, log, questions, records
from service.domain.ports import EventFilter
from service.errors import InvalidDocument, NotFound, NotPermitted, ServiceError
from tests.application.conftest import SiteAt
from tests.application.plant import ANY, NEW, PEOPLE, PLANT, hanger_document, line_document
from tests.application.site import Site

Ask = Callable[[Site, str, str, dict[str, Any]], Any]

# Each is asked for a hanger (or line) that is hidden, and for one that is not there.
HANGER_QUESTIONS: dict[str, Ask] = {
    "record": lambda s, mark, _, scope: hangers.get_hanger(s.context("reader", **scope), PLANT, mark),
    "release": lambda s, mark, _, scope: questions.release_status(s.context("reader", **scope), PLANT, mark),
    "checks": lambda s, mark, _, scope: questions.list_checks(s.context("reader", **scope), PLANT, mark),
    "plan": lambda s, mark, _, scope: questions.nut_plan(
        s.context("reader", **scope), PLANT, mark, {"purpose": "easing", "assembly": 1}
    ),
    "revisions": lambda s, mark, _, scope: records.list_revisions(
        s.context("reader", **scope), PLANT, "hanger", mark, 0, 9
    ),
    "revision": lambda s, mark, _, scope: records.get_revision(
        s.context("reader", **scope), PLANT, "hanger", mark, 1
    ),
    "put new": lambda s, mark, line, scope: s.put_hanger(mark, _record(mark, line), NEW, **scope),
    "put": lambda s, mark, line, scope: s.put_hanger(mark, _record(mark, line), ANY, **scope),
    "inspect": lambda s, mark, _, scope: s.do(
        "inspect", "inspector", mark, assembly=1, in_place=True, **scope
    ),
    "read": lambda s, mark, _, scope: s.do(
        "read", "fitter", mark, assembly=1, condition="cold", legible=False, **scope
    ),
    "turn": lambda s, mark, _, scope: s.do("turn", "fitter", mark, assembly=1, turns=0.1, **scope),
    "stop": lambda s, mark, _, scope: s.do(
        "stop", "fitter", mark, assembly=1, stop=1, act="observed", **scope
    ),
    "step": lambda s, mark, _, scope: s.do("step", "fitter", mark, transition="ease", **scope),
    "prove": lambda s, mark, _, scope: s.do("step", "engineer", mark, transition="prove", **scope),
    "correct": lambda s, mark, _, scope: s.do(
        "inspect", "inspector", mark, corrects=8, withdraws=True, reason="x", **scope
    ),
    "transfer": lambda s, mark, _, scope: s.do(
        "transfer", "engineer", mark, to_line="LA", reason="x", **scope
    ),
    "retire": lambda s, mark, _, scope: s.do("retire", "engineer", mark, reason="x", **scope),
}
LINE_QUESTIONS: dict[str, Ask] = {
    "record": lambda s, line, _, scope: records.get_line(s.context("reader", **scope), PLANT, line),
    "revisions": lambda s, line, _, scope: records.list_revisions(
        s.context("reader", **scope), PLANT, "line", line, 0, 9
    ),
    "revision": lambda s, line, _, scope: records.get_revision(
        s.context("reader", **scope), PLANT, "line", line, 1
    ),
    "readiness": lambda s, line, _, scope: questions.line_readiness(
        s.context("reader", **scope), PLANT, line, "release"
    ),
    "put new": lambda s, line, _, scope: s.put_line(line, {"description": "x"}, NEW, **scope),
    "put": lambda s, line, _, scope: s.put_line(line, {"description": "x"}, ANY, **scope),
    "inspect": lambda s, line, _, scope: s.do("inspect line", "inspector", line, contents="empty", **scope),
    "authorise": lambda s, line, _, scope: s.do("authorise", "engineer", line, **scope),
    "concede": lambda s, line, _, scope: s.do(
        "concede", "engineer", line, purpose="release", code="rod-slack", subject="hanger/B-1/assembly/1",
        evidence_sequence=3, reason="x", expires_at=s.stamp(60), **scope,
    ),
}  # fmt: skip


def _record(mark: str, line: str) -> dict[str, Any]:
    return {"line": line, "mark": mark, "kind": "variable"}


def _told(site: Site, ask: Ask, key: str, line: str, scope: dict[str, Any]) -> tuple[Any, ...]:
    with site.refused(NotFound) as refusal:
        ask(site, key, line, scope)
    error: ServiceError = refusal.error
    return error.detail, error.errors, dict(error.facts)


@pytest.mark.parametrize("name", sorted(HANGER_QUESTIONS))
def test_a_hanger_out_of_scope_is_as_one_that_is_not_there(site_at: SiteAt, name: str) -> None:
    site = site_at("cleared")
    ask = HANGER_QUESTIONS[name]
    for scope in ({"lines": ["LA"]}, {"plants": ["Works-2"]}, {"plants": [PLANT], "lines": []}):
        assert _told(site, ask, "B-1", "LB", scope) == _told(site, ask, "X-1", "LX", scope)


@pytest.mark.parametrize("name", sorted(LINE_QUESTIONS))
def test_a_line_out_of_scope_is_as_one_that_is_not_there(site_at: SiteAt, name: str) -> None:
    site = site_at("cleared")
    ask = LINE_QUESTIONS[name]
    for scope in ({"lines": ["LA"]}, {"plants": ["Works-2"]}, {"lines": ["LX"]}):
        missing = {"lines": ["LA"]} if scope == {"lines": ["LX"]} else scope
        hidden = _told(site, ask, "LB", "LB", scope)
        assert hidden == _told(site, ask, "LY", "LY", missing)


def test_a_scope_names_keys_in_any_letter_case(site_at: SiteAt) -> None:
    site = site_at("cleared")
    assert (
        hangers.get_hanger(site.context("reader", lines=["la"], plants=["WORKS-1"]), PLANT, "A-1").key
        == "A-1"
    )


@pytest.mark.parametrize("line", ["LB", "LX"])
def test_a_transfer_to_a_hidden_line_is_as_one_to_a_missing_line(site_at: SiteAt, line: str) -> None:
    site = site_at("erected")
    with site.refused(InvalidDocument) as refusal:
        site.do("transfer", "engineer", "A-1", to_line=line, reason="x", lines=["LA"])
    assert refusal.rules == [("/to_line", "known-line")]
    assert refusal.error.errors[0].detail == "no such line in this plant"


@pytest.mark.parametrize("line", ["LB", "LX"])
def test_a_record_that_names_a_hidden_line_is_as_one_that_names_a_missing_line(
    site_at: SiteAt, line: str
) -> None:
    site = site_at("erected")
    with site.refused(InvalidDocument) as refusal:
        site.put_hanger("A-1", hanger_document("A-1", line), ANY, lines=["LA"])
    assert refusal.rules == [("/line", "known-line")]


@pytest.mark.parametrize("mark", ["B-1", "X-1"])
def test_a_stage_that_names_a_hidden_hanger_is_as_one_that_names_a_missing_one(
    site_at: SiteAt, mark: str
) -> None:
    site = site_at("erected")
    with site.refused(InvalidDocument) as refusal:
        site.authorise("LA", stage=["A-1", mark], lines=["LA"])
    assert refusal.rules == [("/stage", "on-this-line")]


def test_a_narrow_scope_creates_nothing(site_at: SiteAt) -> None:
    site = site_at("erected")
    scope = {"lines": ["LA", "LN"]}
    with site.refused(NotFound):
        site.put_hanger("A-9", hanger_document("A-9", like="A-1"), NEW, **scope)
    with site.refused(NotFound):
        site.put_line("LN", line_document("LN", ["N-1"]), NEW, **scope)
    with site.refused(NotFound):
        records.put_plant(site.context("administrator", **scope), "Works-2", {"name": "x"}, NEW)
    with site.refused(NotFound):
        records.put_plant(site.context("administrator", **scope), PLANT, {"name": "x"}, ANY)
    with site.refused(NotFound):
        records.put_criteria(site.context("engineer", **scope), PLANT, {"limits": {}}, ANY)
    with site.refused(NotFound):
        records.put_plant(site.context("administrator", plants=[PLANT]), "Works-2", {"name": "x"}, NEW)
    assert site.revise_hanger("A-1", drawing_mark="own").revision == 2


def test_lists_show_what_is_in_scope(site_at: SiteAt) -> None:
    site = site_at("cleared")
    scoped = site.context("reader", lines=["LB"])
    rows = hangers.list_hangers(scoped, PLANT, hangers.HangerFilter(), "", 50).items
    assert [row.mark for row in rows] == ["B-1", "B-2", "B-3"]
    # A filter never widens the scope.
    assert hangers.list_hangers(scoped, PLANT, hangers.HangerFilter(line="LA"), "", 50).items == []
    wide = hangers.HangerFilter(lines=frozenset({"la", "lb"}))
    assert len(hangers.list_hangers(scoped, PLANT, wide, "", 50).items) == 3
    assert [each.key for each in records.list_lines(scoped, PLANT, "", 50).items] == ["LB"]
    assert records.list_plants(site.context("reader", plants=["Works-2"]), "", 50).items == []


def test_the_log_shows_what_is_in_scope(site_at: SiteAt) -> None:
    site = site_at("cleared")
    scoped = site.context("auditor", lines=["LB"])
    page = log.list_events(scoped, PLANT, EventFilter(), 0, None, 500)
    assert {stored.event.line for stored in page.items} == {"LB"}
    without_trailer = log.Export(trailer=False)
    body = b"".join(log.export_events(scoped, PLANT, EventFilter(line="LA"), 0, None, without_trailer))
    assert body == b""
    with site.refused(NotFound):
        log.get_event(scoped, PLANT, site.events(line="LA")[0].sequence)
    with site.refused(NotFound):
        log.get_event(scoped, PLANT, 0)
    with site.refused(NotFound):
        log.get_event(scoped, PLANT, 99_999)
    with site.refused(NotPermitted):
        log.list_events(site.context("reader"), PLANT, EventFilter(), 0, None, 10)
    own = site.events(line="LB")[0]
    assert log.get_event(scoped, PLANT, own.sequence).event == own


@pytest.mark.parametrize("scope", [{"plants": [PLANT]}, {"lines": ["LA"]}])
def test_no_token_administers_beyond_its_scope(site_at: SiteAt, scope: dict[str, Any]) -> None:
    site = site_at("empty")
    narrow = site.context("administrator", **scope)
    request = {"principal": PEOPLE["administrator"][0], "role": "administrator"}
    for attempt in (
        lambda: access.issue_token(narrow, request, "tk_x", lambda: "s"),
        lambda: access.register_principal(narrow, {"kind": "person"}, "pr_" + "7" * 26),
        lambda: access.revoke_token(narrow, "tk_x"),
        lambda: access.list_tokens(narrow, "", 10),
        lambda: access.get_token(narrow, "tk_x"),
        lambda: access.list_principals(narrow, "", 10),
        lambda: access.get_principal(narrow, PEOPLE["reader"][0]),
        lambda: access.list_service_events(narrow, 0, 10),
        lambda: access.list_service_events(site.context("auditor", **scope), 0, 10),
    ):
        with site.refused(NotPermitted):
            attempt()
    for who in ("engineer", "integrator", "auditor", "reader"):
        with site.refused(NotPermitted):
            access.issue_token(site.context(who), request, "tk_x", lambda: "s")


def test_a_token_is_issued_for_whom_it_can_count(site_at: SiteAt) -> None:
    site = site_at("empty")
    admin = site.context("administrator")

    def issue(**changes: Any) -> Any:
        request = {"principal": PEOPLE["fitter"][0], "role": "recorder", **changes}
        return access.issue_token(admin, request, "tk_1", lambda: "secret").document

    for changes, rule in (
        ({"principal": "pr_" + "9" * 26}, ("/principal", "known-principal")),
        ({"principal": PEOPLE["robot"][0], "role": "engineer"}, ("/role", "person")),
        ({"expires_at": site.stamp()}, ("/expires_at", "in-the-future")),
    ):
        with site.refused(InvalidDocument) as refusal:
            issue(**changes)
        assert refusal.rules == [rule]
    made = issue(plants=[PLANT], lines=["LA"], expires_at=site.stamp(60))
    assert made["token"] == "secret"
    caller = site.store.authenticate(access.token_hash("secret"), site.clock())
    assert caller is not None
    assert (caller.id, caller.role, caller.lines) == (PEOPLE["fitter"][0], "recorder", frozenset({"la"}))
    assert access.get_token(admin, "tk_1").get("token") is None
    site.later(61)
    assert site.store.authenticate(access.token_hash("secret"), site.clock()) is None
    access.revoke_token(admin, "tk_1")
    assert "secret" not in str([stored.body for stored in access.list_service_events(admin, 0, 99).items])
