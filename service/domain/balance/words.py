"""The words of an answer: cautions and the basis of each part, by code."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

CAUTIONS: Mapping[str, str] = MappingProxyType(
    {
        "authority": (
            "The drawings, the site procedure, local codes and a licensed engineer take precedence over "
            "these figures."
        ),
        "second-opinion": (
            "The model weighs the line and gives a second opinion on travel; it is no stress analysis and "
            "judges no pipe, nozzle or weld."
        ),
        "only-freedom-counts": (
            "The figures predict: only a stop seen free by hand, with no face bearing, may be withdrawn."
        ),
        "stiffness-of-now": (
            "Stiffness and influence belong to the present stops and contacts: ask again after each release, "
            "turn or change of weight."
        ),
        "indicative": (
            "Pick-up heights are not surveyed: locked loads are intervals, and bearing faces and the turns "
            "observed override them."
        ),
        "slack": (
            "Within the heights' intervals the rod of {marks} may hang loose: the loads of its neighbours "
            "may then lie outside theirs."
        ),
        "drifting": "With every stop out nothing fixes the line's height: the stops stay in.",
        "end-of-travel": "With every stop out {marks} will or may reach an end of travel: do not release.",
        "expected-not-mark": (
            "A line correctly released may stand off its cold marks: hold cold readings against the "
            "expected reading."
        ),
    }
)
"""Text by code; `{marks}` is filled in."""

ALWAYS: tuple[str, ...] = ("authority", "second-opinion", "only-freedom-counts", "stiffness-of-now")

BASIS: Mapping[str, tuple[str, str, str]] = MappingProxyType(
    {
        "weights": ("Length or volume times mass for each, times 9.80665 m/s2.", "mechanics", "closed form"),
        "shares": (
            "Weight of each part laid on alone, every locked pin held where it lies, released springs by "
            "their rates.",
            "mechanics: superposition",
            "numerical solution",
        ),
        "loads": (
            "3-D frame with shear, condensed to its hangers; locked: pin between the faces of its slot, "
            "released: spring between its ends of travel, rods in tension only.",
            "mechanics: unilateral contact, equilibrium verified",
            "numerical solution",
        ),
        "height_intervals": (
            "Sum of |K_ij| e_j over the heights' half widths e_j, and the pins' ways in their slots; "
            "deviation: root of the sum of (K_ij e_j)^2 / 3, heights equally likely anywhere within.",
            "mechanics: linear propagation",
            "common practice, no source",
        ),
        "out_of_balance": (
            "Load on the rod less the spring's force, both at the pipe.",
            "mechanics",
            "closed form",
        ),
        "stiffness_seen": (
            "1/k = 1/k_pipe + 1/k_rod and steel (+ 1/k_spring where the pin moves); k_pipe with all others "
            "in their present contacts.",
            "mechanics: springs in series",
            "closed form",
        ),
        "influence": (
            "Change for one turn, or for one kilonewton at the hanger turned, while no contact changes.",
            "mechanics: superposition within one contact state",
            "numerical solution",
        ),
        "standing": (
            "`will`: an end is reached whatever the frictions are within their bands; `will_not`: at none.",
            "mechanics: bounds over the box of the friction forces",
            "bound",
        ),
        "expected_reading": (
            "Every stop out, cold, all weight on as designed, hangers at their drawn heights, no turns made.",
            "mechanics",
            "numerical solution",
        ),
        "thermal_movement": (
            "Growth and imposed movements on the hot line, the springs as forces that do not change; by "
            "their rates where only springs fix the height.",
            "mechanics",
            "numerical solution",
        ),
        "design_sum": (
            "Sum of the springs' operating loads beside what the hot line weighs on them, each where growth "
            "alone takes it.",
            "mechanics: equilibrium",
            "closed form",
        ),
        "missing_weights": (
            "Weight in the cold line as designed less weight now; effects by laying each part on alone.",
            "mechanics",
            "numerical solution",
        ),
        "capacities": ("Greatest load over the capacity on record.", "hanger record", "given"),
    }
)
"""What each part rests on: text, source, status."""
