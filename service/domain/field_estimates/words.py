"""What field estimates say in words."""

from __future__ import annotations

from typing import Final

COMBINED: Final = (
    "This is the combined misfit of weight and pick-up height. Turns, bearing faces, rod loads and "
    "indicators need only the sum of the two and cannot be split."
)

SPLIT_MISSING: Final = (
    "Combined misfit of weight and pick-up height; it cannot be split. A level survey of the pick-up "
    "heights, or the weighed weight of a part, is needed."
)
SPLIT_LOAD_CELL: Final = (
    "A load cell at a hanger measures the combined misfit there, more closely than turns do. It cannot split "
    "it: a level survey of the pick-up heights, or the weighed weight of a part, is needed."
)
SPLIT_DONE: Final = (
    "Split by what was levelled or weighed. Where an interval is not narrower than what was taken "
    "beforehand, nothing was found out about that height or weight."
)

REASONS: Final = {
    "estimated": "Everything that was seen can hold together; the intervals hold all that agrees with it.",
    "contradicted": "Observations contradict each other. Nothing is averaged; look again at those named.",
    "nothing_observed": "No observation could be used; the intervals rest on what was taken beforehand.",
    "not_followed": "The intervals stand; a best estimate could not be followed through the contacts.",
}

CAUTIONS: Final = {
    "combined-misfit": COMBINED,
    "observed-freedom": "Only a pin seen free opens the way to withdraw a stop; a figure never does.",
    "heights-not-surveyed": (
        "Pick-up heights are not all surveyed: locked loads are intervals, and every order is indicative."
    ),
    "faces-and-turns-first": "Bearing faces and turns observed override predicted figures.",
    "contacts-relaxed": (
        "There are too many contacts to settle each exactly: the intervals hold the truth, but are wider "
        "than they need be."
    ),
    "not-settled": "The best estimate goes to and fro between contacts; trust the intervals.",
    "uncertainty-is-no-bound": "Standard uncertainties are those of a fit and no bounds; the intervals are.",
    "one-hanger-figure": (
        "The rod load of a single observation takes the pins of the other locked hangers as held. While one "
        "of them crosses its slot the stiffness is less; the intervals of all observations together allow "
        "for that."
    ),
    "turns-not-reckoned": (
        "The line has too many hangers to reckon intervals of turns; rod loads and the best estimate are "
        "given."
    ),
    "friction-above-record": "Friction measured by break-away is above the record's; the larger is used.",
}

LIMITS: Final = (
    "The line's stiffness is the model's; its error is allowed for by widening friction bands, as far as "
    "turns were made.",
    "Loads beside weight (a flow, a restraint that binds, a temperature) show up as misfit.",
    "A further contradiction may stand beside the one named.",
)

ASSUMED: Final = {
    "height_uncertainty": "plus or minus 3 mm at each hanger without a survey; common practice, no source",
    "weight_uncertainty": "plus or minus 10 % of each group of weight; common practice, no source",
    "stiffness_uncertainty": "plus or minus 10 % of the line's stiffness; common practice, no source",
}
