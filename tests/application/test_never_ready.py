"""Lines that must not become ready, on each engine."""

from __future__ import annotations

import pytest

from service.errors import InvalidDocument, NotReady
from tests.application.conftest import SiteAt
from tests.application.plant import ANY, hanger_document, line_document, on, sprung
from tests.application.site import Site

PURPOSES = ("pressure_test", "chemical_clean", "release", "heat_up", "acceptance")


def _never(site: Site, line: str, code: str, purposes: tuple[str, ...] = PURPOSES) -> None:
    for purpose in purposes:
        answer = site.readiness(line, purpose)
        assert answer["ready"] is False, purpose
        assert code in {blocker["code"] for blocker in answer["blockers"]}, purpose
    with site.refused(NotReady):
        site.authorise(line)


def test_an_empty_line_is_not_ready(engine_site_at: SiteAt) -> None:
    site = engine_site_at("empty")
    site.put_line("LC", line_document("LC", ["C-1"]))
    site.look_at_line("LC")
    _never(site, "LC", "no-hangers")


def test_a_line_that_states_no_supports_is_not_ready(engine_site_at: SiteAt) -> None:
    site = engine_site_at("erected")
    site.put_line("LA", line_document("LA", supports_expected=None), ANY)
    _never(site, "LA", "register-incomplete")


def test_a_line_whose_drawing_shows_more_supports_is_not_ready(engine_site_at: SiteAt) -> None:
    site = engine_site_at("erected")
    assert site.readiness("LA")["verdict"] == "ready"
    site.put_line("LA", line_document("LA", [*(hanger.mark for hanger in on("LA")), "A-9"]), ANY)
    _never(site, "LA", "register-incomplete")


def test_a_line_with_a_hanger_that_its_drawing_does_not_show_is_not_ready(engine_site_at: SiteAt) -> None:
    site = engine_site_at("erected")
    site.put_hanger("A-9", hanger_document("A-9", like="A-1"))
    site.look("A-9", like="A-1")
    _never(site, "LA", "register-incomplete")


def test_a_hanger_moved_to_another_line_makes_neither_ready(engine_site_at: SiteAt) -> None:
    site = engine_site_at("erected")
    site.do("transfer", "engineer", "A-1", to_line="LB", reason="drawn on the wrong line")
    _never(site, "LA", "register-incomplete")
    _never(site, "LB", "register-incomplete")


def test_an_assembly_that_was_never_counted_is_not_ready(engine_site_at: SiteAt) -> None:
    site = engine_site_at("registered")
    site.erect("LA")
    assert site.readiness("LA")["verdict"] == "ready"
    again = Site(site.store, site.clock)
    again.put_line("LC", line_document("LC", ["C-3"]))
    again.put_hanger("C-3", hanger_document("C-3", "LC", like="A-3"))
    again.look("C-3", like="A-3", stops_counted=None)
    again.do("inspect", "inspector", "C-3", assembly=1, stops_counted=1)
    again.look_at_line("LC")
    assert again.readiness("LC")["ready"] is False
    assert ("stop-count-not-as-drawn", "hanger/C-3/assembly/2") in again.blockers("LC")
    assert ("stop-count-not-as-drawn", "hanger/C-3/assembly/1") not in again.blockers("LC")
    _never(again, "LC", "stop-count-not-as-drawn")


@pytest.mark.parametrize("count", [0, 1, 3])
def test_a_count_that_differs_from_the_drawing_is_not_ready(site_at: SiteAt, count: int) -> None:
    site = site_at("erected")
    site.do("inspect", "inspector", "A-1", assembly=1, stops_counted=count)
    assert ("stop-count-not-as-drawn", "hanger/A-1/assembly/1") in site.blockers("LA")
    _never(site, "LA", "stop-count-not-as-drawn")


@pytest.mark.parametrize(
    ("field", "code"),
    [
        ("in_place", "not-in-place"),
        ("rod_slack", "rod-slack"),
        ("interference", "interference"),
        ("defects", "defect-open"),
        ("stops_counted", "stop-count-not-as-drawn"),
        ("stops_damaged", "stop-damaged"),
        ("nameplate", "nameplate-not-read"),
        ("retaining_hardware", "retaining-hardware-missing"),
        ("adjuster_locked", "adjuster-not-locked"),
        ("pipe_to_support_dimension", "dimension-not-as-drawn"),
    ],
)
def test_what_nobody_looked_at_is_never_ready(site_at: SiteAt, field: str, code: str) -> None:
    site = site_at("registered")
    for hanger in on("LA"):
        site.look(hanger.mark, **({field: None} if hanger.mark == "A-1" else {}))
    site.look_at_line("LA")
    answer = site.readiness("LA")
    assert answer["verdict"] == "cannot_say"
    assert (code, "hanger/A-1/assembly/1") in site.blockers("LA")


@pytest.mark.parametrize(
    "field",
    ["insulation", "jacketing", "welds", "rigid_supports", "temporary_supports", "pressure_test", "contents",
     "line_temperature", "connected_lines"],
)  # fmt: skip
def test_a_line_of_which_something_is_unknown_is_not_ready(site_at: SiteAt, field: str) -> None:
    site = site_at("registered")
    for hanger in on("LA"):
        site.look(hanger.mark)
    site.look_at_line("LA", **{field: None})
    assert site.readiness("LA")["verdict"] == "cannot_say"
    with site.refused(NotReady):
        site.authorise("LA")


def test_heat_up_waits_for_every_stop_out_and_stowed(site_at: SiteAt) -> None:
    site = site_at("cleared")
    for mark in [hanger.mark for hanger in sprung("LA")]:
        assert ("stop-still-in", f"hanger/{mark}/assembly/1") in site.blockers("LA", "heat_up")
        site.ease(mark)
        site.draw(mark)
        assert ("stop-not-stowed", f"hanger/{mark}/assembly/1") in site.blockers("LA", "heat_up")
        site.stow(mark)
        assert ("stop-not-stowed", f"hanger/{mark}/assembly/1") not in site.blockers("LA", "heat_up")
    assert site.readiness("LA", "heat_up")["ready"] is False


def test_no_act_is_of_an_assembly_that_the_record_does_not_state(site_at: SiteAt) -> None:
    site = site_at("easing")
    for act, who, fields in (
        ("inspect", "inspector", {"in_place": True}),
        ("read", "fitter", {"condition": "cold", "legible": False}),
        ("turn", "fitter", {"turns": 0.1}),
        ("stop", "fitter", {"stop": 1, "act": "observed"}),
    ):
        with site.refused(InvalidDocument) as refusal:
            site.do(act, who, "A-1", assembly=2, **fields)
        assert refusal.rules == [("/assembly", "known-assembly")]
