"""Guards of `ease`, and of the steps that want a word or a time only."""

from __future__ import annotations

from datetime import timedelta

import pytest

from service.errors import Lack
from tests.unit.domain.release.support import ENGINEER, RIGID, Site, instant, principal, spring


def test_a_cleared_hanger_of_a_ready_line_may_be_eased() -> None:
    site = Site(A=spring(), B=spring())
    site.bring("A", "cleared")
    assert site.lacks("A", "ease") == []


def test_ease_wants_an_authorisation_in_force() -> None:
    site = Site(A=spring())
    site.made("A", "clear", "cleared", by=ENGINEER, caused_by=3)
    assert site.lacks("A", "ease") == ["authorisation-not-valid"]
    site = Site(A=spring())
    site.bring("A", "cleared")
    site.post("authorisation-ended", "line/L-1", {"authorisation": 1, "cause": "readiness-lost"})
    lack = site.lacking("A", "ease")[0]
    assert (lack.code, lack.known, lack.shown_by) == ("authorisation-not-valid", 1, 3)


def test_an_earlier_stage_stays_authorised_beside_a_later_one() -> None:
    site = Site(A=spring(), B=spring())
    site.bring("A", "cleared")
    site.authorise("B", stage=["B"])
    assert site.lacks("A", "ease") == []
    assert site.lacks("B", "ease") == []


def test_ease_wants_the_line_ready_still() -> None:
    site = Site(A=spring())
    site.bring("A", "cleared")
    assert site.lacks("A", "ease", blockers=None) == ["readiness-not-known"]
    blockers = [Lack("a", "x", "line/L-1", shown_by=1), Lack("b", "y", "hanger/A")]
    lack = site.lacking("A", "ease", blockers=blockers)[0]
    assert lack.code == "line-not-ready"
    assert lack.known == [{"code": "a", "subject": "line/L-1"}, {"code": "b", "subject": "hanger/A"}]
    assert lack.shown_by == 1


def test_one_hanger_of_a_line_is_in_easing_at_a_time() -> None:
    site = Site(A=spring(), B=spring(), R=RIGID)
    site.bring("A", "cleared")
    site.bring("B", "cleared")
    site.step("A", "ease")
    lack = site.lacking("B", "ease")[0]
    assert (lack.code, lack.known) == ("another-in-easing", "A")
    site.made("A", "hold", "on_hold")
    assert site.lacks("B", "ease") == ["another-in-easing"]
    site.made("A", "dispose", "locked")
    assert site.lacks("B", "ease") == []


@pytest.mark.parametrize(
    ("first", "second", "open_"), [(["b"], ["A"], True), (["B"], [], False), ([], ["A"], False)]
)
def test_a_pair_is_eased_together_when_each_names_the_other(
    first: list[str], second: list[str], open_: bool
) -> None:
    site = Site(A=spring(), B=spring())
    site.bring("A", "cleared")
    site.bring("B", "cleared")
    site.step("A", "ease", paired_with=first)
    assert site.lacks("B", "ease", paired_with=second) == ([] if open_ else ["another-in-easing"])


def test_a_neighbour_in_easing_without_a_status_of_its_own_is_none() -> None:
    site = Site(A=spring(), B=spring())
    site.bring("A", "cleared")
    assert site.view("B").facts == {}
    assert site.lacks("A", "ease") == []


STEPS = ("ease", "withdraw", "position", "confirm", "prove", "abandon", "reinsert", "reposition", "relock")


@pytest.mark.parametrize("step", [*STEPS, "hold", "dispose"])
def test_no_step_happens_before_the_one_before_it(step: str) -> None:
    site = Site(A=spring())
    site.bring("A", "easing")
    last = site.now
    before = site.lacks("A", step, at=last - timedelta(seconds=1))
    assert before.count("before-last-transition") == 1
    assert "before-last-transition" not in site.lacks("A", step, at=last)
    assert "before-last-transition" not in Site(A=spring()).lacks("A", step, at=instant(0))


