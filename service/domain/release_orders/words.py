"""The words of an order of release, by code."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

STATUS: Mapping[str, str] = MappingProxyType(
    {
        "offered": "An order that keeps everything that can be weighed within its limits.",
        "final_state_unsafe": (
            "No order is offered: with every stop out a hanger will or may stand at an end of its travel."
        ),
        "none_safe": "No order is offered: every order passes a limit, or may within the friction bands.",
        "no_load_path": "No order is offered: at some step nothing would fix the line's height.",
        "cannot_say": "No order is offered: something that it rests on is not known.",
        "nothing_to_release": "Every stop is out already.",
    }
)

CAUTIONS: Mapping[str, str] = MappingProxyType(
    {
        "authority": (
            "The drawings, the site procedure, local codes and a licensed engineer take precedence over "
            "this order."
        ),
        "never-force-a-stop": (
            "A stop that is not free by hand is carrying load: never drive, burn, pry, pull or jack it out."
        ),
        "only-freedom-counts": (
            "The figures predict; only a stop seen free by hand, with no face bearing, may be withdrawn."
        ),
        "one-at-a-time": "One hanger at a time, or the pair planned together; look at the neighbours.",
        "indicative": (
            "Pick-up heights are not surveyed, so every figure is indicative: bearing faces and turns "
            "observed override them."
        ),
        "direction-not-certain": (
            "Which way it has to be turned is not certain: try the stop by hand, look at the bearing face, "
            "then one flat and look."
        ),
        "may-be-free-already": "The pin may be free before any turn: try the stop by hand first.",
        "rotation-not-known": (
            "The record does not say which hand raises: try the first flat and see which way the rod end "
            "goes."
        ),
        "face-not-known": (
            "The record does not say which way the pin moves when the rod's tension rises: the face to "
            "expect is not told."
        ),
        "interval-not-known": (
            "Nothing but this hanger fixes the line's height, so no interval can be told: single flats, and "
            "look."
        ),
        "rod-slack": "The rod hangs loose before the step: the first turns only take up its slack.",
        "eased-together": "Turn the nuts of the pair by turns, in small steps, until both pins are free.",
        "nuts-off-zero": (
            "Some nuts stand off zero net turns, and the order takes every nut back to zero. Where one was "
            "set so in an earlier cycle, keep it: ask for the order with nuts left, and for the engineer."
        ),
        "least-bad-not-searched": (
            "No order will be offered, and on so long a line no better one was searched for: what is shown "
            "is the order given, or that of the register."
        ),
        "friction-not-bounded": (
            "Within the friction bands a contact may change, so the worst case is an estimate, not a bound."
        ),
        "friction-not-known": "Friction is not weighed: it is not stated.",
        "not-weighed": "Something that may be overloaded has no stated limit: see not_weighed.",
        "nuts-stay": "The nuts stay where the stops came out: positions are set after the last stop is out.",
        "temporary-supports": (
            "The temporary supports have to be in and tight before the first step, and out before the line "
            "is confirmed."
        ),
    }
)

STOPS: Mapping[str, str] = MappingProxyType(
    {
        "call-the-engineer": (
            "Not free at this many turns: stop and call the engineer. It is more than the designed "
            "imbalance, heights, friction and reading tolerance explain."
        ),
        "wrong-way": (
            "The pin bears harder, or the stop comes free only the other way: stop, turn back, call the "
            "engineer."
        ),
        "neighbour-differs": (
            "A neighbour's reading leaves the interval given, or its bearing changes where no change is "
            "told: stop and call the engineer."
        ),
        "other-face": "The pin has gone to the other face of its slot: stop, turn back to the middle.",
        "end-of-travel": "An indicator nears the end of its scale: stop.",
    }
)

HOLDS: Mapping[str, str] = MappingProxyType(
    {
        "order-not-offered": "No order was offered: there is no step to take.",
        "out-of-order": "Stops are out that the order takes out later: its figures no longer hold.",
        "hanger-on-hold": "A hanger of the line is on hold: the engineer has to dispose of it first.",
        "wrong-hanger-under-way": "A hanger is being eased whose turn it is not.",
        "stops-not-known": "Whether the stops of a hanger are out is not known, or some are in and some out.",
        "net-turns-not-known": "The turns of a hanger are not on record.",
        "turned-the-wrong-way": "The nut was turned the other way than the order tells.",
        "more-turns-than-explained": (
            "More turns were made than the designed imbalance, heights, friction and tolerances explain."
        ),
        "fewer-turns-than-expected": "The stop came out after fewer turns than the order tells as possible.",
        "nut-not-returned": "The stops are out, and the nut is not back where the order wants it.",
        "bearing-not-as-expected": "The pin bears on another face than the order tells.",
        "reading-not-as-expected": "A reading taken since the last step leaves the order's interval.",
        "hanger-not-in-order": "A spring hanger of the line is not part of the order.",
        "stop-back-in": "A stop is in that was out when the order was made.",
    }
)
