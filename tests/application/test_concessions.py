"""Concessions: bound to a blocker and its evidence, for a time, by somebody who does not perform."""

from __future__ import annotations

from typing import Any

import pytest

from service.errors import NotConcedable, NotFound
from tests.application.conftest import SiteAt
from tests.application.plant import ANY, line_document
from tests.application.site import Site

SUBJECT = "hanger/A-1/assembly/1"


def _slack(site: Site) -> int:
    return int(site.do("inspect", "inspector", "A-1", assembly=1, rod_slack=True)["event"]["sequence"])


def _concede(site: Site, evidence: int, *, minutes: float = 600, line: str = "LA", **changes: Any) -> Any:
    document = {
        "purpose": "release", "code": "rod-slack", "subject": SUBJECT, "evidence_sequence": evidence,
        "reason": "taken up on first easing", "limits": "this release only",
        "expires_at": site.stamp(minutes), **changes,
    }  # fmt: skip
    return site.later().do("concede", "engineer", line, **document)


def _listed(site: Site, as_of: int | None = None) -> list[tuple[bool, str | None]]:
    return [
        (entry["in_force"], entry["ended_by"]) for entry in site.readiness("LA", as_of=as_of)["concessions"]
    ]


def test_a_concession_makes_the_line_ready_with_concessions(engine_site_at: SiteAt) -> None:
    site = engine_site_at("erected")
    evidence = _slack(site)
    assert site.readiness("LA")["verdict"] == "not_ready"
    receipt = _concede(site, evidence)
    answer = site.readiness("LA")
    assert (answer["verdict"], answer["ready"], answer["blockers"]) == ("ready_with_concessions", True, [])
    assert answer["conceded"][0]["concession"] == receipt["event"]["sequence"]
    # The log keeps what stood when it was granted; words stand in it as digests.
    assert receipt["event"]["data"]["shown"] == {"expected": False, "known": True}
    assert set(receipt["event"]["data"]["reason"]) == set(receipt["event"]["data"]["limits"]) == {"sha256"}
    assert site.readiness("LA", "heat_up")["ready"] is False
    site.authorise("LA")
    assert site.state("A-1") == "cleared"
    assert site.differences() == []


def test_a_concession_ends_with_its_time(site_at: SiteAt) -> None:
    site = site_at("erected")
    _concede(site, _slack(site), minutes=30)
    granted = site.size() - 1
    site.later(28)
    assert _listed(site) == [(True, None)]
    site.later(5)
    assert _listed(site) == [(False, "expired")]
    assert site.readiness("LA")["verdict"] == "not_ready"
    # What was known then: judged at the instant of that place.
    assert _listed(site, granted) == [(True, None)]


def test_new_evidence_ends_a_concession_though_it_says_the_same(site_at: SiteAt) -> None:
    site = site_at("erected")
    _concede(site, _slack(site))
    _slack(site.later())
    assert _listed(site) == [(False, "new-evidence")]
    assert site.readiness("LA")["verdict"] == "not_ready"


def test_new_evidence_lapses_what_was_cleared_on_a_concession(site_at: SiteAt) -> None:
    site = site_at("erected")
    _concede(site, _slack(site))
    site.authorise("LA")
    _slack(site.later())
    assert set(site.states("LA").values()) == {"locked"}


def test_a_blocker_that_goes_ends_its_concession_which_stays_listed(site_at: SiteAt) -> None:
    site = site_at("erected")
    _concede(site, _slack(site))
    site.later().do("inspect", "inspector", "A-1", assembly=1, rod_slack=False)
    assert _listed(site) == [(False, "blocker-gone")]
    assert site.readiness("LA")["verdict"] == "ready"


def test_a_revision_of_the_record_ends_a_concession(site_at: SiteAt) -> None:
    site = site_at("erected")
    _concede(site, _slack(site))
    site.later().revise_hanger("A-1", drawing_mark="H 1")
    assert _listed(site) == [(False, "record-revised")]
    other = site_at("erected")
    _concede(other, _slack(other))
    other.later().put_line("LA", line_document("LA", description="renamed"), ANY)
    assert _listed(other) == [(False, "record-revised")]


