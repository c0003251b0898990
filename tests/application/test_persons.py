"""Who authorises does not perform, who performs does not verify, and a system is never a person."""

from __future__ import annotations

from typing import Any

import pytest

from service.errors import GuardNotMet, InvalidDocument, NotConcedable, NotPermitted
from tests.application.conftest import SiteAt
from tests.application.plant import HANGERS, PEOPLE, sprung
from tests.application.site import Site

ID = {who: entry[0] for who, entry in PEOPLE.items()}
COUNTS = [{"assembly": 1, "count": 2}]


def _lacking(site: Site, act: str, who: str, /, **fields: Any) -> set[str]:
    with site.refused(GuardNotMet) as refusal:
        site.later().do(act, who, "A-1", **fields)
    return refusal.lacks


@pytest.mark.parametrize(
    ("who", "performed_by"),
    [("engineer", None), ("engineer", "fitter"), ("fitter", "engineer"), ("integrator", "engineer")],
)
def test_who_authorised_has_no_hand_in_easing(site_at: SiteAt, who: str, performed_by: str | None) -> None:
    site = site_at("cleared")
    by = {} if performed_by is None else {"performed_by": ID[performed_by]}
    assert _lacking(site, "step", who, transition="ease", **by) == {"performer-authorised-the-release"}


@pytest.mark.parametrize("who", ["engineer", "fitter"])
def test_who_authorised_has_no_hand_in_turns_withdrawal_position_or_confirmation(
    site_at: SiteAt, who: str
) -> None:
    by = {"performed_by": ID["engineer"]}
    wanted = {"performer-authorised-the-release"}
    easing = site_at("easing")
    assert _lacking(easing, "turn", who, assembly=1, turns=0.25, **by) == wanted
    assert _lacking(easing, "step", who, transition="withdraw", stops_withdrawn=COUNTS, **by) == wanted
    positioning = site_at("positioning")
    positioning.verify("A-1")
    assert _lacking(positioning, "step", who, transition="confirm", **by) == wanted


def test_an_engineer_who_did_not_authorise_may_perform(site_at: SiteAt) -> None:
    site = site_at("cleared")
    site.take_out("A-1", who="other engineer")
    assert site.state("A-1") == "stops_out"


def test_a_system_performs_nothing_of_its_own(site_at: SiteAt) -> None:
    wanted = {"performer-not-a-person"}
    for who in ("integrator", "robot"):
        assert _lacking(site_at("cleared"), "step", who, transition="ease") == wanted
        easing = site_at("easing")
        assert _lacking(easing, "turn", who, assembly=1, turns=0.25) == wanted
        assert _lacking(easing, "step", who, transition="withdraw", stops_withdrawn=COUNTS) == wanted
        assert _lacking(easing, "step", who, transition="abandon") == wanted
        positioning = site_at("positioning")
        positioning.verify("A-1")
        assert _lacking(positioning, "step", who, transition="confirm") == wanted


@pytest.mark.parametrize("who", ["integrator", "robot"])
def test_a_system_sees_no_stop_free_and_puts_none_away(site_at: SiteAt, who: str) -> None:
    wanted = {"performer-not-a-person"}
    seen = {"act": "observed", "bearing_face": "none", "free_by_hand": True}
    assert _lacking(site_at("easing"), "stop", who, assembly=1, stop=1, **seen) == wanted
    out = site_at("stops_out")
    assert _lacking(out, "stop", who, assembly=1, stop=1, act="stowed", stowed_at="bag") == wanted
    assert _lacking(out, "stop", who, assembly=1, stop=1, act="inserted") == wanted


@pytest.mark.parametrize("field", ["retaining_hardware", "adjuster_locked"])
def test_a_system_verifies_no_hardware(site_at: SiteAt, field: str) -> None:
    site = site_at("positioning")
    seen = {"retaining_hardware": {"one_end": True, "other_end": True}, "adjuster_locked": True}
    assert _lacking(site, "inspect", "integrator", assembly=1, **{field: seen[field]}) == {
        "performer-not-a-person"
    }


