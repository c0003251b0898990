"""A hanger that moves to another line or is retired: both lines lose what rested on it, for ever listed."""

from __future__ import annotations

import pytest

from service.application import hangers, questions
from service.application.hangers import HangerFilter
from service.errors import Conflict, InvalidDocument, NotPermitted, SubjectRetired
from tests.application.conftest import SiteAt
from tests.application.plant import PLANT
from tests.application.site import Site

WHY = "drawn on the wrong line"


def _move(site: Site, mark: str, to_line: str, **options: object) -> dict[str, object]:
    return site.later().do("transfer", "engineer", mark, to_line=to_line, reason=WHY, **options)


def test_a_transfer_ends_the_authorisation_of_both_lines(engine_site_at: SiteAt) -> None:
    site = engine_site_at("cleared")
    site.authorise("LB")
    receipt = _move(site, "A-2", "LB")
    assert receipt["state"] == "locked"
    for line in ("LA", "LB"):
        authorisation = site.readiness(line)["authorisation"]
        assert (authorisation["valid"], authorisation["cause"]) == (False, "register-changed")
        assert set(site.states(line).values()) == {"locked"}
    assert [each["change"] for each in site.readiness("LA")["register_changes"]] == ["transferred_out"]
    assert [each["change"] for each in site.readiness("LB")["register_changes"]] == ["transferred_in"]
    record = hangers.get_hanger(site.context("reader"), PLANT, "A-2")
    assert (record.line, record.document["line"], record.revision) == ("LB", "LB", 2)
    assert site.differences() == []


def test_the_past_still_shows_the_hanger_on_its_old_line(site_at: SiteAt) -> None:
    site = site_at("cleared")
    before = site.size() - 1
    _move(site, "A-2", "LB")
    marks = {hanger["mark"] for hanger in site.readiness("LA", as_of=before)["hangers"]}
    assert "A-2" in marks
    assert "A-2" not in {hanger["mark"] for hanger in site.readiness("LA")["hangers"]}
    assert site.release("A-2", before)["line"] == "LA"
    assert site.release("A-2")["line"] == "LB"


@pytest.mark.parametrize(
    ("stage", "state"),
    [("erected", "locked"), ("cleared", "locked"), ("easing", "on_hold"), ("stops_out", "on_hold"),
     ("positioning", "on_hold"), ("released", "on_hold"), ("proved", "on_hold")],
)  # fmt: skip
def test_what_stood_at_the_hanger_is_undone_by_its_transfer(site_at: SiteAt, stage: str, state: str) -> None:
    site = site_at(stage)
    assert _move(site, "A-1", "LB")["state"] == state
    assert site.differences() == []


def test_work_on_both_lines_is_held_by_a_transfer(site_at: SiteAt) -> None:
    site = site_at("easing")
    site.authorise("LB")
    site.step("B-1", "ease")
    _move(site, "A-2", "LB")
    assert site.states("LA")["A-1"] == "on_hold"
    assert site.states("LB") == {"B-1": "on_hold", "B-2": "locked"}


def test_a_retirement_ends_the_authorisation_and_keeps_the_record(engine_site_at: SiteAt) -> None:
    site = engine_site_at("cleared")
    site.later().do("retire", "engineer", "A-2", reason="pipe removed")
    assert set(site.states("LA").values()) == {"locked"}
    assert [each["change"] for each in site.readiness("LA")["register_changes"]] == ["retired"]
    assert "register-incomplete" in site.codes("LA")
    row = hangers.list_hangers(site.context("reader"), PLANT, HangerFilter(retired=True), "", 10).items
    assert [each.mark for each in row] == ["A-2"]
    assert hangers.get_hanger(site.context("reader"), PLANT, "A-2").revision == 1
    assert site.differences() == []


def test_acts_on_a_retired_hanger_are_refused(site_at: SiteAt) -> None:
    site = site_at("erected")
    site.do("retire", "engineer", "A-1", reason="pipe removed")
    acts: list[tuple[str, str, dict[str, object]]] = [
        ("inspect", "inspector", {"assembly": 1, "in_place": True}),
        ("read", "fitter", {"assembly": 1, "condition": "cold", "legible": False}),
        ("turn", "fitter", {"assembly": 1, "turns": 0.5}),
        ("stop", "fitter", {"assembly": 1, "stop": 1, "act": "observed"}),
        ("step", "fitter", {"transition": "hold", "reason": "x"}),
        ("transfer", "engineer", {"to_line": "LB", "reason": "x"}),
        ("retire", "engineer", {"reason": "x"}),
    ]
    for act, who, fields in acts:
        with site.refused(SubjectRetired):
            site.do(act, who, "A-1", **fields)
    with site.refused(SubjectRetired):
        site.revise_hanger("A-1", drawing_mark="again")


def test_nothing_is_possible_at_a_retired_hanger(site_at: SiteAt) -> None:
    site = site_at("cleared")
    site.do("retire", "engineer", "A-1", reason="pipe removed")
    status = questions.release_status(site.context("reader"), PLANT, "A-1")
    assert status["possible"] == []


def test_a_transfer_wants_another_line_of_the_plant_and_an_engineer(site_at: SiteAt) -> None:
    site = site_at("erected")
    with site.refused(InvalidDocument) as refusal:
        _move(site, "A-1", "LX")
    assert refusal.rules == [("/to_line", "known-line")]
    with site.refused(Conflict):
        _move(site, "A-1", "LA")
    with site.refused(NotPermitted):
        site.do("transfer", "integrator", "A-1", to_line="LB", reason=WHY)


def test_a_line_is_not_changed_by_a_revision_of_the_record(site_at: SiteAt) -> None:
    site = site_at("erected")
    with site.refused(Conflict) as refusal:
        site.revise_hanger("A-1", line="LB")
    assert refusal.rules == [("/line", "line-by-transfer")]
