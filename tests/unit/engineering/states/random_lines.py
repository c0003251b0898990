"""Random straight lines on hangers, and their states found by trying every combination of contacts."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from service.engineering.states.laws import (
    LOWER_WALL,
    RISING,
    SLACK,
    UPPER_WALL,
    Hanger,
    rigid,
)

Array = NDArray[np.float64]

BENDING_N_M2 = 4e7
WEIGHT_N_PER_M = 1600.0


def beam(
    rng: np.random.Generator, hangers: int, *, left: bool = True, right: bool = True
) -> tuple[Array, Array]:
    """Stiffness at the hangers of a beam of random spans and the loads there; ends fixed or free."""
    spans = rng.uniform(4.0, 10.0, hangers + 1)
    size = 2 * (hangers + 2)
    whole, weight = np.zeros((size, size)), np.zeros(size)
    for place, span in enumerate(spans):
        at = slice(2 * place, 2 * place + 4)
        whole[at, at] += (
            BENDING_N_M2
            / span**3
            * np.array(
                [
                    [12, 6 * span, -12, 6 * span],
                    [6 * span, 4 * span**2, -6 * span, 2 * span**2],
                    [-12, -6 * span, 12, -6 * span],
                    [6 * span, 2 * span**2, -6 * span, 4 * span**2],
                ]
            )
        )
        weight[at] -= WEIGHT_N_PER_M * np.array([span / 2, span**2 / 12, span / 2, -(span**2) / 12])
    gone = ({0, 1} if left else set()) | ({size - 2, size - 1} if right else set())
    kept = [place for place in range(size) if place not in gone]
    up = [kept.index(2 * place + 2) for place in range(hangers)]
    rest = [place for place in range(len(kept)) if place not in up]
    whole, weight = whole[np.ix_(kept, kept)], weight[kept]
    across = np.linalg.solve(whole[np.ix_(rest, rest)], whole[np.ix_(rest, up)])
    at_hangers = whole[np.ix_(up, up)] - whole[np.ix_(up, rest)] @ across
    return (at_hangers + at_hangers.T) / 2.0, weight[up] - across.T @ weight[rest]


def hangers(
    rng: np.random.Generator, count: int, *, friction: float = 0.0, kinds: str = "rcvCV"
) -> tuple[Hanger, ...]:
    """Random hangers. kinds: r rigid; c, v constant and variable with the stop in; C, V with it out."""
    found = []
    for _ in range(count):
        kind = str(rng.choice(list(kinds)))
        offset, series = rng.normal() * 3e-3, float(rng.choice([np.inf, 2e7]))
        load = 12e3 * rng.uniform(0.6, 1.4)
        if kind == "r":
            found.append(rigid(offset, series))
            continue
        play = 2e-3 if kind.islower() else float(rng.choice([4e-3, 4e-2]))
        rate = 6e4 if kind in "vV" else 0.0
        band = friction * load * rng.uniform(0.2, 1.0)
        found.append(Hanger(load, rate, band, -play, play, offset, series))
    return tuple(found)


def _rows(hanger: Hanger) -> Iterator[tuple[int, float, float]]:
    """Each part that a hanger without friction can be on: part, slope, and intercept or place of the pipe."""
    flexible = 1.0 / hanger.series_n_per_m
    if hanger.low_m < hanger.high_m:
        slope = hanger.rate_n_per_m / (1.0 + hanger.rate_n_per_m * flexible)
        load = hanger.load_n / (1.0 + hanger.rate_n_per_m * flexible)
        yield RISING, slope, load + slope * hanger.offset_m
        yield UPPER_WALL, hanger.series_n_per_m, hanger.high_m + hanger.offset_m
    yield LOWER_WALL, hanger.series_n_per_m, hanger.low_m + hanger.offset_m
    yield SLACK, 0.0, 0.0


def _agrees(hanger: Hanger, part: int, u: float, r: float, tolerance: float = 1e-7) -> bool:
    low, high, offset = hanger.low_m, hanger.high_m, hanger.offset_m
    pin = u - offset + r / hanger.series_n_per_m
    if part == SLACK:
        return pin >= high - 1e-11
    if r < -tolerance:
        return False
    if part == RISING:
        return low - 1e-11 <= pin <= high + 1e-11
    if part == UPPER_WALL:
        return r <= hanger.spring_n(high) + tolerance
    return low == high or r >= hanger.spring_n(low) - tolerance


def by_trial(stiffness: Array, load_n: Array, given: tuple[Hanger, ...]) -> tuple[Array, Array] | None:
    """Movements and forces without friction: the one combination of contacts that agrees with itself."""
    count = len(given)
    for chosen in itertools.product(*(list(_rows(each)) for each in given)):
        held = np.array([bool(np.isinf(slope)) for _, slope, _ in chosen])
        matrix, right = stiffness.copy(), load_n.copy()
        movement = np.zeros(count)
        for place, (part, slope, constant) in enumerate(chosen):
            if held[place]:
                movement[place] = constant
            else:
                wall = part in (LOWER_WALL, UPPER_WALL)
                matrix[place, place] += slope
                right[place] += slope * constant if wall else constant
        free = ~held
        if free.any():
            inner = matrix[np.ix_(free, free)]
            if np.linalg.cond(inner) > 1e12:
                continue
            movement[free] = np.linalg.solve(inner, right[free] - matrix[np.ix_(free, held)] @ movement[held])
        force = stiffness @ movement - load_n
        if all(
            _agrees(hanger, part, float(movement[place]), float(force[place]))
            for place, (hanger, (part, _, _)) in enumerate(zip(given, chosen, strict=True))
        ):
            return movement, force
    return None
