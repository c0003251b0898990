"""What a bearing face says about the rod's load."""

from __future__ import annotations

from typing import Literal

BearingFace = Literal["upper", "lower", "none", "unknown"]
PinMovesDownWhen = Literal["rod_tension_rises", "rod_tension_falls"]


def sign_from_face(face: BearingFace, pin_moves_down_when: PinMovesDownWhen | None) -> int | None:
    """Which way the load must go, from the face that the pin presses on.

    The pin is trapped in the slot of the stop. The upper face of the slot lies above the pin and takes a
    pin that is pushed up; the lower face lies below it and takes a pin that is pushed down. With the
    force the face puts on the pin written N >= 0, the force of friction phi (|phi| <= f) and everything
    measured at the rod:

        the pin moves down when the rod's tension rises, and presses on the upper face:
            the spring wins: F_rod = S + phi - N, so F_rod <= S + f: too little: raise;
        ... and presses on the lower face:
            the rod wins: F_rod = S + phi + N, so F_rod >= S - f: too much: lower.

    Where the linkage turns the movement round (the pin moves down when the tension falls) the two faces
    change places. So a face gives the sign within friction, never a size and never a cause. For a base
    spring read the compression of the load column for the rod's tension.

    Args:
        face: face of the stop that the pin presses on
        pin_moves_down_when: from the stop's drawing; None when the record does not say, and then a face
            says nothing: it is never assumed

    Returns:
        +1 the rod carries too little (raise), -1 too much (lower), 0 the pin is clear of both faces,
        None cannot be said

    Source: mechanics; checked against the worked case with 12,406.8 N on the rod, 14,787.9 N on the
    spring, face `upper`, shorten the rod.
    """
    if face == "none":
        return 0
    if face == "unknown" or pin_moves_down_when is None:
        return None
    pushed_up = 1 if face == "upper" else -1
    return pushed_up if pin_moves_down_when == "rod_tension_rises" else -pushed_up
