"""A key makes a request count once: for every act, also for twins that arrive at the same moment."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest

from service.application import access
from service.errors import KeyReused, NotFound, NotPermitted, OutOfOrder, ServiceError, SubjectRetired
from tests.application.conftest import SiteAt
from tests.application.plant import PEOPLE, principal_id
from tests.application.site import Site

# Stage, act, who, subject and what the document says.
ACTS: dict[str, tuple[str, str, str, str, dict[str, Any]]] = {
    "inspect": ("erected", "inspect", "inspector", "A-1", {"assembly": 1, "in_place": True}),
    "read": ("erected", "read", "fitter", "A-1", {"assembly": 1, "condition": "cold", "legible": False}),
    "turn": ("easing", "turn", "fitter", "A-1", {"assembly": 1, "turns": 0.25}),
    "stop": ("easing", "stop", "fitter", "A-1", {"assembly": 1, "stop": 1, "act": "observed"}),
    "step": ("cleared", "step", "fitter", "A-1", {"transition": "ease"}),
    "inspect line": ("erected", "inspect line", "inspector", "LA", {"contents": "empty"}),
    "authorise": ("erected", "authorise", "engineer", "LA", {}),
    "transfer": ("erected", "transfer", "engineer", "A-1", {"to_line": "LB", "reason": "x"}),
    "retire": ("erected", "retire", "engineer", "A-1", {"reason": "x"}),
}


def _send(site: Site, name: str, **options: Any) -> Any:
    _, act, who, subject, fields = ACTS[name]
    return site.answer(
        act, who, subject, at="2026-05-04T06:00:00Z" if name != "step" else None, **fields, **options
    )


@pytest.mark.parametrize("name", sorted(set(ACTS) - {"step"}))
def test_a_repetition_is_answered_as_the_first_was_and_writes_nothing(site_at: SiteAt, name: str) -> None:
    site = site_at(ACTS[name][0])
    first = _send(site, name, key="k")
    traces = site.traces()
    site.later(60)
    again = _send(site, name, key="k")
    assert (first.replayed, again.replayed) == (False, True)
    assert again.document == first.document
    assert site.traces() == traces
    with site.refused(KeyReused) as refusal:
        _send(site, name, key="k", digest="1" * 64)
    assert refusal.error.facts["key"] == "k"


def test_a_step_is_replayed_though_the_state_has_moved_on(site_at: SiteAt) -> None:
    site = site_at("cleared")
    first = _send(site, "step", key="k")
    site.later().step("A-1", "abandon")
    again = _send(site, "step", key="k")
    assert (again.replayed, again.document["state"], first.document["state"]) == (True, "easing", "easing")
    assert site.state("A-1") == "locked"


def test_an_act_before_a_retirement_is_replayed_after_it(site_at: SiteAt) -> None:
    site = site_at("erected")
    first = _send(site, "inspect", key="k")
    site.do("retire", "engineer", "A-1", reason="x")
    assert _send(site, "inspect", key="k").document == first.document
    with site.refused(SubjectRetired):
        _send(site, "inspect", key="other")


def test_a_key_belongs_to_a_principal_and_a_path(site_at: SiteAt) -> None:
    site = site_at("erected")
    fields = {"assembly": 1, "in_place": True}
    assert not site.answer("inspect", "inspector", "A-1", key="k", path="/1", **fields).replayed
    assert not site.answer("inspect", "inspector", "A-1", key="k", path="/2", **fields).replayed
    assert not site.answer("inspect", "fitter", "A-1", key="k", path="/1", **fields).replayed
    assert site.answer("inspect", "fitter", "A-1", key="k", path="/1", **fields).replayed


def test_a_repetition_is_authorised_before_it_is_answered(site_at: SiteAt) -> None:
    site = site_at("erected")
    for name in ("inspect", "inspect line", "authorise"):
        _send(site, name, key=name)
        with site.refused(NotFound):
            _send(site, name, key=name, lines=["LB"])
        with site.refused(NotFound):
            _send(site, name, key=name, plants=["Works-2"])
    _send(site, "transfer", key="t")
    with site.refused(NotFound):
        _send(site, "transfer", key="t", lines=["LA"])
    # The same principal with a token of a lesser role.
    role = PEOPLE["inspector"]
    PEOPLE["lesser inspector"] = (role[0], role[1], "reader")
    try:
        with site.refused(NotPermitted):
            site.do("inspect", "lesser inspector", "A-1", key="inspect", assembly=1, in_place=True)
    finally:
        del PEOPLE["lesser inspector"]


def test_a_refusal_uses_no_key_up(site_at: SiteAt) -> None:
    site = site_at("erected")
    with site.refused(OutOfOrder):
        _send(site, "step", key="k")
    site.authorise("LA")
    assert _send(site.later(), "step", key="k").replayed is False


def test_a_dry_run_is_not_remembered_and_replays_nothing(site_at: SiteAt) -> None:
    site = site_at("erected")
    dry = _send(site, "inspect", key="k", dry=True)
    assert (dry.replayed, dry.document["dry_run"]) == (False, True)
    first = _send(site, "inspect", key="k")
    assert (first.replayed, first.document["dry_run"]) == (False, False)
    assert _send(site, "inspect", key="k", dry=True).replayed is False
    assert _send(site, "inspect", key="k").replayed is True


def test_twins_at_the_same_moment_write_once(engine_site_at: SiteAt) -> None:
    site = engine_site_at("erected")
    size = site.size()
    with ThreadPoolExecutor(8) as pool:
        answers = list(pool.map(lambda _: _send(site, "inspect", key="k"), range(8)))
    assert site.size() == size + 1
    assert sorted(answer.replayed for answer in answers) == [False] + [True] * 7
    assert len({answer.document["leaf_hash"] for answer in answers}) == 1


def test_twins_without_a_key_write_one_step(engine_site_at: SiteAt) -> None:
    site = engine_site_at("cleared")
    site.later()

    def ease(_: int) -> str:
        try:
            return str(_send(site, "step").document["state"])
        except ServiceError as error:
            return type(error).__name__

    with ThreadPoolExecutor(4) as pool:
        told = sorted(pool.map(ease, range(4)))
    assert told == ["OutOfOrder", "OutOfOrder", "OutOfOrder", "easing"]
    assert site.differences() == []


def _register(site: Site, key: str, number: int) -> Any:
    return access.register_principal(
        site.context("administrator", key=key), {"kind": "person"}, principal_id(100 + number)
    )


def _issue(site: Site, key: str, number: int) -> Any:
    request = {"principal": PEOPLE["reader"][0], "role": "reader"}
    context = site.context("administrator", key=key)
    return access.issue_token(context, request, f"tk_{number}", lambda: f"secret-{number}")


@pytest.mark.parametrize("act", [_register, _issue])
def test_administration_is_replayed_too_and_a_token_is_shown_once(
    site_at: SiteAt, act: Callable[[Site, str, int], Any]
) -> None:
    site = site_at("empty")
    first = act(site, "k", 1)
    traces = site.traces()
    again = act(site, "k", 2)
    assert (again.replayed, again.document["id"]) == (True, first.document["id"])
    assert again.document.get("token") is None
    assert first.document.get("token") == ("secret-1" if act is _issue else None)
    assert site.traces() == traces