def test_a_system_relays_what_persons_did(site_at: SiteAt) -> None:
    site = site_at("erected")
    site.authorise("LA")
    fitter, inspector = {"performed_by": ID["fitter"]}, {"performed_by": ID["inspector"]}
    for hanger in sprung("LA"):
        mark = hanger.mark
        site.step(mark, "ease", "integrator", **fitter)
        for assembly, stops in enumerate(hanger.stops, start=1):
            for stop in range(1, stops + 1):
                site.later().do(
                    "stop", "integrator", mark, assembly=assembly, stop=stop, act="observed",
                    bearing_face="none", free_by_hand=True, **fitter,
                )  # fmt: skip
        site.draw(mark, "integrator", **fitter)
        for assembly, stops in enumerate(hanger.stops, start=1):
            for stop in range(1, stops + 1):
                site.later().do(
                    "stop", "integrator", mark, assembly=assembly, stop=stop, act="stowed",
                    stowed_at="bag", **fitter,
                )  # fmt: skip
    site.step("A-1", "position", "integrator", **fitter)
    hardware = {"retaining_hardware": {"one_end": True, "other_end": True}, "adjuster_locked": True}
    ends = [{"end": end, "full": True} for end in ("upper", "lower")]
    site.later().do("inspect", "integrator", "A-1", assembly=1, engagement=ends, **hardware, **fitter)
    site.read("A-1", "cold", 54)
    assert _lacking(site, "step", "integrator", transition="confirm", **fitter) == {"verifier-performed"}
    site.later().do("inspect", "integrator", "A-1", assembly=1, **hardware, **inspector)
    receipt = site.step("A-1", "confirm", "integrator", **fitter)
    assert receipt["state"] == "released"
    event = receipt["event"]
    assert (event["actor"], event["performed_by"]) == (ID["integrator"], ID["fitter"])


def test_a_performer_named_must_be_a_person_who_is_known(site_at: SiteAt) -> None:
    site = site_at("cleared")
    for named in (ID["robot"], "pr_" + "9" * 26):
        with site.refused(InvalidDocument) as refusal:
            site.step("A-1", "ease", "integrator", performed_by=named)
        assert refusal.rules == [("/performed_by", "known-person")]


@pytest.mark.parametrize("verifier", ["fitter", "other fitter"])
def test_who_performed_does_not_verify_the_hardware(site_at: SiteAt, verifier: str) -> None:
    site = site_at("positioning")
    if verifier == "other fitter":
        # Entered by one, done by the other: both have a hand in it.
        site.later().do(
            "turn", "other fitter", "A-1", assembly=1, turns=0.01, performed_by=ID["fitter"],
            engagement=[{"end": end, "full": True} for end in ("upper", "lower")],
        )  # fmt: skip
    site.verify("A-1", verifier)
    assert _lacking(site, "step", "fitter", transition="confirm") == {"verifier-performed"}
    site.verify("A-1", "inspector")
    assert site.step("A-1", "confirm")["state"] == "released"


def test_who_verified_does_not_confirm(site_at: SiteAt) -> None:
    site = site_at("positioning")
    site.verify("A-1", "inspector")
    assert _lacking(site, "step", "inspector", transition="confirm") == {"verifier-performed"}


def test_systems_authorise_concede_and_prove_nothing(site_at: SiteAt) -> None:
    site = site_at("erected")
    with site.refused(NotPermitted):
        site.authorise("LA", "engineering system")
    concession = {
        "purpose": "release", "code": "rod-slack", "subject": "hanger/A-1/assembly/1", "evidence_sequence": 3,
        "reason": "looks fine", "expires_at": site.stamp(600),
    }  # fmt: skip
    with site.refused(NotPermitted):
        site.do("concede", "engineering system", "LA", **concession)
    released = site_at("released")
    released.heat()
    released.read("A-1", "hot", HANGERS["A-1"].hot_mark)
    assert _lacking(released, "step", "engineering system", transition="prove") == {"performer-not-a-person"}
    assert _lacking(
        released, "step", "engineering system", transition="reposition", reason="drifts"
    ) == {"performer-not-a-person"}  # fmt: skip


