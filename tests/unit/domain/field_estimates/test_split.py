"""Weight and height: loads, turns and indicators need only their sum; levels and weighed parts split it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from service.domain.field_estimates.estimate import field_estimate
from tests.lines.base import CALIBRATED_N, FULL_N_PER_M, MARKS
from tests.unit.domain.field_estimates.site import Site, exact

WHOLE = {"weight_groups": [{"name": "whole", "owners": [f"S{span}" for span in range(1, 7)]}]}


def _heavy() -> Site:
    return Site({}, 1.04, slot_clearance_m=0.002)


def _alike() -> Site:
    """As heavy as on record, with the heights that make the same misfit: K h = -4 % of the load vector."""
    heavy = _heavy()
    stiffness = heavy.truth.condensed("present").stiffness
    heights = np.linalg.solve(stiffness, heavy.misfit_n())
    return Site(dict(zip(MARKS, heights.tolist(), strict=True)), 1.0, slot_clearance_m=0.002)


def _work(site: Site) -> tuple[list[dict[str, Any]], list[list[float]]]:
    """Eases and releases three hangers; what the crew wrote, rod loads and indicators after each."""
    written, shown = [site.look(mark) for mark in MARKS], []
    for mark in ("H2", "H4", "H3"):
        written.append(site.ease(mark))
        site.withdraw(mark)
        shown.append([*site.state.force_n.tolist(), *(site.state.pin_m * 1e6).tolist()])
    return written, shown


def test_two_different_truths_give_the_same_observations_loads_and_indicators() -> None:
    heavy, alike = _heavy(), _alike()
    # A line 4 % heavy settles by these on constant supports; held higher by them it is as hard to hold.
    assert alike.heights_m * 1e3 == pytest.approx([11.2, 28.6, 36.2, 28.6, 11.2], abs=0.05)
    assert alike.misfit_n() == pytest.approx(heavy.misfit_n(), abs=1e-3)
    written, shown = _work(heavy)
    also_written, also_shown = _work(alike)
    assert written == also_written
    assert np.array(shown) == pytest.approx(np.array(also_shown), abs=1e-2)


def test_without_a_level_or_a_weighed_part_nothing_is_split() -> None:
    site = Site({}, 1.04, slot_clearance_m=0.0)
    cell = {
        "kind": "weighed_load",
        "mark": "H1",
        "load": {"value": site.rod_n("H1"), "unit": "N"},
        "uncertainty": {"value": 50, "unit": "N"},
        **site.around(),
    }
    document = field_estimate(site.record, {"observations": [cell], "assumptions": exact(), **WHOLE})
    assert document["split"]["status"] == "cannot_say"
    assert document["split"]["weights"] == document["split"]["heights"] == []
    assert "cannot be split" in document["cautions"][1]["text"]
    low, high = (document["misfit"][0]["after"][side]["value"] * 1e3 for side in ("low", "high"))
    assert (low, high) == pytest.approx(
        (site.rod_n("H1") - CALIBRATED_N - 50, site.rod_n("H1") - CALIBRATED_N + 50), abs=1.0
    )


def test_a_level_survey_splits_and_recovers_the_weight() -> None:
    site = Site({"H1": 0.002, "H2": -0.001, "H4": -0.002}, 1.04, slot_clearance_m=0.002)
    levels = [
        {
            "kind": "level",
            "mark": mark,
            "height": {"value": height_m * 1e3, "unit": "mm"},
            "uncertainty": {"value": 0.2, "unit": "mm"},
        }
        for mark, height_m in zip(MARKS, site.heights_m.tolist(), strict=True)
    ]
    eased = [site.ease(mark) for mark in MARKS]
    request = {"observations": [*levels, *eased], "assumptions": exact(), **WHOLE}
    document = field_estimate(site.record, request)
    assert document["split"]["status"] == "split"
    assert document["indicative"] is False
    weight = document["split"]["weights"][0]
    low, high = weight["share"]["low"]["value"], weight["share"]["high"]["value"]
    assert low <= 4.0 <= high
    assert high - low < 8.0
    assert weight["narrowed"] is True
    assert weight["estimate"]["value"] == pytest.approx(4.0, abs=3 * weight["standard_uncertainty"]["value"])
    # The whole line weighs 54 m x 1643.1 N/m.
    change = weight["weight_change"]["high"]["value"] * 1e3
    assert change == pytest.approx(high / 100.0 * 54.0 * FULL_N_PER_M, rel=1e-6)
    for row, height_m in zip(document["split"]["heights"], site.heights_m.tolist(), strict=True):
        assert row["height"]["low"]["value"] - 1e-3 <= height_m * 1e3 <= row["height"]["high"]["value"] + 1e-3


def test_a_weighed_part_splits_too_and_what_it_does_not_tell_is_said() -> None:
    site = Site({"H3": -0.002}, 1.0, slot_clearance_m=0.002)
    weighed = {
        "kind": "weighed_part",
        "part": "whole",
        "weight": {"value": 54.0 * FULL_N_PER_M / 1e3, "unit": "kN"},
        "uncertainty": {"value": 0.1, "unit": "kN"},
    }
    request = {"observations": [weighed, site.ease("H3")], "assumptions": exact(), **WHOLE}
    document = field_estimate(site.record, request)
    assert document["split"]["status"] == "split"
    heights = {row["mark"]: row for row in document["split"]["heights"]}
    assert heights["H3"]["height"]["high"]["value"] < 3.0
    assert heights["H1"]["narrowed"] is False
    assert document["split"]["weights"][0]["narrowed"] is False
