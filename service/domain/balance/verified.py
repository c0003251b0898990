"""Verified: how well the states that an answer rests on hold, checked apart from how they were found."""

from __future__ import annotations

from typing import Any

import numpy as np

from service.domain.balance.analysis import Analysis
from service.domain.balance.figures import Figures, plain
from service.domain.balance.weigh import Parts
from service.domain.line_models.built import CaseName
from service.engineering.frames.frame import TRANSLATION
from service.engineering.states.state import State, residuals


def verified_document(analysis: Analysis, parts: Parts, figures: Figures) -> list[dict[str, Any]]:
    """For each state: residuals, and the weight beside the sum of what holds it up.

    Raises:
        NotAtRest: a state does not balance its loads or leaves a hanger's graph
        FrameResidual: element forces do not balance
    """
    states: list[tuple[str, CaseName, State | None]] = [
        ("locked_now", "present", None if parts.now is None else parts.now.state),
        ("locked_under_test", "test", None if parts.test is None else parts.test.state),
        ("expected_released_cold", "cold", None if parts.expected is None else parts.expected.state),
        ("released_cold", "present", None if parts.cold is None else parts.cold.state),
        ("hot", "hot", None if parts.hot is None else parts.hot.state),
    ]
    return [
        _verified(analysis, name, case, state, figures) for name, case, state in states if state is not None
    ]


def _verified(
    analysis: Analysis, name: str, case: CaseName, state: State, figures: Figures
) -> dict[str, Any]:
    found = residuals(analysis.line(case).stiffness, state)
    if not found.within:
        raise found.refusal()
    response = analysis.response(case, state)
    frame = analysis.built.frames[case]
    held = float(state.force_n @ [each.direction[2] for each in frame.interfaces])
    for restraint, reaction in zip(frame.restraints, response.reactions, strict=True):
        if restraint.kind == TRANSLATION:
            held += float(reaction) * restraint.direction[2]
    for spring in frame.springs:
        if spring.kind == TRANSLATION:
            moved = float(response.displacements[spring.node, :3] @ np.array(spring.direction))
            held -= spring.stiffness * moved * spring.direction[2]
    total = sum(
        item.weight_n[case] * (item.share_present if case == "present" else 1.0)
        for item in analysis.built.items
    )
    return {
        "state": name,
        "equilibrium_residual": plain(max(found.balance, response.residual)),
        "law_residual": plain(found.law),
        "held_up": figures.force(held),
        "weight": figures.force(total),
    }
