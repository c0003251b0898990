"""Progress of a line as the log tells it."""

from __future__ import annotations

from typing import Any

from service.domain.release_orders import next_step, progress_of
from tests.unit.domain.release.support import Site, constant, mm, trapeze
from tests.unit.domain.release_orders.samples import NEXT, PROGRESS, heavy


def progress(site: Site) -> dict[str, Any]:
    found = progress_of(site.line())
    PROGRESS.validate(found)
    return {each["mark"]: each for each in found["hangers"]}


def test_turns_are_told_each_way_and_together() -> None:
    site = Site(A=constant(), B=constant())
    site.bring("A", "easing")
    site.turn("A", -0.5)
    site.turn("A", 0.2)
    found = progress(site)
    assert (found["A"]["turned_down"], found["A"]["turned_up"], found["A"]["net_turns"]) == (0.5, 0.2, -0.3)
    assert (found["A"]["state"], found["A"]["stops"], found["A"]["withdrawn_at"]) == ("easing", "in", None)
    assert found["B"]["net_turns"] == 0.0


def test_a_withdrawal_is_told_with_its_event() -> None:
    site = Site(A=constant(), B=constant())
    site.bring("A", "stops_out")
    found = progress(site)["A"]
    assert found["stops"] == "out"
    assert found["withdrawn_at"] == site.hanger_facts("A")["withdrawal"].sequence


def test_a_trapeze_is_told_as_the_mean_of_its_assemblies() -> None:
    site = Site(A=trapeze())
    site.bring("A", "easing")
    site.turn("A", 0.5, assembly=1)
    site.turn("A", 0.7, assembly=2)
    assert progress(site)["A"]["net_turns"] == 0.6


def test_a_face_is_told_until_anything_moves_load_on_the_line() -> None:
    site = Site(A=constant(), B=constant())
    site.bring("A", "easing")
    for stop in (1, 2):
        site.stop("A", "observed", stop, bearing_face="lower", free_by_hand=False)
    assert progress(site)["A"]["face"] == "lower"
    site.stop("A", "observed", 2, bearing_face="upper", free_by_hand=False)
    assert progress(site)["A"]["face"] is None
    site.stop("A", "observed", 2, bearing_face="lower", free_by_hand=False)
    site.turn("B", 0.1)
    assert progress(site)["A"]["face"] is None


def test_a_reading_is_told_until_anything_moves_load_on_the_line() -> None:
    site = Site(A=constant(), B=constant())
    site.read("A", "cold", 81.0)
    assert progress(site)["A"]["reading"] == mm(81.0)
    site.turn("B", 0.1)
    assert progress(site)["A"]["reading"] is None


def test_a_record_without_assemblies_leaves_its_stops_unknown() -> None:
    site = Site(A=constant(assemblies=None))
    assert progress(site)["A"]["stops"] == "unknown"


def test_a_stop_that_does_not_stand_as_the_state_says_is_told_as_mixed() -> None:
    site = Site(A=constant())
    site.bring("A", "stops_out")
    site.stop("A", "inserted", 1)
    assert progress(site)["A"]["stops"] == "mixed"


def test_rigid_hangers_are_not_told() -> None:
    site = Site(A=constant(), R={"line": "L-1", "kind": "rigid", "assemblies": [{"stops": 0}]})
    assert set(progress(site)) == {"A"}


def test_the_log_of_a_line_leads_through_its_order() -> None:
    site = Site(**{mark: constant() for mark in ("H1", "H2", "H3", "H4", "H5")})
    document = heavy(progress=progress_of(site.line()))

    def following() -> dict[str, Any]:
        answer = next_step(document, progress_of(site.line()))
        NEXT.validate(answer)
        return answer

    assert following()["step"]["marks"] == ["H2"]
    site.bring("H2", "easing")
    site.turn("H2", -0.12)
    assert (following()["status"], following()["turned"]) == ("under_way", [{"mark": "H2", "turns": -0.12}])
    site.bring("H2", "stops_out")
    assert following()["turn_back"] == [{"mark": "H2", "turns": 0.12}]
    site.turn("H2", 0.12)
    assert following()["step"]["marks"] == ["H1"]
    site.turn("H4", 0.5)
    answer = following()
    assert [(each["code"], each["mark"]) for each in answer["holds"]] == [("wrong-hanger-under-way", "H4")]
