"""Bounds over the friction box: no sample of it may lie outside, whatever is touched."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from service.engineering.states import regions as region_module
from service.engineering.states.bands import Bands, friction_bands
from service.engineering.states.laws import LOWER_WALL, SLACK, UPPER_WALL, Hanger
from service.engineering.states.tracing import Line, NoVerticalStiffness, State
from tests.unit.engineering.states.random_lines import beam, hangers

SAMPLES = 40


def shifted(given: tuple[Hanger, ...], shares: np.ndarray) -> tuple[Hanger, ...]:
    """The hangers without friction, each spring's load shifted by a share (-1 to 1) of its friction."""
    return tuple(
        replace(each, load_n=each.load_n + share * each.friction_n, friction_n=0.0)
        for each, share in zip(given, shares, strict=True)
    )


def shares(rng: np.random.Generator, count: int) -> np.ndarray:
    """A point of the box: a corner of it as often as not."""
    inner = rng.uniform(-1.0, 1.0, count)
    return np.sign(inner) if rng.random() < 0.5 else inner


def check(bands: Bands, state: State) -> None:
    wide = 1e-8
    assert np.all(state.pin_m >= bands.least_m - wide)
    assert np.all(state.pin_m <= bands.greatest_m + wide)
    assert np.all(state.force_n >= bands.least_n - 1e-3)
    assert np.all(state.force_n <= bands.greatest_n + 1e-3)
    for place, (hanger, part) in enumerate(zip(state.hangers, state.parts, strict=True)):
        if hanger.low_m == hanger.high_m:
            continue
        ends = {"lower": part == LOWER_WALL, "upper": part in (UPPER_WALL, SLACK)}
        assert not (bands.lower[place] == "will_not" and ends["lower"])
        assert not (bands.upper[place] == "will_not" and ends["upper"] and hanger.top_m == hanger.high_m)
        if bands.lower[place] == "will":
            assert state.pin_m[place] == pytest.approx(hanger.low_m, abs=1e-9)
        if bands.upper[place] == "will":
            assert state.pin_m[place] == pytest.approx(hanger.high_m, abs=1e-9)


