"""Only freedom that was observed after the last disturbance, and lately, lets a stop come out."""

from __future__ import annotations

import pytest

from service.errors import GuardNotMet
from tests.application.conftest import SiteAt
from tests.application.plant import q
from tests.application.site import Site


def _refused_to_draw(site: Site, mark: str = "A-1") -> set[str]:
    with site.refused(GuardNotMet) as refusal:
        site.draw(mark)
    return refusal.lacks


def test_a_stop_seen_free_comes_out(site_at: SiteAt) -> None:
    assert site_at("easing").draw("A-1")["state"] == "stops_out"


def test_what_was_seen_is_stale_after_another_turn_of_the_same_nut(site_at: SiteAt) -> None:
    site = site_at("easing")
    site.turn("A-1", 0.25)
    assert _refused_to_draw(site) == {"observation-stale"}
    site.see_free("A-1")
    assert site.draw("A-1")["state"] == "stops_out"


def test_what_was_seen_is_stale_after_a_turn_at_a_paired_neighbour(site_at: SiteAt) -> None:
    site = site_at("cleared")
    site.step("A-1", "ease", paired_with=["A-2"])
    site.step("A-2", "ease", paired_with=["A-1"])
    site.turn("A-1", 0.5)
    site.see_free("A-1")
    site.turn("A-2", -0.25)
    assert _refused_to_draw(site) == {"observation-stale"}


def test_what_was_seen_is_stale_after_a_step_elsewhere_on_the_line(site_at: SiteAt) -> None:
    site = site_at("cleared")
    site.step("A-1", "ease", paired_with=["A-2"])
    site.turn("A-1", 0.5)
    site.see_free("A-1")
    site.step("A-2", "ease", paired_with=["A-1"])
    assert _refused_to_draw(site) == {"observation-stale"}


def test_what_was_seen_is_stale_after_a_stop_went_in_elsewhere_on_the_line(site_at: SiteAt) -> None:
    site = site_at("stops_out")
    site.ease("A-2")
    site.each_stop("A-1", "inserted")
    assert _refused_to_draw(site, "A-2") == {"observation-stale"}


def test_what_was_seen_is_stale_after_the_contents_changed(site_at: SiteAt) -> None:
    site = site_at("easing")
    site.later().do("inspect line", "inspector", "LA", contents="empty")
    assert site.draw("A-1", dry=True)["state"] == "stops_out"
    site.later().do("inspect line", "inspector", "LA", contents="water")
    assert _refused_to_draw(site) == {"observation-stale"}


def test_a_turn_on_another_line_disturbs_nothing(site_at: SiteAt) -> None:
    site = site_at("easing")
    site.authorise("LB")
    site.ease("B-1")
    assert site.draw("A-1")["state"] == "stops_out"


def test_what_was_seen_too_long_ago_does_not_count(site_at: SiteAt) -> None:
    site = site_at("easing")
    site.later(57)
    assert site.draw("A-1", dry=True)["state"] == "stops_out"
    site.later(3)
    assert _refused_to_draw(site) == {"observation-too-old"}
    # A time on site that lies further back does not make it younger.
    with site.refused(GuardNotMet) as refusal:
        site.draw("A-1", at=site.stamp(-30))
    assert refusal.lacks == {"observation-too-old"}


def test_a_late_note_of_what_was_seen_before_the_turn_does_not_count(site_at: SiteAt) -> None:
    site = site_at("cleared")
    site.step("A-1", "ease")
    seen_at = site.later().stamp()
    site.turn("A-1", 0.5)
    for stop in (1, 2):
        site.later().do(
            "stop", "fitter", "A-1", at=seen_at, assembly=1, stop=stop, act="observed", bearing_face="none",
            free_by_hand=True,
        )  # fmt: skip
    assert _refused_to_draw(site) == {"observation-stale"}


@pytest.mark.parametrize(
    ("face", "free"), [("upper", True), ("lower", True), ("unknown", True), ("none", False)]
)
def test_a_stop_that_bears_or_is_not_free_stays_in(site_at: SiteAt, face: str, free: bool) -> None:
    site = site_at("easing")
    site.later().do(
        "stop", "fitter", "A-1", assembly=1, stop=2, act="observed", bearing_face=face, free_by_hand=free
    )
    assert _refused_to_draw(site) == {"stop-not-free"}


