"""Checks of what was found on site."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from service.domain.criteria import Criteria
from service.domain.facts import Fact
from tests.unit.domain.checks_samples import (
    BASE,
    CONSTANT,
    RIGID,
    VARIABLE,
    Document,
    changed,
    constant_facts,
    engaged,
    fact,
    inspected,
    line_of,
    plant_limit,
    q,
    row,
    rows,
    variable_facts,
    view,
)

V, C = VARIABLE, CONSTANT


def seen(**observations: Any) -> dict[str, Fact]:
    """The sound hanger's facts, with some observations changed; None takes one away."""
    facts = variable_facts()
    for name, value in observations.items():
        full = f"assembly/1/{name.replace('__', '/')}"
        if value is None:
            facts.pop(full)
        else:
            facts |= inspected(1, **{name: value})
    return facts


# rule, observation, value that fails, value that meets the limit exactly, record fields it needs
CASES: list[tuple[str, str, Any, Any, list[str]]] = [
    (
        "nameplate-as-drawn",
        "nameplate",
        copy.deepcopy(V["nameplate"]) | {"spring_rate": q(52, "N/mm")},
        copy.deepcopy(V["nameplate"]) | {"spring_rate": q(50.5 * 25.4 / 4.4482216152605, "lbf/in")},
        ["/nameplate"],
    ),
    (
        "pipe-to-support-dimension",
        "pipe_to_support_dimension",
        q(1861, "mm"),
        q(1860 / 25.4, "in"),
        ["/design/pipe_to_support_dimension"],
    ),
    ("elevation", "elevation", q(12.413, "m"), q(12394 / 25.4, "in"), ["/location/elevation"]),
    ("stops-counted", "stops_counted", 1, 2, ["/assemblies/0"]),
    ("stops-undamaged", "stops_damaged", 1, 0, []),
    (
        "rod-offset",
        "rod_offset",
        q(66, "mm"),
        q((30 + 2000 * 0.01745506492821759) / 25.4, "in"),
        ["/rod/length_between_pins"],
    ),
    (
        "rod-angle",
        "rod_offset",
        q(180, "mm"),
        q(2000 * 0.06992681194351041, "mm"),
        ["/rod/length_between_pins"],
    ),
    ("adjuster-locked", "adjuster_locked", False, True, []),
    (
        "engagement-found-upper",
        "engagement__upper",
        engaged(q(29, "mm")),
        engaged(q(30 / 25.4, "in")),
        ["/adjuster/engagement"],
    ),
    (
        "engagement-found-lower",
        "engagement__lower",
        engaged(full=False),
        engaged(q(3, "cm")),
        ["/adjuster/engagement"],
    ),
]
IDS = [case[0] for case in CASES]


@pytest.mark.parametrize("rule", IDS)
def test_a_sound_hanger_passes_and_shows_the_event(rule: str) -> None:
    found = row(V, rule, variable_facts())
    assert found["status"] == "pass"
    assert 10 in found["inputs"]
    assert found["assembly"] == 1


@pytest.mark.parametrize(("rule", "name", "wrong"), [case[:3] for case in CASES], ids=IDS)
def test_what_is_wrong_on_site_fails(rule: str, name: str, wrong: Any) -> None:
    assert row(V, rule, seen(**{name: wrong}))["status"] == "fail"


@pytest.mark.parametrize(("rule", "name", "exact"), [(c[0], c[1], c[3]) for c in CASES], ids=IDS)
def test_a_limit_met_exactly_passes(rule: str, name: str, exact: Any) -> None:
    assert row(V, rule, seen(**{name: exact}))["status"] == "pass"


@pytest.mark.parametrize(("rule", "name"), [case[:2] for case in CASES], ids=IDS)
def test_what_was_not_seen_is_named(rule: str, name: str) -> None:
    found = row(V, rule, seen(**{name: None}))
    assert found["status"] == "cannot_say"
    assert f"assembly/1/{name.replace('__', '/')}" in found["missing"]


@pytest.mark.parametrize(("rule", "pointer"), [(case[0], pointer) for case in CASES for pointer in case[4]])
def test_what_the_record_does_not_state_is_named(rule: str, pointer: str) -> None:
    record = changed(V, pointer, {}) if pointer == "/assemblies/0" else changed(V, pointer, None)
    found = row(record, rule, variable_facts())
    assert found["status"] == "cannot_say"
    assert any(name.startswith(pointer) for name in found["missing"])


def test_without_assemblies_nothing_is_said_of_one() -> None:
    found = row(changed(V, "/assemblies", None), "stops-counted", variable_facts())
    assert found["status"] == "cannot_say"
    assert found["missing"] == ["/assemblies"]


