"""The summary of weights, checked as a hand would: length times the mass of one metre."""

from __future__ import annotations

from typing import Any

import pytest

from service.domain.line_models.builder import build_line
from service.domain.line_models.summary import summary
from service.units import Dimension, quantity_to_si
from tests.lines.models import riser_model, riser_records

GRAVITY = 9.80665


@pytest.fixture(scope="module")
def document() -> dict[str, Any]:
    present = {"contents": "operating", "segments": {"run-1": {"insulation": 0.5}}, "masses": {"valve": 0.75}}
    return summary(build_line(riser_model(), riser_records(), present=present))


def kilograms(quantity: dict[str, Any]) -> float:
    assert quantity["unit"] == "kg"
    return float(quantity["value"])


def test_every_mass_is_length_times_that_of_one_metre_times_the_share_that_is_on(
    document: dict[str, Any],
) -> None:
    for segment in document["segments"]:
        length = quantity_to_si(segment["length"], Dimension.LENGTH)
        for part in segment["parts"]:
            for case in ("cold", "present", "hot", "test"):
                one = kilograms(part["one_metre"][case])
                assert kilograms(part["masses"][case]) == pytest.approx(one * length, rel=1e-9)


def test_one_metre_weighs_what_the_lists_say(document: dict[str, Any]) -> None:
    run = next(segment for segment in document["segments"] if segment["segment"] == "run-1")
    assert run["length"] == {"value": 5.5428, "unit": "m"}
    found = {part["part"]: part for part in run["parts"]}
    assert kilograms(found["pipe"]["one_metre"]["cold"]) == pytest.approx(132.05, abs=0.005)
    # pi/4 (0.6238^2 - 0.3238^2) 160 = 35.72; half of it is on.
    assert kilograms(found["insulation"]["one_metre"]["cold"]) == pytest.approx(35.72, abs=0.005)
    assert kilograms(found["insulation"]["one_metre"]["present"]) == pytest.approx(17.86, abs=0.005)
    assert found["insulation"]["share_present"] == 0.5
    assert kilograms(found["contents"]["one_metre"]["present"]) == pytest.approx(3.236, abs=0.002)
    assert kilograms(found["contents"]["one_metre"]["cold"]) == 0.0


def test_parts_make_the_segment_and_segments_and_masses_the_line(document: dict[str, Any]) -> None:
    for case in ("cold", "present", "hot", "test"):
        total = sum(kilograms(mass["masses"][case]) for mass in document["masses"])
        for segment in document["segments"]:
            parts = sum(kilograms(part["masses"][case]) for part in segment["parts"])
            weight = quantity_to_si(segment["weight"][case], Dimension.FORCE)
            assert weight == pytest.approx(parts * GRAVITY, rel=1e-9)
            total += parts
        assert kilograms(document["total"]["masses"][case]) == pytest.approx(total, rel=1e-9)
        weight = quantity_to_si(document["total"]["weight"][case], Dimension.FORCE)
        assert weight == pytest.approx(total * GRAVITY, rel=1e-9)


def test_a_mass_stands_by_itself(document: dict[str, Any]) -> None:
    (valve,) = document["masses"]
    assert valve["mass"] == "valve"
    assert valve["share_present"] == 0.75
    assert kilograms(valve["masses"]["cold"]) == pytest.approx(1200)
    assert kilograms(valve["masses"]["present"]) == pytest.approx(900)


def test_every_segment_is_there_in_the_order_of_the_model(document: dict[str, Any]) -> None:
    assert [entry["segment"] for entry in document["segments"]] == [
        entry["id"] for entry in riser_model()["segments"]
    ]