@pytest.mark.parametrize("step", ["hold", "dispose", "reposition"])
def test_a_reason_has_to_be_given(step: str) -> None:
    site = Site(A=spring())
    assert "reason-missing" in site.lacks("A", step)
    assert "reason-missing" in site.lacks("A", step, reason="")
    assert "reason-missing" not in site.lacks("A", step, reason="pipe moved 8 mm")


def test_anybody_may_hold_with_a_reason_from_any_state() -> None:
    for state in ("locked", "cleared", "easing", "stops_out", "positioning", "released", "proved"):
        site = Site(A=spring())
        site.bring("A", state)
        assert site.lacks("A", "hold", reason="doubt", actor=principal(ENGINEER, "recorder")) == []
        site.step("A", "hold", reason="doubt")
        assert site.view("A").state == "on_hold"
        assert site.view("A").status["held_from"] == state


@pytest.mark.parametrize(
    "state", ["locked", "cleared", "easing", "stops_out", "positioning", "released", "proved"]
)
def test_a_held_hanger_goes_back_to_where_it_was(state: str) -> None:
    site = Site(A=spring())
    site.bring("A", state)
    status = site.view("A").status
    site.step("A", "hold", reason="doubt")
    site.step("A", "dispose", by=ENGINEER, to="resume", reason="measured again")
    assert site.view("A").status == status


def test_a_repositioning_wants_nothing_but_a_reason_and_the_right_person() -> None:
    site = Site(A=spring())
    site.bring("A", "proved")
    site.step("A", "reposition", reason="stands 20 mm low")
    assert site.view("A").state == "positioning"


def test_a_disposition_says_where_to_and_why() -> None:
    site = Site(A=spring())
    site.bring("A", "easing")
    site.step("A", "hold", reason="doubt")
    assert site.lacks("A", "dispose") == ["reason-missing", "disposition-missing"]
    assert site.lacks("A", "dispose", reason="seen", to="easing") == ["disposition-missing"]
    assert site.lacks("A", "dispose", reason="seen", to="resume") == []


def test_a_held_hanger_goes_to_locked_only_with_every_stop_in() -> None:
    site = Site(A=spring())
    site.bring("A", "stops_out")
    site.step("A", "hold", reason="doubt")
    assert site.lacks("A", "dispose", reason="x", to="locked") == ["stop-not-in", "stop-not-in"]
    site.stop("A", "inserted", 1)
    assert site.lacks("A", "dispose", reason="x", to="locked") == ["stop-not-in"]
    site.stop("A", "inserted", 2)
    site.step("A", "dispose", by=ENGINEER, reason="x", to="locked")
    assert site.view("A").state == "locked"


def test_a_held_hanger_does_not_go_back_where_its_stops_do_not_belong() -> None:
    site = Site(A=spring())
    site.bring("A", "stops_out")
    site.step("A", "hold", reason="doubt")
    site.stop("A", "inserted", 1)
    lack = site.lacking("A", "dispose", reason="x", to="resume")[0]
    assert (lack.code, lack.expected, lack.known) == ("stops-differ-from-state", ["out", "stowed"], "in")


def test_a_hanger_held_in_easing_does_not_go_back_with_a_stop_out() -> None:
    site = Site(A=spring())
    site.bring("A", "easing")
    site.step("A", "hold", reason="doubt")
    site.stop("A", "stowed", 1)
    assert site.lacks("A", "dispose", reason="x", to="resume") == ["stops-differ-from-state"]


@pytest.mark.parametrize("record", [spring(assemblies=None), spring(assemblies=[{}])])
def test_a_record_silent_about_stops_sends_no_held_hanger_to_locked(record: dict[str, object]) -> None:
    site = Site(A=record)
    site.made("A", "hold", "on_hold", reason="doubt")
    found = site.lacks("A", "dispose", reason="x", to="locked")
    assert found in (["assemblies-not-stated"], ["stop-count-not-as-drawn"])