# --- nameplate --------------------------------------------------------------------------------------
def test_a_nameplate_that_cannot_be_read_says_nothing() -> None:
    found = row(V, "nameplate-as-drawn", seen(nameplate={"legible": False}))
    assert found["status"] == "cannot_say"


def test_an_item_that_was_not_read_leaves_the_nameplate_open() -> None:
    plate = copy.deepcopy(V["nameplate"])
    del plate["spring_rate"]
    found = row(V, "nameplate-as-drawn", seen(nameplate=plate))
    assert found["status"] == "cannot_say"
    assert found["missing"] == ["assembly/1/nameplate/spring_rate"]


@pytest.mark.parametrize(
    ("name", "value", "status"),
    [
        ("mark", "v-1", "pass"),
        ("mark", " V-1 ", "pass"),
        ("mark", "V-2", "fail"),
        ("type_number", 52, "fail"),
        ("vertical_movement", q(-40, "mm"), "fail"),
        ("vertical_movement", q(40.9, "mm"), "pass"),
        ("operating_load", q(2248.09, "lbf"), "pass"),
    ],
)
def test_the_nameplate_is_compared_item_by_item(name: str, value: Any, status: str) -> None:
    plate = copy.deepcopy(V["nameplate"]) | {name: value}
    found = row(V, "nameplate-as-drawn", seen(nameplate=plate))
    assert found["status"] == status
    assert status == "pass" or name.replace("_", " ") in found["message"]


# --- dimension and elevation -------------------------------------------------------------------------
def test_each_side_of_the_dimension_has_its_own_tolerance() -> None:
    assert (
        row(V, "pipe-to-support-dimension", seen(pipe_to_support_dimension=q(1846, "mm")))["status"] == "pass"
    )
    below = row(V, "pipe-to-support-dimension", seen(pipe_to_support_dimension=q(1844, "mm")))
    assert below["status"] == "fail"
    assert below["limit"] == q(1845.0, "mm")
    assert below["basis"]["source"] == "the hanger's drawing"


def test_a_drawing_without_tolerance_takes_the_criterias() -> None:
    assert row(C, "pipe-to-support-dimension", constant_facts())["basis"]["status"] == "common_practice"
    facts = constant_facts() | inspected(1, pipe_to_support_dimension=q(1828.8 + 6, "mm"))
    assert row(C, "pipe-to-support-dimension", facts)["status"] == "pass"
    facts |= inspected(1, pipe_to_support_dimension=q(1828.8 + 6.1, "mm"))
    assert row(C, "pipe-to-support-dimension", facts)["status"] == "fail"


@pytest.mark.parametrize(
    ("metres", "status"),
    [(12.406, "pass"), (12.409, "attention"), (12.412, "attention"), (12.388, "attention")],
)
def test_an_elevation_that_is_off_is_investigated(metres: float, status: str) -> None:
    assert row(V, "elevation", seen(elevation=q(metres, "m")))["status"] == status


@pytest.mark.parametrize("rule", ["elevation", "pipe-to-support-dimension", "rod-offset"])
@pytest.mark.parametrize(("degrees", "said"), [(40.0, True), (41.0, False), (-10.0, True), (-11.0, False)])
def test_what_was_measured_on_a_line_that_is_not_cold_says_nothing(
    rule: str, degrees: float, said: bool
) -> None:
    found = row(V, rule, seen(inspected_temperature=q(degrees, "degC")))
    assert (found["status"] == "pass") is said
    assert said or found["status"] == "cannot_say"


def test_the_cold_range_is_the_lines_own_where_it_states_one() -> None:
    facts = seen(inspected_temperature=q(50, "degC"))
    hanger = view(V, facts)
    own = line_of(hanger, record={"cold_range": {"low": q(0, "degC"), "high": q(140, "degF")}})
    assert row(V, "elevation", facts, line=own)["status"] == "pass"
    assert row(V, "elevation", facts, line=line_of(hanger, record={}))["status"] == "cannot_say"
    assert row(V, "elevation", facts, line=line_of(hanger))["status"] == "cannot_say"


# --- stops -------------------------------------------------------------------------------------------
@pytest.mark.parametrize("rule", ["stops-counted", "stops-undamaged"])
@pytest.mark.parametrize("state", ["stops_out", "positioning", "released", "proved"])
def test_stops_that_are_out_are_not_counted_in(rule: str, state: str) -> None:
    assert row(V, rule, seen(stops_counted=0, stops_damaged=1), state=state)["status"] == "not_applicable"


@pytest.mark.parametrize("state", ["locked", "cleared", "easing"])
def test_stops_that_are_in_are_counted(state: str) -> None:
    assert row(V, "stops-counted", seen(stops_counted=1), state=state)["status"] == "fail"