def test_a_revision_that_ends_a_concession_lapses_what_was_cleared_on_it(site_at: SiteAt) -> None:
    for revise in (
        lambda site: site.put_line("LA", line_document("LA", description="renamed"), ANY),
        lambda site: site.revise_hanger("A-1", drawing_mark="H 1"),
    ):
        site = site_at("erected")
        _concede(site, _slack(site))
        site.authorise("LA")
        written = revise(site.later())
        assert written.safety_fields == []
        assert written.consequences[0]["data"]["cause"] == "readiness-lost"
        assert set(site.states("LA").values()) == {"locked"}


def test_a_concession_wants_the_evidence_that_stands(site_at: SiteAt) -> None:
    site = site_at("erected")
    old = _slack(site)
    _slack(site.later())
    with site.refused(NotConcedable) as refusal:
        _concede(site, old)
    assert refusal.error.facts["shown_by"] == old + 1


def test_a_blocker_that_does_not_exist_is_not_conceded(site_at: SiteAt) -> None:
    site = site_at("erected")
    with site.refused(NotConcedable):
        _concede(site, 5)
    with site.refused(NotConcedable):
        _concede(site, 5, code="no-such-code")


@pytest.mark.parametrize("minutes", [-10, 0.5, 60 * 24 * 93])
def test_a_concession_ends_ahead_and_not_too_far(site_at: SiteAt, minutes: float) -> None:
    site = site_at("erected")
    evidence = _slack(site)
    with site.refused(NotConcedable):
        _concede(site, evidence, minutes=minutes)


@pytest.mark.parametrize(
    "seen",
    [
        {"stops_counted": 1},
        {"stops_damaged": 1},
        {"retaining_hardware": {"one_end": True, "other_end": False}},
        {"adjuster_locked": False},
        {"engagement": [{"end": "upper", "full": False}]},
        {"defects": [{"defect": "bottomed_out", "severity": "critical"}]},
    ],
    ids=lambda seen: next(iter(seen)),
)
def test_what_is_never_conceded_is_refused(site_at: SiteAt, seen: dict[str, Any]) -> None:
    site = site_at("erected")
    evidence = site.do("inspect", "inspector", "A-1", assembly=1, **seen)["event"]["sequence"]
    blockers = site.readiness("LA")["blockers"]
    assert blockers
    for blocker in blockers:
        assert (blocker["concedable"], blocker["shown_by"]) in ((False, evidence), (False, None))
        with site.refused(NotConcedable):
            _concede(site, evidence, code=blocker["code"], subject=blocker["subject"])


@pytest.mark.parametrize(
    ("purpose", "code", "subject"),
    [
        ("heat_up", "not-released", "hanger/A-1"),
        ("heat_up", "stop-still-in", SUBJECT),
        ("acceptance", "not-proved", "hanger/A-1"),
        ("heat_up", "cold-reading-missing", SUBJECT),
    ],
)
def test_no_purpose_is_reached_by_conceding_its_proof(
    site_at: SiteAt, purpose: str, code: str, subject: str
) -> None:
    site = site_at("cleared")
    found = [
        blocker
        for blocker in site.readiness("LA", purpose)["blockers"]
        if (blocker["code"], blocker["subject"]) == (code, subject)
    ]
    with site.refused(NotConcedable):
        _concede(site, found[0]["shown_by"] or 1, purpose=purpose, code=code, subject=subject)


def test_an_unknown_is_never_conceded(site_at: SiteAt) -> None:
    site = site_at("registered")
    for hanger in ("A-1", "A-2", "A-3", "A-4", "A-5"):
        site.look(hanger, **({"rod_slack": None} if hanger == "A-1" else {}))
    site.look_at_line("LA")
    assert site.readiness("LA")["verdict"] == "cannot_say"
    with site.refused(NotConcedable):
        _concede(site, 10)


def test_a_failed_check_may_be_conceded_under_the_subject_that_readiness_names(site_at: SiteAt) -> None:
    site = site_at("erected")
    site.do("inspect", "inspector", "A-1", assembly=1, elevation={"value": 20.02, "unit": "m"})
    (blocker,) = site.readiness("LA")["blockers"]
    assert (blocker["code"], blocker["concedable"]) == ("check-failed", True)
    _concede(site, blocker["shown_by"], code="check-failed", subject=blocker["subject"])
    assert site.readiness("LA")["verdict"] == "ready_with_concessions"


def test_a_concession_on_a_line_that_is_not_there_is_not_found(site_at: SiteAt) -> None:
    site = site_at("erected")
    with site.refused(NotFound):
        _concede(site, 5, line="LX")