@pytest.fixture(params=["regions", "inequality"])
def way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Both ways to bounds: from all regions of the box, and as if these were too many."""
    if request.param == "inequality":
        monkeypatch.setattr(region_module, "MOST_REGIONS", 0)
    return str(request.param)


@pytest.mark.parametrize("seed", range(45))
def test_no_friction_in_the_box_leads_outside_the_bounds(seed: int, way: str) -> None:
    rng = np.random.default_rng(seed)
    count = int(rng.integers(2, 6))
    ends = (True, seed % 4 != 0)
    stiffness, load = beam(rng, count, left=ends[0], right=ends[1])
    given = hangers(rng, count, friction=0.06, kinds=("CV", "rCV", "CVV")[seed % 3])
    line = Line(stiffness)
    bands = friction_bands(line, given, load)
    for _ in range(SAMPLES):
        check(bands, line.start(shifted(given, shares(rng, count)), load))


@pytest.mark.parametrize("seed", range(20))
def test_the_state_with_its_friction_and_history_lies_within_the_bounds(seed: int, way: str) -> None:
    rng = np.random.default_rng(1000 + seed)
    count = int(rng.integers(2, 6))
    stiffness, load = beam(rng, count)
    given = hangers(rng, count, friction=0.06, kinds="cv")
    line = Line(stiffness)
    state = line.start(given, load)
    for place in rng.permutation(count):
        state = line.released(state, int(place), -0.04, 0.04)
    free = tuple(replace(each, low_m=-0.04, high_m=0.04) for each in given)
    check(friction_bands(line, free, load), state)


def test_the_regions_decide_nearly_all_that_sampling_decides() -> None:
    """Bounds that are sound by being idle would be useless: what samples agree on is mostly proved."""
    proved = open_to_samples = 0
    for seed in range(40):
        rng = np.random.default_rng(4000 + seed)
        stiffness, load = beam(rng, 3)
        given = hangers(rng, 3, friction=0.05, kinds="CV")
        line = Line(stiffness)
        bands = friction_bands(line, given, load)
        ends = [
            [
                part in (LOWER_WALL, UPPER_WALL)
                for part in line.start(shifted(given, shares(rng, 3)), load).parts
            ]
            for _ in range(20)
        ]
        for place, touched in enumerate(np.array(ends).T):
            if touched.all() or not touched.any():
                open_to_samples += 1
                proved += bands.reaches_an_end(place) == ("will" if touched.all() else "will_not")
    assert open_to_samples >= 90
    assert proved >= 0.9 * open_to_samples


def test_all_three_verdicts_and_both_kinds_of_bound_are_met() -> None:
    met: set[str] = set()
    exact: set[bool] = set()
    for seed in range(60):
        rng = np.random.default_rng(seed)
        stiffness, load = beam(rng, 3)
        bands = friction_bands(Line(stiffness), hangers(rng, 3, friction=0.06, kinds="CV"), load)
        met |= set(bands.lower) | set(bands.upper)
        exact.add(bands.exact)
    assert met == {"will", "may", "will_not"}
    assert exact == {True, False}


@pytest.mark.parametrize("seed", range(10))
def test_exact_bounds_are_attained_at_a_corner_of_the_box(seed: int) -> None:
    rng = np.random.default_rng(2000 + seed)
    stiffness, load = beam(rng, 4)
    given = tuple(
        Hanger(12e3, 6e4, 12e3 * 0.03, -0.5, 0.5, rng.normal() * 2e-3, float(rng.choice([np.inf, 2e7])))
        for _ in range(4)
    )
    line = Line(stiffness)
    bands = friction_bands(line, given, load)
    assert bands.exact
    corners = np.array(np.meshgrid(*[[-1.0, 1.0]] * 4)).reshape(4, -1).T
    states = [line.start(shifted(given, corner), load) for corner in corners]
    pins = np.array([each.pin_m for each in states])
    forces = np.array([each.force_n for each in states])
    assert pins.min(axis=0) == pytest.approx(bands.least_m, abs=1e-9)
    assert pins.max(axis=0) == pytest.approx(bands.greatest_m, abs=1e-9)
    assert forces.min(axis=0) == pytest.approx(bands.least_n, rel=1e-9)
    assert forces.max(axis=0) == pytest.approx(bands.greatest_n, rel=1e-9)


def test_without_friction_the_bounds_are_the_state(way: str) -> None:
    rng = np.random.default_rng(7)
    stiffness, load = beam(rng, 5)
    given = hangers(rng, 5, kinds="CV")
    line = Line(stiffness)
    bands, state = friction_bands(line, given, load), line.start(given, load)
    assert bands.exact is (way == "regions")
    assert bands.least_m == pytest.approx(state.pin_m, abs=1e-9)
    assert bands.greatest_m == pytest.approx(state.pin_m, abs=1e-9)
    for place, part in enumerate(state.parts):
        touches = part in (LOWER_WALL, UPPER_WALL)
        assert bands.reaches_an_end(place) == ("will" if touches else "will_not")


def test_what_one_end_bears_moves_the_others_and_the_bounds_hold_it(way: str) -> None:
    """Alone each would stand 20 mm further: bounds from the line without ends would be wrong here."""
    stiffness, load = beam(np.random.default_rng(11), 3)
    given = tuple(Hanger(1.15 * -each, 0.0, 0.01 * -each, -0.2, 0.2) for each in load)
    ended = (given[0], replace(given[1], high_m=0.004), given[2])
    line = Line(stiffness)
    free, bands = friction_bands(line, given, load), friction_bands(line, ended, load)
    assert free.exact is (way == "regions")
    assert bands.upper[1] == "will"
    state = line.start(tuple(replace(each, friction_n=0.0) for each in ended), load)
    assert way == "inequality" or state.pin_m[0] < free.least_m[0]
    check(bands, state)


def test_a_spring_without_force_left_ends_before_the_end_of_its_travel(way: str) -> None:
    line, load = Line(np.array([[4e6]])), np.array([4e6 * 0.3])
    given = (Hanger(3000.0, 1e5, 100.0, -0.05, 0.2),)
    bands = friction_bands(line, given, load)
    assert bands.upper == ("will_not",)
    for share in np.linspace(-1.0, 1.0, 9):
        check(bands, line.start(shifted(given, np.array([share])), load))
    assert bands.greatest_m[0] == pytest.approx(0.031)
    assert bands.greatest_n[0] >= 0.0


@pytest.mark.parametrize("share", [0.8, 1.2])
def test_a_line_that_only_its_ends_of_travel_hold_is_bounded_by_them(share: float) -> None:
    rng = np.random.default_rng(2)
    stiffness, load = beam(rng, 3, left=False, right=False)
    given = tuple(Hanger(-share * each, 0.0, -0.02 * each, -0.05, 0.05) for each in load)
    line = Line(stiffness)
    bands = friction_bands(line, given, load)
    assert bands.lower == (("will",) * 3 if share < 1.0 else ("will_not",) * 3)
    assert bands.upper == (("will_not",) * 3 if share < 1.0 else ("will",) * 3)
    for _ in range(SAMPLES):
        check(bands, line.start(shifted(given, shares(rng, 3)), load))


@pytest.mark.parametrize("seed", range(12))
def test_rigid_hangers_that_may_hang_loose_are_within_the_bounds_too(seed: int, way: str) -> None:
    rng = np.random.default_rng(3000 + seed)
    stiffness, load = beam(rng, 4)
    given = list(hangers(rng, 4, friction=0.06, kinds="CV"))
    state = Line(stiffness).start(tuple(given), load)
    # Its rod just touches where the pipe would be without it.
    place = int(rng.integers(4))
    given[place] = Hanger(0.0, 0.0, 0.0, 0.0, 0.0, float(state.movement_m[place]) + rng.normal() * 2e-4)
    line = Line(stiffness)
    bands = friction_bands(line, tuple(given), load)
    loose = 0
    for _ in range(SAMPLES):
        sample = line.start(shifted(tuple(given), shares(rng, 4)), load)
        loose += sample.parts[place] == SLACK
        check(bands, sample)
    assert not loose or bands.least_n[place] == 0.0


def test_a_line_that_nothing_holds_has_no_bounds() -> None:
    stiffness, load = beam(np.random.default_rng(12), 3, left=False, right=False)
    given = tuple(Hanger(-each, 0.0, 100.0, -0.05, 0.05) for each in load)
    with pytest.raises(NoVerticalStiffness):
        friction_bands(Line(stiffness), given, load)
