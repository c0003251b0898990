"""Steps in batches beside the path follower, step by step."""

from __future__ import annotations

import numpy as np
import pytest

from service.engineering.release_order.field import Field
from service.engineering.release_order.steps import CAUSES, RETURN, Yard
from service.engineering.states.tracing import State
from tests.unit.engineering.release_order.lines import random_yard


def compared(yard: Yard, state: State, count: int, seed: int) -> tuple[int, int]:
    """Walks along a random order and compares every step; how many, and how many with changes of part."""
    field = Field(yard, state)
    chance = np.random.default_rng(seed)
    out: frozenset[int] = frozenset()
    made = changed = 0
    for released in chance.permutation(count):
        rests = field.of_state(state, out)
        assert rests.sound.all()
        np.testing.assert_allclose(rests.force[0], state.force_n, rtol=1e-7, atol=1e-2)
        left = np.array([place for place in range(count) if place not in out])
        steps = field.walk(rests, np.zeros(len(left), dtype=int), left)
        for number, place in enumerate(left):
            step = yard.take(state, out, (int(place),), RETURN)
            if not steps.sound[number]:
                continue
            made += 1
            assert steps.turns[number] == pytest.approx(step.turns[0], rel=1e-6, abs=1e-6)
            assert steps.other_face[number] == pytest.approx(step.other_face[0], rel=1e-6, abs=1e-6)
            flags = np.array([[each in out | {place} for each in range(count)]])
            offsets = rests.offsets.copy()
            offsets[0, place] = steps.offset[number]
            after = field.rest(flags, steps.parts[number][None], offsets)
            assert after.sound.all()
            np.testing.assert_allclose(after.force[0], step.after.force_n, rtol=1e-6, atol=1e-2)
            np.testing.assert_allclose(after.pin[0], step.after.pin_m, rtol=1e-6, atol=1e-8)
            still, _, _ = field.utilisation(after.out, after.parts, after.offsets, after.force, after.pin)
            # Where nothing has moved yet the follower sees the set before once more.
            first = yard.peak(state, out).utilisation
            found = max(steps.utilisation[number], still[0], first)
            assert found == pytest.approx(max(step.peak.utilisation, first), rel=1e-7)
            if steps.utilisation[number] > max(still[0], first) * (1.0 + 1e-9):
                assert CAUSES[steps.cause[number]] == step.peak.cause
                assert steps.place[number] == step.peak.place
            others = [each for each in range(count) if each != place]
            changed += int((steps.parts[number][others] != rests.parts[0][others]).any())
        state = yard.take(state, out, (int(released),), RETURN).after
        out |= {int(released)}
    return made, changed


@pytest.mark.parametrize("height_m", [0.002, 0.006, 0.015])
@pytest.mark.parametrize("seed", range(6))
def test_a_step_of_the_batch_is_the_step_that_was_followed(seed: int, height_m: float) -> None:
    yard, state = random_yard(7, seed, height_m=height_m)
    made, changed = compared(yard, state, 7, seed)
    assert made >= 25
    assert changed >= (1 if height_m > 0.003 else 0)


def test_a_parts_pattern_that_does_not_hold_is_not_sound() -> None:
    yard, state = random_yard(5, 2)
    field = Field(yard, state)
    rests = field.of_state(state, frozenset())
    wrong = rests.parts.copy()
    wrong[0, 2] = 4 if wrong[0, 2] == 0 else 0
    assert rests.sound.all()
    assert not field.rest(rests.out, wrong, rests.offsets).sound.any()
