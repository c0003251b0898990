"""Planning of the adjusting nut: pure mechanics in SI floats.

Everywhere here turns are positive when they raise the load on the pipe (shorten a hanging rod, raise a
base spring), loads are those of one assembly at the spring with the hardware weight included, and an
estimated value is an interval: results are then hulls over the box of all inputs.
"""

from service.engineering.nut_plans.corrections import (
    LoadAdjustment,
    VariableCorrection,
    load_adjustment,
    load_change_for_turns_n,
    load_change_per_turn_n,
    turns_for_load_change,
    variable_correction,
)
from service.engineering.nut_plans.easing import (
    EasingCase,
    EasingTurns,
    easing_turns,
    imbalance_n,
    narrow_by_face,
    rod_load_after_n,
    sign_from_imbalance,
    slot_factor,
)
from service.engineering.nut_plans.engagement import (
    EngagementChange,
    Reach,
    ThreadEnd,
    engagement_change,
    lead_per_turn_m,
    reach,
    within_reach,
)
from service.engineering.nut_plans.faces import sign_from_face
from service.engineering.nut_plans.findings import BreakAway, break_away, explained_turns, rod_load_before_n
from service.engineering.nut_plans.holds import (
    MOST_HOLDS,
    Hold,
    HoldLimits,
    Influence,
    Step,
    hold_points,
    largest_step,
    whole_flats,
)
from service.engineering.nut_plans.intervals import Interval
from service.engineering.nut_plans.positioning import (
    constant_positioning_turns,
    friction_relief_turns,
    net_turns,
    reading_change_per_turn_m,
    way_back_turns,
)
from service.engineering.nut_plans.stiffness import (
    STEEL_MODULUS_PA,
    rod_stiffness_n_per_m,
    series_stiffness_interval,
    series_stiffness_n_per_m,
)

__all__ = [
    "MOST_HOLDS",
    "STEEL_MODULUS_PA",
    "BreakAway",
    "EasingCase",
    "EasingTurns",
    "EngagementChange",
    "Hold",
    "HoldLimits",
    "Influence",
    "Interval",
    "LoadAdjustment",
    "Reach",
    "Step",
    "ThreadEnd",
    "VariableCorrection",
    "break_away",
    "constant_positioning_turns",
    "easing_turns",
    "engagement_change",
    "explained_turns",
    "friction_relief_turns",
    "hold_points",
    "imbalance_n",
    "largest_step",
    "lead_per_turn_m",
    "load_adjustment",
    "load_change_for_turns_n",
    "load_change_per_turn_n",
    "narrow_by_face",
    "net_turns",
    "reach",
    "reading_change_per_turn_m",
    "rod_load_after_n",
    "rod_load_before_n",
    "rod_stiffness_n_per_m",
    "series_stiffness_interval",
    "series_stiffness_n_per_m",
    "sign_from_face",
    "sign_from_imbalance",
    "slot_factor",
    "turns_for_load_change",
    "variable_correction",
    "way_back_turns",
    "whole_flats",
    "within_reach",
]
