"""The words of a plan: cautions, stop conditions, refusals and the basis of each formula, by code."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

ALWAYS: tuple[str, ...] = (
    "authority",
    "never-force-a-stop",
    "see-engagement",
    "locknut",
    "hold-the-rod",
    "count-every-turn",
    "stand-clear",
)
"""Cautions that every plan carries, in this order."""

CAUTIONS: Mapping[str, str] = MappingProxyType(
    {
        "authority": (
            "The drawings, the site procedure, local codes and a licensed engineer take precedence over "
            "this plan."
        ),
        "never-force-a-stop": (
            "A stop that is not free by hand is carrying load: never drive, burn, pry, pull or jack it out."
        ),
        "see-engagement": (
            "See or feel full thread engagement at every end before the first turn and at every hold."
        ),
        "locknut": (
            "Locknuts and locking devices come off first and go back on, and are verified, after the last "
            "turn."
        ),
        "hold-the-rod": "Hold the rod against rotation while the adjuster turns.",
        "count-every-turn": (
            "Count every turn and flat, each way, and enter it in the ledger before the next."
        ),
        "stand-clear": "Stand clear of the line of the spring; no hands between moving parts; nobody below.",
        "only-freedom-counts": (
            "The figures predict; only a stop seen free by hand, with no face bearing, may be withdrawn."
        ),
        "face-goes-stale": (
            "A bearing face holds only until a neighbour is turned, a stop moves or the contents change: "
            "look again just before withdrawing."
        ),
        "stiffness-of-now": (
            "The stiffness belongs to the line's present state: work the plan out again after each release."
        ),
        "indicative": (
            "The loads are estimated, so the turns are indicative: the bearing face and the turns "
            "observed override them."
        ),
        "may-be-free-already": "The pin may be free before any turn: try the stop by hand first.",
        "no-turns-free-for-all": (
            "The inputs are too uncertain for a number of turns that frees the pin for certain: the aim "
            "is the smallest one; look at every hold."
        ),
        "reach-inside-interval": (
            "The reach of the adjuster ends inside the interval: if the pin is not free there, stop and "
            "call the engineer."
        ),
        "neighbour-influence-unknown": (
            "What a turn here does to the neighbours is not known: watch and read both neighbours at "
            "every hold."
        ),
        "own-load-change-unknown": (
            "What a turn does to the load here is not known: holds stand by rod movement alone."
        ),
        "engagement-from-drawing": (
            "The engagement is reckoned from the drawing and the ledger, not measured: measure it."
        ),
        "engagement-not-known": (
            "The engagement is not known; this direction gains it. See it before turning."
        ),
        "turn-limit-not-known": "The record gives no turn limit in this direction: stop at any resistance.",
        "rotation-not-known": (
            "The record does not say which hand raises: try the first flat and see which way the rod end "
            "goes."
        ),
        "flats-not-known": "The record does not give the number of flats: steps are in turns only.",
        "part-of-a-flat": "A step is less than one flat: turn part of a flat, and look.",
        "pair": (
            "The hanger has several assemblies: plan and turn them together, in small equal steps, and "
            "keep the difference of their turns within the criterion."
        ),
        "no-call-threshold": (
            "Where to call the engineer cannot be worked out: the designed imbalance, a tolerance, the "
            "stiffness or the friction is missing or too uncertain."
        ),
        "face-overrides-estimate": (
            "The bearing face contradicts the estimated load: the face counts. Find out why."
        ),
        "faces-differ": (
            "The bearing face stated differs from the one recorded: neither is used. Look again."
        ),
        "face-not-readable": (
            "The record does not say which way the pin moves when the rod's tension rises: the bearing "
            "face tells no direction."
        ),
        "reverse-if-harder": (
            "If the pin bears harder after the flat, turn back the same amount and go the other way."
        ),
        "direction-not-known": "The direction is not known: look at the bearing face before turning.",
        "slack-gap-unknown": (
            "A slack rod has an unknown gap first: turns before the first bearing change are not load. "
            "Plan again from there."
        ),
        "cause-not-known": (
            "A misfit found this way is weight and pick-up height together; turns, loads and indicators "
            "cannot tell them apart. A level survey or a weighed load can."
        ),
        "range-not-checked": (
            "The load after the correction cannot be compared with the working range: the load now or the "
            "range is missing."
        ),
        "travel-not-checked": (
            "The reading after the turns cannot be compared with the indicator's scale: a value is missing."
        ),
        "quarter-steps": (
            "Read this support and its neighbours after every step; stop when a reading is not as predicted."
        ),
        "constant-load-unchanged": (
            "Turns of the nut move a constant support's indicator, not its load beyond friction."
        ),
        "friction-biases": (
            "The last movement leaves the load at the edge of the friction band: end by turning back the "
            "relief turns; the reading does not change."
        ),
        "relief-not-known": (
            "How far to turn back to leave friction unbiased is not known: always approach the reading "
            "from the same side."
        ),
        "not-the-cold-mark": (
            "A correctly released variable line may stand off its cold marks: the target is the state of "
            "a direct release, not the mark."
        ),
        "load-adjuster-return": (
            "The load adjuster is off its calibrated setting: its return is compulsory, in steps, before "
            "the support is confirmed."
        ),
        "adjuster-moves-pipe": (
            "After the stops are out the load adjuster moves the pipe: watch the elevation here and at "
            "the neighbours."
        ),
        "scale-shows-setting": "The load indicator shows the adjuster's setting, not the force.",
        "stops-decide-effect": (
            "Whether the stops are in is not known: with the stops in each turn changes the load far more "
            "than on a free spring."
        ),
    }
)

STOPS: Mapping[str, str] = MappingProxyType(
    {
        "pin-moves": "The pin moves off its face or the stop can be moved by hand: stop and look.",
        "bears-harder": "The pin bears harder or changes face unexpectedly: stop, turn back the last step.",
        "not-as-predicted": (
            "A reading here or at a neighbour, a neighbour's bearing face or the pipe does not follow the "
            "prediction: stop."
        ),
        "resistance": "The adjuster resists, the thread binds, or the rod turns or bends: stop.",
        "engagement-at-least": "The engagement at an end is no longer above the least allowed: stop.",
        "turn-limit": "The turn limit is reached: stop.",
        "end-of-travel": "An indicator nears the end of its scale: stop.",
        "call-the-engineer": (
            "Not free at this many turns: stop and call the engineer. It is more than the designed "
            "imbalance, height, friction and reading tolerances explain."
        ),
        "first-bearing-change": (
            "The pin's bearing changes for the first time, or the rod takes load: stop, read, and plan again."
        ),
        "elevation": "The pipe leaves its elevation tolerance: stop; a weight or a height is wrong.",
    }
)

REFUSALS: Mapping[str, str] = MappingProxyType(
    {
        "no-stop": "A rigid support has no spring and no stop: there is nothing to plan.",
        "horizontal-line-of-action": "The support acts horizontally: raising and lowering do not apply.",
        "stops-are-out": "The stops are out: there is nothing to ease.",
        "stops-are-in": "The stops are in: this work is for a released support.",
        "engagement-below-least": (
            "An end of the adjuster has less engagement than allowed: restore it first, on an engineer's "
            "word."
        ),
        "beyond-turn-limit": "The turns needed pass the turn limit.",
        "beyond-engagement": "The turns needed would leave less engagement than allowed.",
        "beyond-travel": "The position needed lies outside the indicator's scale.",
        "beyond-working-range": "The load wanted lies outside the spring's working range.",
        "beyond-adjustability": "The setting wanted lies outside the load adjustability.",
        "adjuster-has-no-lead": "Both threads have one hand and one pitch: the adjuster changes nothing.",
        "more-than-explained": (
            "The turns needed are more than the designed imbalance with its tolerances explains: call the "
            "engineer first."
        ),
        "rod-would-go-slack": "Before the pin is centred the rod would carry nothing.",
        "too-many-holds": "The work would need more hold points than a plan may have.",
        "nut-does-not-set-load": (
            "The nut does not set the load of a constant support; its load adjuster does."
        ),
        "no-load-adjuster": "A variable support has no load adjuster; its nut sets its load.",
        "elevation-not-right": (
            "The pipe is off its elevation, so reading and elevation cannot both be met: a weight or a "
            "height is wrong. An engineer disposes."
        ),
    }
)

# Formula: what it gives, source, status of the source.
BASIS: Mapping[str, tuple[str, str, str]] = MappingProxyType(
    {
        "series_stiffness": (
            "1/k = 1/k_rod + 1/k_steel + 1/k_assembly + 1/k_line",
            "springs in series",
            "mechanics",
        ),
        "rod_stiffness": (
            "k_rod = number E A / L, stress area of the thread over the whole length, E = 203 GPa",
            "ASME II-D Table TM-1 for E",
            "memory",
        ),
        "easing": (
            "(B -+ s f)/(k p); centre + s (c/2) q/(L p); other face + s c q/(L p); B = S - F_rod",
            "pin in a slot with friction",
            "mechanics",
        ),
        "bearing_face": (
            "upper or lower face gives the sign of S - F_rod within f, through pin_moves_down_when",
            "pin in a slot with friction",
            "mechanics",
        ),
        "engagement": (
            "each end gains or loses its own pitch a turn; remaining turns = (engagement - least)/pitch",
            "screw threads",
            "mechanics",
        ),
        "hold_point_load": (
            "largest change of load between holds",
            "common practice, no source",
            "common_practice",
        ),
        "hold_point_movement": (
            "largest rod movement between holds, which bounds the pipe's",
            "common practice, no source",
            "common_practice",
        ),
        "quarter_steps": (
            "a step is at most a quarter of the whole work",
            "common practice, no source",
            "common_practice",
        ),
        "explained_turns": (
            "(B_design +- f)/(k p) +- (height + reading)/p +- (c/2) q/(L p)",
            "pin in a slot with friction; tolerances as given",
            "mechanics",
        ),
        "variable_load": ("n = dF (1/k_spring + 1/k)/p", "springs in series", "mechanics"),
        "constant_position": (
            "n = (reading - expected)/p, indicator that rises with the pipe",
            "mechanics",
            "mechanics",
        ),
        "friction_relief": ("f/(k p) back after the last movement", "friction", "mechanics"),
        "way_back": ("net turns of the ledger with the other sign", "counting", "mechanics"),
        "load_adjustability": (
            "at least 10 % either way; the record's limits rule",
            "MSS SP-58; GB/T 17116.1 seen on a secondary page",
            "memory",
        ),
        "rod_load_before": ("F_rod = S - k p n, within +-f", "pin in a slot with friction", "mechanics"),
        "break_away": ("f = k p (n_up - n_down)/2", "friction", "mechanics"),
    }
)