def test_a_hanger_on_hold_counts_its_stops_as_in_the_state_it_was_held_from() -> None:
    facts = seen(stops_counted=0)
    assert row(V, "stops-counted", facts, state="on_hold", held_from="easing")["status"] == "fail"
    assert row(V, "stops-counted", facts, state="on_hold", held_from="released")["status"] == "not_applicable"


def test_each_assembly_is_counted_by_itself() -> None:
    facts = constant_facts() | inspected(2, stops_counted=0)
    assert [found["status"] for found in rows(C, "stops-counted", facts)] == ["pass", "fail"]
    del facts["assembly/2/stops_counted"]
    assert [found["status"] for found in rows(C, "stops-counted", facts)] == ["pass", "cannot_say"]


# --- rods --------------------------------------------------------------------------------------------
def test_an_angle_somewhat_beyond_is_investigated() -> None:
    assert row(V, "rod-angle", seen(rod_offset=q(150, "mm")))["status"] == "attention"
    assert row(V, "rod-angle", seen(rod_offset=q(2000 * 0.0874886635, "mm")))["status"] == "attention"


def test_a_plumb_rod_where_an_offset_is_drawn_is_not_as_drawn() -> None:
    assert row(V, "rod-offset", seen(rod_offset=q(-6, "mm")))["status"] == "fail"
    assert (
        row(changed(V, "/design/erected_offset", None), "rod-offset", seen(rod_offset=q(0, "mm")))["status"]
        == "pass"
    )


# --- engagement --------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("entry", "net_turns", "status"),
    [
        (engaged(q(46, "mm")), 0.0, "pass"),
        (engaged(q(46, "mm")), 4.5, "pass"),  # at most 4.5 * 3.5 mm lost: 30.25 mm left
        (engaged(q(46, "mm")), -4.5, "pass"),
        (engaged(q(46, "mm")), 4.6, "cannot_say"),
        (engaged(q(46, "mm")), -4.6, "cannot_say"),
        (engaged(q(46, "mm"), net_turns=4.6), 4.6, "pass"),
        (engaged(q(46, "mm"), net_turns=None), 0.0, "cannot_say"),
        (engaged(q(29, "mm")), 4.0, "fail"),
        (engaged(full=True), 0.0, "pass"),
        (engaged(full=True), 0.25, "cannot_say"),
        (engaged(full=False), 0.25, "fail"),
        (engaged(q(46, "mm"), False), 0.0, "fail"),
        (engaged(), 0.0, "cannot_say"),
    ],
)
def test_engagement_counts_only_as_it_stands_now(entry: Document, net_turns: float, status: str) -> None:
    facts = seen(engagement__upper=entry) | {"assembly/1/ledger": fact({"net_turns": net_turns}, 12)}
    assert row(V, "engagement-found-upper", facts)["status"] == status


def test_an_adjuster_turned_since_with_an_unknown_thread_says_nothing() -> None:
    record = changed(V, "/adjuster/thread", None)
    turned = {"assembly/1/ledger": fact({"net_turns": 1.0}, 12)}
    assert row(record, "engagement-found-upper", variable_facts())["status"] == "pass"
    found = row(record, "engagement-found-upper", variable_facts() | turned)
    assert found["status"] == "cannot_say"
    assert found["missing"] == ["/adjuster/thread"]


def test_the_coarser_of_two_threads_is_what_an_end_can_lose() -> None:
    record = changed(V, "/adjuster/second_thread", "M30x2")
    turned = {"assembly/1/ledger": fact({"net_turns": 4.6}, 12)}
    assert row(record, "engagement-found-upper", variable_facts() | turned)["status"] == "cannot_say"


def test_the_end_that_a_nut_does_not_have_is_not_looked_for() -> None:
    assert row(C, "engagement-found-upper", constant_facts())["status"] == "not_applicable"


# --- kinds -------------------------------------------------------------------------------------------
@pytest.mark.parametrize("rule", ["rod-offset", "rod-angle"])
def test_a_base_spring_has_no_rod_to_look_at(rule: str) -> None:
    assert row(BASE, rule)["status"] == "not_applicable"


def test_a_rigid_hanger_has_an_elevation_and_a_rod_but_no_stops() -> None:
    assert row(RIGID, "stops-counted")["status"] == "not_applicable"
    assert row(RIGID, "elevation")["status"] == "cannot_say"
    assert row(RIGID, "rod-offset", inspected(1, rod_offset=q(3, "mm")))["status"] == "pass"


def test_a_plants_own_limit_is_used_and_named() -> None:
    criteria = Criteria({"limits": {"elevation_accept": plant_limit(q(1, "mm"))}})
    found = row(V, "elevation", variable_facts(), criteria=criteria)
    assert found["status"] == "attention"
    assert found["basis"] == {"source": "plant procedure", "paragraph": None, "status": "plant"}
