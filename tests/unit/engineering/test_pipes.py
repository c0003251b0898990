"""Pipes by size and schedule, and what they weigh."""

from __future__ import annotations

import math
from importlib import resources

import pytest

from service.engineering.pipes import bore_area_m2, pipe_mass_kg_per_m, standard_pipe
from service.engineering.tables.loader import TableError, parse_table
from service.engineering.tables.pipes import check_sizes, pipe_sizes
from service.errors import OutOfRange


def _sizes(old: str, new: str) -> str:
    text = resources.files("service.engineering.tables").joinpath("pipe_sizes.csv").read_text("utf-8")
    assert old in text
    return text.replace(old, new)


def test_a_pipe_has_its_dimensions_in_metres() -> None:
    pipe = standard_pipe("12", "80")
    assert (pipe.outside_diameter_m, pipe.wall_m) == pytest.approx((0.3238, 0.01748), abs=1e-12)


def test_a_size_that_the_table_lacks_is_refused_with_those_it_has() -> None:
    with pytest.raises(OutOfRange) as caught:
        standard_pipe("7", "80")
    assert caught.value.facts["part"] == "nominal_size"
    assert {"1/2", "2 1/2", "12"} <= set(caught.value.facts["accepted"])


def test_a_schedule_that_the_size_lacks_is_refused_with_those_it_has() -> None:
    with pytest.raises(OutOfRange) as caught:
        standard_pipe("30", "160")
    assert caught.value.facts["part"] == "schedule"
    assert {"STD", "XS"} <= set(caught.value.facts["accepted"])


def test_a_solid_bar_weighs_what_a_cylinder_weighs_and_has_no_bore() -> None:
    assert pipe_mass_kg_per_m(0.2, 0.1, 1000.0) == pytest.approx(math.pi * 0.1**2 * 1000.0, rel=1e-14)
    assert bore_area_m2(0.2, 0.1) == 0.0


def test_pipe_and_bore_make_the_whole_cylinder() -> None:
    whole = math.pi / 4.0 * 0.3238**2
    assert pipe_mass_kg_per_m(0.3238, 0.01748, 1.0) + bore_area_m2(0.3238, 0.01748) == pytest.approx(whole)


def test_a_mass_that_the_dimensions_do_not_give_cannot_load() -> None:
    wrong = parse_table(_sizes("323.8,17.48,132.05", "323.8,17.48,132.07"), "pipe_sizes.csv")
    with pytest.raises(TableError, match=r"12 Sch 80 weighs 132\.049"):
        check_sizes(wrong, "pipe_sizes.csv")


def test_a_wall_that_leaves_no_bore_cannot_load() -> None:
    wrong = parse_table(_sizes("21.3,2.77,\n", "21.3,10.65,\n"), "pipe_sizes.csv")
    with pytest.raises(TableError, match="no bore"):
        check_sizes(wrong, "pipe_sizes.csv")


def test_within_a_size_walls_and_diameter_are_those_of_one_size() -> None:
    for size, schedules in pipe_sizes().items():
        assert len({diameter for diameter, _ in schedules.values()}) == 1, size
