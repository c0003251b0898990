"""Played sites: the truth lies in the intervals, which shrink; a false observation is named."""

from __future__ import annotations

from typing import Any

import pytest

from service.domain.field_estimates.estimate import field_estimate
from tests.lines.base import MARKS
from tests.unit.domain.field_estimates.site import Site, exact, span_n

HEIGHTS_M = {"H1": 0.001, "H2": -0.002, "H3": 0.0025, "H4": -0.0015, "H5": 0.0005}
NEWTON = 2.0


def _ask(site: Site, observations: list[dict[str, Any]], **assumptions: Any) -> dict[str, Any]:
    request = {
        "observations": observations,
        "present": site.around(),
        "assumptions": exact(**assumptions),
    }
    return field_estimate(site.record, request)


def _assert_truth_inside(site: Site, document: dict[str, Any]) -> None:
    truth = site.misfit_n()
    for row, expected in zip(document["misfit"], truth, strict=True):
        for which in ("before", "after"):
            low, high = span_n(row[which])
            assert low - NEWTON <= expected <= high + NEWTON, (row["mark"], which)
    assert [row["mark"] for row in document["predictions"]] == [m for m in MARKS if m not in site.out]
    for row in document["predictions"]:
        for which in ("before", "after"):
            low, high = span_n(row[which]["rod_load"])
            assert low - NEWTON <= site.rod_n(row["mark"]) <= high + NEWTON, (row["mark"], which)
            turns = row[which]["turns_to_free"]
            assert turns["low"] - 1e-3 <= site.turns_to_free(row["mark"]) <= turns["high"] + 1e-3


def _widths(document: dict[str, Any], which: str) -> list[float]:
    return [span_n(row[which])[1] - span_n(row[which])[0] for row in document["misfit"]]


@pytest.mark.parametrize(
    ("friction_n", "slot_m"),
    [(0.0, 0.002), (300.0, 0.004)],
    ids=["without-friction", "with-friction"],
)
def test_the_truth_lies_inside_and_the_intervals_shrink(friction_n: float, slot_m: float) -> None:
    site = Site(HEIGHTS_M, 1.04, friction_n=friction_n, slot_clearance_m=slot_m)
    observations = [site.look(mark) for mark in MARKS]
    observations.append(site.ease("H3"))
    first = _ask(site, observations)
    assert first["status"] == "estimated"
    _assert_truth_inside(site, first)
    assert all(
        after <= before + NEWTON
        for before, after in zip(_widths(first, "before"), _widths(first, "after"), strict=True)
    )
    assert sum(_widths(first, "after")) < 0.8 * sum(_widths(first, "before"))
    site.withdraw("H3")
    observations += [site.look(mark) for mark in MARKS if mark not in site.out]
    observations.append(site.ease("H2"))
    second = _ask(site, observations)
    _assert_truth_inside(site, second)
    assert sum(_widths(second, "after")) < sum(_widths(first, "after"))
    assert first["split"]["status"] == second["split"]["status"] == "cannot_say"
    assert second["indicative"] is True


def test_an_observation_that_contradicts_the_others_is_named_and_nothing_is_averaged() -> None:
    site = Site(HEIGHTS_M, 1.04, friction_n=300.0, slot_clearance_m=0.002)
    true = site.ease("H3")
    false = {**true, "id": "false-one", "turns_bearing": 1.0, "turns_free": 1.25, "bearing_face": "upper"}
    beside = {**site.look("H1"), "id": "beside"}
    document = _ask(site, [{**true, "id": "true-one"}, false, beside])
    assert document["status"] == "contradicted"
    assert document["contradictions"][0]["observations"] == ["true-one", "false-one"]
    assert [each["status"] for each in document["observations"]] == [
        "contradicted",
        "contradicted",
        "set_aside",
    ]
    assert all(row["after"] is None and row["estimate"] is None for row in document["misfit"])
    assert all(row["after"] is None and row["estimate"] is None for row in document["predictions"])


def test_the_best_estimate_comes_near_and_its_residuals_are_small() -> None:
    site = Site(HEIGHTS_M, 1.04, slot_clearance_m=0.002)
    observations = [site.ease(mark) for mark in MARKS]
    document = _ask(site, observations)
    for row, expected in zip(document["misfit"], site.misfit_n(), strict=True):
        low, high = span_n(row["after"])
        assert low - NEWTON <= row["estimate"]["value"] * 1e3 <= high + NEWTON
        deviation = row["standard_uncertainty"]["value"] * 1e3
        assert abs(row["estimate"]["value"] * 1e3 - expected) <= 3.0 * deviation
    for each in document["observations"]:
        # A flat of 1/6 turn at 793.7 N/mm and 6 mm leaves half of 794 N open to either side.
        assert abs(each["residual"]["value"]) < 0.45