def test_one_stop_of_a_trapeze_that_was_not_seen_keeps_all_in(site_at: SiteAt) -> None:
    site = site_at("cleared")
    site.step("A-3", "ease")
    site.turn("A-3", 0.5)
    site.later().do(
        "stop", "fitter", "A-3", assembly=1, stop=1, act="observed", bearing_face="none", free_by_hand=True
    )
    assert _refused_to_draw(site, "A-3") == {"stop-not-free"}


@pytest.mark.parametrize("counts", [[], [{"assembly": 1, "count": 1}], [{"assembly": 1, "count": 3}]])
def test_what_comes_out_is_counted_as_drawn(site_at: SiteAt, counts: list[dict[str, int]]) -> None:
    site = site_at("easing")
    with site.refused(GuardNotMet) as refusal:
        site.step("A-1", "withdraw", **({"stops_withdrawn": counts} if counts else {}))
    assert refusal.lacks == {"withdrawn-count-not-as-drawn"}


def test_no_turn_and_no_withdrawal_while_the_engagement_is_short(site_at: SiteAt) -> None:
    site = site_at("easing")
    site.later().do("inspect", "inspector", "A-1", assembly=1, engagement=[{"end": "upper", "full": False}])
    assert "engagement-too-short" in _refused_to_draw(site)
    with site.refused(GuardNotMet) as refusal:
        site.do("turn", "fitter", "A-1", assembly=1, turns=-0.25)
    assert "engagement-too-short" in refusal.lacks
    # A raise shortens the rod and puts thread back into the turnbuckle.
    site.do("turn", "fitter", "A-1", assembly=1, turns=0.25)


def test_the_ledger_passes_no_turn_limit_and_rolls_no_trapeze(site_at: SiteAt) -> None:
    site = site_at("cleared")
    site.step("A-1", "ease")
    with site.refused(GuardNotMet) as refusal:
        site.do("turn", "fitter", "A-1", assembly=1, turns=3.1)
    assert refusal.lacks == {"turn-limit"}
    site.do("turn", "fitter", "A-1", assembly=1, turns=3.0)
    site.step("A-1", "abandon")
    site.later().look("A-1")
    site.authorise("LA")
    site.step("A-3", "ease")
    with site.refused(GuardNotMet) as refusal:
        site.do("turn", "fitter", "A-3", assembly=1, turns=2.0)
    assert refusal.lacks == {"pair-turns-apart"}


def test_nothing_is_turned_before_easing_or_between_withdrawal_and_positioning(site_at: SiteAt) -> None:
    for stage in ("erected", "cleared", "stops_out", "released"):
        site = site_at(stage)
        with site.refused(GuardNotMet) as refusal:
            site.do("turn", "fitter", "A-1", assembly=1, turns=0.25)
        assert "turn-not-open" in refusal.lacks, stage


def test_a_load_adjuster_used_for_easing_goes_back_before_confirmation(site_at: SiteAt) -> None:
    site = site_at("cleared")
    for mark in ("A-1", "A-3", "A-4"):
        site.take_out(mark)
    site.step("A-2", "ease")
    site.later().do("turn", "fitter", "A-2", assembly=1, turns=2.0, device="load_adjuster")
    site.see_free("A-2")
    site.draw("A-2")
    site.stow("A-2")
    site.step("A-2", "position")
    site.verify("A-2")
    with site.refused(GuardNotMet) as refusal:
        site.step("A-2", "confirm")
    assert refusal.lacks == {"load-adjuster-not-back"}
    site.do("turn", "fitter", "A-2", assembly=1, turns=-2.0, device="load_adjuster")
    assert site.later().confirm("A-2")["state"] == "released"


def test_confirmation_wants_the_expected_reading_and_the_elevation(site_at: SiteAt) -> None:
    site = site_at("positioning")
    site.verify("A-1")
    # 40 mm of movement: 10 % of it, or 5 mm at least, either way of the 54 mm expected.
    site.read("A-1", "cold", 54 + 20)
    with site.refused(GuardNotMet) as refusal:
        site.step("A-1", "confirm")
    assert refusal.lacks == {"reading-off-expected"}
    site.read("A-1", "cold", 54, elevation=q(20.2, "m"))
    with site.refused(GuardNotMet) as refusal:
        site.step("A-1", "confirm")
    assert refusal.lacks == {"elevation-off"}
    site.read("A-1", "cold", 54)
    assert site.step("A-1", "confirm")["state"] == "released"
