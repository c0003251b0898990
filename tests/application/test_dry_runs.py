"""A dry run judges everything and writes nothing, whatever the use case; a fault leaves no trace either."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from service.application import access, acts, authorisations, hangers, records, settle
from service.application.hangers import BulkRow, bulk_hangers
from service.errors import GuardNotMet, NotReady, OutOfOrder
from tests.application.conftest import SiteAt
from tests.application.plant import ANY, NEW, PEOPLE, PLANT, hanger_document, line_document, principal_id, q
from tests.application.site import Site

Write = Callable[[Site, bool], Any]


def _act(act: str, who: str, subject: str, /, **fields: Any) -> Write:
    return lambda site, dry: site.do(act, who, subject, dry=dry, **fields)


def _correction(site: Site, dry: bool) -> Any:
    seen = [event for event in site.events(hanger="A-1") if event.type == "stop-noted"][-1]
    return site.do("stop", "fitter", "A-1", corrects=seen.sequence, withdraws=True, reason="x", dry=dry)


# Name -> stage and how it is written; together every use case that writes.
WRITES: dict[str, tuple[str, Write]] = {
    "inspect": ("cleared", _act("inspect", "inspector", "A-1", assembly=1, rod_slack=True)),
    "read": ("erected", _act("read", "fitter", "A-1", assembly=1, condition="cold", legible=False)),
    "turn": ("easing", _act("turn", "fitter", "A-1", assembly=1, turns=0.25)),
    "stop": ("easing", _act("stop", "fitter", "A-1", assembly=1, stop=1, act="observed")),
    "correct": ("stops_out", _correction),
    "ease": ("cleared", _act("step", "fitter", "A-1", transition="ease")),
    "hold": ("cleared", _act("step", "fitter", "A-1", transition="hold", reason="x")),
    "withdraw": (
        "easing",
        _act("step", "fitter", "A-1", transition="withdraw", stops_withdrawn=[{"assembly": 1, "count": 2}]),
    ),
    "inspect line": ("cleared", _act("inspect line", "inspector", "LA", insulation="incomplete")),
    "authorise": ("erected", _act("authorise", "engineer", "LA")),
    "concede": ("erected", lambda site, dry: _concede(site, dry)),
    "transfer": ("cleared", _act("transfer", "engineer", "A-1", to_line="LB", reason="x")),
    "retire": ("cleared", _act("retire", "engineer", "A-1", reason="x")),
    "create hanger": (
        "cleared",
        lambda site, dry: site.put_hanger("A-9", hanger_document("A-9", like="A-1"), NEW, dry=dry),
    ),
    "revise hanger": (
        "easing",
        lambda site, dry: site.put_hanger("A-1", hanger_document("A-1", acts_from="below"), ANY, dry=dry),
    ),
    "create line": (
        "erected",
        lambda site, dry: site.put_line("LC", line_document("LC", ["C"]), NEW, dry=dry),
    ),
    "revise line": (
        "easing",
        lambda site, dry: site.put_line("LA", line_document("LA", connected_lines=["LB"]), ANY, dry=dry),
    ),
    "criteria": ("cleared", lambda site, dry: site.put_criteria(cold_range_high=q(10, "degC"), dry=dry)),
    "open plant": (
        "empty",
        lambda site, dry: records.put_plant(
            site.context("administrator", dry=dry), "Works-2", {"name": "Another"}, NEW
        ),
    ),
    "revise plant": (
        "empty",
        lambda site, dry: records.put_plant(
            site.context("administrator", dry=dry), PLANT, {"name": "Renamed"}, ANY
        ),
    ),
    "bulk": (
        "cleared",
        lambda site, dry: list(
            bulk_hangers(
                site.context("integrator", dry=dry), PLANT,
                iter([BulkRow(1, {"line": "LA", "mark": "N-1", "kind": "rigid"})]), False,
            )
        ),
    ),
    "bulk at once": (
        "cleared",
        lambda site, dry: list(
            bulk_hangers(
                site.context("integrator", dry=dry), PLANT,
                iter([BulkRow(1, {"line": "LA", "mark": "N-1", "kind": "rigid"})]), True,
            )
        ),
    ),
    "register principal": (
        "empty",
        lambda site, dry: access.register_principal(
            site.context("administrator", dry=dry), {"kind": "person"}, principal_id(99)
        ),
    ),
    "issue token": (
        "empty",
        lambda site, dry: access.issue_token(
            site.context("administrator", dry=dry),
            {"principal": PEOPLE["reader"][0], "role": "reader"}, "tk_1", lambda: "secret",
        ),
    ),
    "revoke token": ("empty", lambda site, dry: _revoke(site, dry)),
}  # fmt: skip


def _concede(site: Site, dry: bool) -> Any:
    if not site.codes("LA"):
        site.do("inspect", "inspector", "A-1", assembly=1, rod_slack=True)
    (blocker,) = site.readiness("LA")["blockers"]
    return site.do(
        "concede", "engineer", "LA", purpose="release", code="rod-slack", subject=blocker["subject"],
        evidence_sequence=blocker["shown_by"], reason="x", expires_at=site.stamp(60), dry=dry,
    )  # fmt: skip


def _revoke(site: Site, dry: bool) -> Any:
    admin = site.context("administrator")
    with site.store.read_service() as service:
        known = service.token("tk_1")
    if known is None:
        request = {"principal": PEOPLE["reader"][0], "role": "reader"}
        access.issue_token(admin, request, "tk_1", lambda: "secret")
    return access.revoke_token(site.context("administrator", dry=dry), "tk_1")


@pytest.mark.parametrize("name", sorted(WRITES))
def test_a_dry_run_writes_nothing_and_the_act_itself_still_does(site_at: SiteAt, name: str) -> None:
    stage, write = WRITES[name]
    site = site_at(stage)
    if name == "concede":
        site.do("inspect", "inspector", "A-1", assembly=1, rod_slack=True)
    if name == "revoke token":
        request = {"principal": PEOPLE["reader"][0], "role": "reader"}
        access.issue_token(site.context("administrator"), request, "tk_1", lambda: "secret")
    before, plants = site.traces(), site.store.plants("", 10, None)
    write(site, True)
    assert site.traces() == before
    assert site.store.plants("", 10, None) == plants
    assert site.differences() == []
    write(site, False)
    assert site.traces() != before or site.store.plants("", 10, None) != plants


def test_a_dry_run_tells_what_would_follow(site_at: SiteAt) -> None:
    site = site_at("cleared")
    receipt = site.do("inspect line", "inspector", "LA", insulation="incomplete", dry=True)
    assert receipt["dry_run"] is True
    assert receipt["consequences"][0]["type"] == "authorisation-ended"
    written = site.put_hanger("A-1", hanger_document("A-1", acts_from="below"), ANY, dry=True)
    assert written.consequences
    assert set(site.states("LA").values()) == {"cleared"}


def test_a_dry_run_of_a_token_shows_none(site_at: SiteAt) -> None:
    site = site_at("empty")
    assert WRITES["issue token"][1](site, True).document["token"] is None
    assert site.store.authenticate(access.token_hash("secret"), site.clock()) is None


def test_a_dry_run_is_refused_as_the_act_is(site_at: SiteAt) -> None:
    site = site_at("erected")
    with site.refused(OutOfOrder):
        site.do("step", "fitter", "A-1", transition="ease", dry=True)
    site.look_at_line("LA", insulation="incomplete")
    with site.refused(NotReady):
        site.do("authorise", "engineer", "LA", dry=True)
    easing = site_at("easing")
    with easing.refused(GuardNotMet):
        easing.do("step", "fitter", "A-1", transition="withdraw", dry=True)


class Fault(Exception):
    """A fault of the service in the middle of its work."""


# Where the fault strikes: after the act was appended, in what follows from it or in what is kept of it.
PLACES: dict[str, tuple[Any, str]] = {
    "settling": (acts, "settle_line"),
    "settling a record": (hangers, "settle_line"),
    "settling a line": (records, "settle_line"),
    "moving": (settle, "move"),
    "receipt": (acts, "receipt"),
    "receipt of an authorisation": (authorisations, "receipt"),
    "receipt of a transfer": (hangers, "receipt"),
}
STRUCK = {
    "settling": ("inspect", "inspect line", "ease", "correct", "turn", "stop", "read"),
    "settling a record": ("create hanger", "revise hanger", "bulk", "bulk at once"),
    "settling a line": ("revise line", "criteria"),
    "moving": ("inspect line", "inspect", "retire", "transfer", "criteria", "create hanger"),
    "receipt": ("inspect", "inspect line", "hold", "withdraw"),
    "receipt of an authorisation": ("authorise",),
    "receipt of a transfer": ("transfer", "retire"),
}


@pytest.mark.parametrize(("place", "name"), [(place, name) for place in PLACES for name in STRUCK[place]])
def test_a_fault_in_the_middle_leaves_no_trace(
    site_at: SiteAt, monkeypatch: pytest.MonkeyPatch, place: str, name: str
) -> None:
    stage, write = WRITES[name]
    site = site_at(stage)
    before = site.traces()

    def strike(*arguments: Any, **named: Any) -> Any:
        raise Fault

    monkeypatch.setattr(*PLACES[place], strike)
    with pytest.raises(Fault):
        write(site, False)
    monkeypatch.undo()
    assert site.traces() == before
    assert site.differences() == []
    write(site, False)
    assert site.traces() != before