@pytest.mark.parametrize("who", ["fitter", "integrator", "auditor", "administrator", "reader"])
def test_only_engineers_authorise_and_concede(site_at: SiteAt, who: str) -> None:
    site = site_at("erected")
    with site.refused(NotPermitted):
        site.authorise("LA", who)


@pytest.mark.parametrize("who", ["auditor", "administrator", "reader"])
@pytest.mark.parametrize("act", ["inspect", "read", "turn", "stop", "step", "transfer", "retire"])
def test_who_only_looks_writes_nothing(site_at: SiteAt, who: str, act: str) -> None:
    site = site_at("easing")
    documents: dict[str, dict[str, Any]] = {
        "inspect": {"assembly": 1, "in_place": True},
        "read": {"assembly": 1, "condition": "cold", "legible": False},
        "turn": {"assembly": 1, "turns": 0.1},
        "stop": {"assembly": 1, "stop": 1, "act": "observed"},
        "step": {"transition": "hold", "reason": "why not"},
        "transfer": {"to_line": "LB", "reason": "why not"},
        "retire": {"reason": "why not"},
    }
    with site.refused(NotPermitted):
        site.do(act, who, "A-1", **documents[act])


def test_who_conceded_has_no_hand_in_performing(site_at: SiteAt) -> None:
    site = site_at("erected")
    slack = site.do("inspect", "inspector", "A-1", assembly=1, rod_slack=True)
    site.later().do(
        "concede", "other engineer", "LA", purpose="release", code="rod-slack",
        subject="hanger/A-1/assembly/1", evidence_sequence=slack["event"]["sequence"],
        reason="taken up on first easing", expires_at=site.stamp(60 * 24),
    )  # fmt: skip
    site.authorise("LA")
    assert _lacking(site, "step", "other engineer", transition="ease") == {"performer-granted-a-concession"}
    assert _lacking(site, "step", "integrator", transition="ease", performed_by=ID["other engineer"]) == {
        "performer-granted-a-concession"
    }
    assert site.step("A-1", "ease")["state"] == "easing"


def test_who_performs_does_not_concede(site_at: SiteAt) -> None:
    site = site_at("cleared")
    site.ease("A-1", who="other engineer")
    slack = site.do("inspect", "inspector", "A-2", assembly=1, rod_slack=True)
    concession = {
        "purpose": "release", "code": "rod-slack", "evidence_sequence": slack["event"]["sequence"],
        "reason": "fine", "expires_at": site.stamp(600),
    }  # fmt: skip
    own = site.do("inspect", "inspector", "A-1", assembly=1, rod_slack=True)
    with site.refused(NotConcedable) as refusal:
        site.do(
            "concede", "other engineer", "LA", subject="hanger/A-1/assembly/1",
            **{**concession, "evidence_sequence": own["event"]["sequence"]},
        )  # fmt: skip
    assert refusal.error.facts["hanger"] == "A-1"
    site.do("concede", "other engineer", "LA", **concession, subject="hanger/A-2/assembly/1")


def test_persons_not_kept_apart_are_listed_in_every_readiness_answer(site_at: SiteAt) -> None:
    site = site_at("cleared")
    assert site.readiness("LA")["separate_persons_off"] is False
    site.put_criteria(separate_persons=False)
    for purpose in ("pressure_test", "release", "heat_up", "acceptance"):
        answer = site.readiness("LA", purpose)
        assert answer["separate_persons_off"] is True
        assert "persons-not-separated" in {caution["code"] for caution in answer["cautions"]}
    assert site.step("A-1", "ease", "engineer")["state"] == "easing"
    # That a person is needed stays.
    assert _lacking(site, "turn", "robot", assembly=1, turns=0.25) == {"performer-not-a-person"}
