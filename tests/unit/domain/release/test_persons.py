"""Persons: a system is none, and who authorises, concedes, performs and verifies are different people."""

from __future__ import annotations

import pytest

from service.domain.release import guards
from service.domain.release.machine import TRANSITIONS
from tests.unit.domain.release.support import (
    CHECKER,
    CREW,
    ENGINEER,
    MATE,
    SYSTEM,
    Site,
    codes,
    mm,
    principal,
    spring,
)

# Steps that only a person can have taken, and those that who authorised or conceded may not take.
BY_A_PERSON = (
    "ease",
    "withdraw",
    "position",
    "confirm",
    "prove",
    "abandon",
    "reinsert",
    "reposition",
    "relock",
    "dispose",
)
KEPT_APART = ("ease", "withdraw", "position", "confirm", "reposition")


@pytest.mark.parametrize("step", BY_A_PERSON)
def test_a_system_never_stands_for_a_person(step: str) -> None:
    site = Site(A=spring())
    relay = principal(SYSTEM, "engineer", "system")
    assert "performer-not-a-person" in site.lacks("A", step, by=SYSTEM, actor=relay, kind="system")
    assert "performer-not-a-person" not in site.lacks("A", step, by=CREW, actor=relay, kind="person")


def test_a_system_may_put_a_hanger_on_hold() -> None:
    site = Site(A=spring())
    relay = principal(SYSTEM, "integrator", "system")
    assert site.lacks("A", "hold", by=SYSTEM, actor=relay, kind="system", reason="sensor alarm") == []


@pytest.mark.parametrize("step", KEPT_APART)
@pytest.mark.parametrize(("by", "actor"), [(ENGINEER, CREW), (CREW, ENGINEER), (ENGINEER, ENGINEER)])
def test_who_authorised_has_no_hand_in_performing(step: str, by: str, actor: str) -> None:
    site = Site(A=spring())
    site.bring("A", "cleared")
    found = site.lacks("A", step, by=by, actor=principal(actor))
    assert found.count("performer-authorised-the-release") == 1
    assert "performer-authorised-the-release" not in site.lacks("A", step, by=CREW, actor=principal(MATE))


@pytest.mark.parametrize("step", sorted(set(BY_A_PERSON) - set(KEPT_APART)))
def test_a_way_back_and_a_decision_are_open_to_who_authorised(step: str) -> None:
    site = Site(A=spring())
    site.bring("A", "cleared")
    found = site.lacks("A", step, by=ENGINEER)
    assert "performer-authorised-the-release" not in found
    assert "performer-granted-a-concession" not in found


def concede(site: Site, *, purpose: str = "release", expires_at: str = "2026-06-01T00:00:00+02:00") -> None:
    data = {
        "purpose": purpose,
        "code": "dimension-not-as-drawn",
        "subject": "hanger/A",
        "evidence_sequence": 0,
        "expires_at": expires_at,
    }
    site.post("concession-granted", "line/L-1", data, by=MATE, role="engineer")


@pytest.mark.parametrize("step", KEPT_APART)
def test_who_conceded_has_no_hand_in_performing(step: str) -> None:
    site = Site(A=spring())
    site.bring("A", "cleared")
    concede(site)
    assert "performer-granted-a-concession" in site.lacks("A", step, by=MATE)
    assert "performer-granted-a-concession" in site.lacks("A", step, by=CREW, actor=principal(MATE))
    assert "performer-granted-a-concession" not in site.lacks("A", step, by=CREW)


def test_a_concession_that_expired_or_is_for_something_else_bars_nobody() -> None:
    site = Site(A=spring())
    site.bring("A", "cleared")
    concede(site, purpose="heat_up")
    concede(site, expires_at="2026-05-05T06:00:00Z")
    assert site.lacks("A", "ease", by=MATE) == []


def test_the_criteria_may_turn_the_comparison_off_but_not_the_person() -> None:
    site = Site({"separate_persons": False}, A=spring())
    site.bring("A", "cleared")
    concede(site)
    assert site.lacks("A", "ease", by=ENGINEER) == []
    assert site.lacks("A", "ease", by=MATE) == []
    assert site.lacks("A", "ease", by=SYSTEM, kind="system") == ["performer-not-a-person"]


def test_with_the_comparison_off_the_performer_may_verify() -> None:
    site = Site({"separate_persons": False}, A=spring())
    site.bring("A", "positioning")
    site.stow("A")
    site.read_cold("A")
    site.verify("A", by=CREW)
    assert site.lacks("A", "confirm") == []


def test_turning_keeps_persons_apart_too() -> None:
    site = Site(A=spring())
    site.bring("A", "easing")
    concede(site)
    assert site.turn_lacks("A", 0.5) == []
    assert site.turn_lacks("A", 0.5, by=ENGINEER) == ["performer-authorised-the-release"]
    assert site.turn_lacks("A", 0.5, by=MATE) == ["performer-granted-a-concession"]
    assert site.turn_lacks("A", 0.5, by=SYSTEM, kind="system") == ["performer-not-a-person"]


def ready_to_confirm() -> Site:
    site = Site(A=spring())
    site.bring("A", "positioning")
    site.stow("A")
    site.read_cold("A")
    return site


@pytest.mark.parametrize(
    ("by", "actor"), [(CREW, CREW), (CREW, CHECKER), (CHECKER, CREW)], ids=["did", "did-named", "entered"]
)
def test_who_performed_does_not_verify(by: str, actor: str) -> None:
    site = ready_to_confirm()
    site.verify("A", by=by, actor=actor)
    assert site.lacks("A", "confirm") == ["verifier-performed", "verifier-performed"]


def test_who_confirms_does_not_verify() -> None:
    site = ready_to_confirm()
    site.verify("A", by=CHECKER)
    assert site.lacks("A", "confirm", by=CHECKER) == ["verifier-performed", "verifier-performed"]
    assert site.lacks("A", "confirm", by=MATE, actor=principal(CHECKER)) == ["verifier-performed"] * 2
    assert site.lacks("A", "confirm", by=MATE) == []


def test_a_relay_that_enters_both_is_nobody() -> None:
    site = ready_to_confirm()
    site.turn("A", 0.1, by=CREW, actor=SYSTEM, role="integrator")
    site.read_cold("A")
    site.verify("A", by=CHECKER, actor=SYSTEM, role="integrator")
    assert site.lacks("A", "confirm") == []


def test_a_step_wants_the_role_that_permits_it() -> None:
    site = Site(A=spring())
    reader = principal(CREW, "reader")
    for step in TRANSITIONS:
        assert "role-not-permitted" in codes(guards.lacks(step, site.situation("A", {}, actor=reader)))
    recorder = principal(CREW, "recorder")
    refused = {
        step
        for step in TRANSITIONS
        if "role-not-permitted" in codes(guards.lacks(step, site.situation("A", {}, actor=recorder)))
    }
    assert refused == {"clear", "lapse", "prove", "relock", "dispose"}


def test_nobody_asks_for_what_the_service_does_itself() -> None:
    site = Site(A=spring())
    assert site.lacks("A", "lapse", by=ENGINEER) == ["role-not-permitted"]
    assert site.lacks("A", "clear", by=ENGINEER) == ["line-authorisation-needed"]


def test_a_measured_length_is_no_person() -> None:
    # The verifier of one thing is not taken for the verifier of another.
    site = ready_to_confirm()
    site.inspect("A", retaining_hardware={"one_end": True, "other_end": True}, by=CHECKER)
    site.inspect("A", adjuster_locked=True, elevation=mm(12400), by=CREW)
    assert site.lacks("A", "confirm") == ["verifier-performed"]
