"""Hangers of a line model as the line feels them, from their records.

A record speaks of one assembly or of the hanger; here all assemblies of a hanger are taken together and
loads are at the pipe. What a record does not state is None and its pointer is noted; a part of the rod's
path that is not stated counts as rigid and is named.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final, cast

from service.domain.checks import strength
from service.domain.checks.look import Answer, Look, Subject
from service.domain.checks.table import DRAWING, Rule
from service.domain.criteria import Criteria
from service.domain.line_models.built import SupportedHanger
from service.engineering import springs
from service.engineering.nut_plans import lead_per_turn_m, rod_stiffness_n_per_m
from service.engineering.nut_plans.engagement import Hands
from service.engineering.threads import Thread
from service.units import Dimension, quantity_to_si

FORCE, LENGTH, RATE, RATIO = Dimension.FORCE, Dimension.LENGTH, Dimension.STIFFNESS, Dimension.RATIO

LEAST_CAPACITY_N: Final = 1.0
"""Capacity of what can carry nothing beside its own hardware: above zero, so that any load exceeds it [N]."""

# Shares of assemblies that differ by less than this are equal.
_EQUAL: Final = 1e-9
# A scale may be this much longer than the travel before the two contradict each other.
_SPAN_TOLERANCE: Final = 0.02
# Only the look at a record is wanted here; the rule that a look belongs to gives no row.
_READING: Final = Rule(
    "line-model", "design", "Reading a record for the line's model.", lambda look: {}, basis=DRAWING
)


def supported_hanger(
    entry: Mapping[str, Any],
    record: Mapping[str, Any],
    criteria: Criteria,
    *,
    net_turns: float = 0.0,
    load_adjuster_turns: float = 0.0,
    released: bool = False,
    relocked: bool = False,
    locked_reading_m: float | None = None,
) -> SupportedHanger:
    """A hanger of the model with what its record states.

    Args:
        entry: the hanger in the line model: node, and height where it was surveyed
        record: its record
        criteria: allowable stresses for rods whose record states none
        net_turns: turned since erection, positive where the load was raised
        load_adjuster_turns: turns of the load adjuster off the calibrated load, likewise
        released: whether every stop is out now
        relocked: whether the stops were put back after a release, where the pin then stood
        locked_reading_m: what the indicator shows since; None where no reading tells [m]
    """
    found = _Reader(record, criteria, load_adjuster_turns).hanger(entry, net_turns, released)
    if not relocked or found.kind == "rigid":
        return found
    drawn_m, sign = found.locked_reading_m, found.indicator_sign
    at_m = None
    if locked_reading_m is not None and drawn_m is not None and sign is not None:
        at_m = sign * (locked_reading_m - drawn_m)
    return replace(found, locked_at_m=at_m)


class _Reader:
    """Reads one record."""

    def __init__(self, record: Mapping[str, Any], criteria: Criteria, load_adjuster_turns: float) -> None:
        self._record = record
        self._load_adjuster_turns = load_adjuster_turns
        self._subject = Subject(record, {}, None, None, criteria)
        self._look = Look(self._subject, _READING)
        self._kind = str(record["kind"])
        self._count: int | None = self._subject.assemblies or None

    # --- the record ---------------------------------------------------------------------------------
    def _si(self, pointer: str, dimension: Dimension) -> float | None:
        """A quantity of the record; None and noted where it is not stated."""
        return _known(self._look.si(pointer, dimension))

    def _number(self, pointer: str) -> float | None:
        """A plain number of the record; None and noted where it is not stated."""
        value = self._look.value(pointer)
        return None if value is None else float(value)

    def _of_all(self, pointer: str, dimension: Dimension) -> float | None:
        """A quantity of one assembly, for all of them; each of them is alike."""
        one = self._si(pointer, dimension)
        if self._count is None:
            self._look.lack("/assemblies")
        return None if one is None or self._count is None else one * self._count

    def _at_pipe(self, capacity_n: float | None) -> float | None:
        """Load at the pipe at which the assembly that carries most reaches what one may carry."""
        hardware = self._si("/design/hardware_weight", FORCE)
        share = self._largest_share()
        if capacity_n is None or hardware is None or share is None:
            return None
        return max(capacity_n / share - hardware, LEAST_CAPACITY_N)

    def _largest_share(self) -> float | None:
        """Largest share of the hanger's load that one assembly carries; None where it is not stated."""
        if self._count is None:
            self._look.lack("/assemblies")
            return None
        shares = [
            Look(self._subject, _READING, number, missing=self._look.missing).load_share()
            for number in range(1, self._count + 1)
        ]
        largest = max(shares) if not any(math.isnan(share) for share in shares) else 0.0
        return largest if largest > 0.0 else None

    def _uneven_n(self, largest: float) -> float | None:
        """By how much shares that differ take the load of some rod off that of its own spring [N].

        The springs of a hanger are alike: with a share s of n rods the stop of one holds s times what the
        hanger is off, and s - 1/n of the force of all springs besides. None where that force is not known.
        """
        count = cast("int", self._count)
        shares = [Look(self._subject, _READING, number).load_share() for number in range(1, count + 1)]
        beyond = max(largest - 1.0 / count, 1.0 / count - min(shares))
        if beyond <= _EQUAL:
            return 0.0
        load = self._spring_load()
        return None if load is None else beyond * load

    # --- the hanger -----------------------------------------------------------------------------------
    def hanger(self, entry: Mapping[str, Any], net_turns: float, released: bool) -> SupportedHanger:
        """The hanger; arguments as `supported_hanger`."""
        height = entry.get("height", {})
        series, rigid_parts = self._series()
        fields: dict[str, Any] = {
            "series_n_per_m": series,
            "rigid_parts": rigid_parts,
            "height_error_m": _stated(height, "error"),
            "height_uncertainty_m": _stated(height, "uncertainty"),
            "operating_load_n": self._si("/design/operating_load", FORCE),
            **self._rods(),
        }
        if self._kind != "rigid":
            fields |= {"net_turns": net_turns, "released": released, **self._spring(), **self._adjuster()}
            fields |= {**self._stop(), **self._indicator()}
        return SupportedHanger(
            str(self._record["mark"]),
            cast("Any", self._kind),
            entry["node"],
            missing=tuple(str(pointer) for pointer in self._look.missing),
            **fields,
        )

    def _spring(self) -> dict[str, Any]:
        """Load, rate, friction, travel and design movement of a spring."""
        rate = self._of_all("/design/spring_rate", RATE) if self._kind == "variable" else 0.0
        load = self._spring_load()
        hardware = self._si("/design/hardware_weight", FORCE)
        friction = self._si("/design/friction", RATIO)
        low, high = self._travel()
        installed = self._installed(hardware)
        return {
            "spring_load_n": None if load is None or hardware is None else load - hardware,
            "rate_n_per_m": rate,
            "friction_n": None if load is None or friction is None else friction * load,
            "travel_low_m": low,
            "travel_high_m": high,
            "installed_load_n": installed,
            "design_movement_m": self._si("/design/vertical_movement", LENGTH),
        }

    def _installed(self, hardware: float | None) -> float | None:
        """Cold load at the pipe of a variable spring; wanted for comparison alone, so never missing."""
        one = self._look.optional_si("/design/installed_load", FORCE) if self._kind == "variable" else None
        if one is None or hardware is None or self._count is None:
            return None
        return one * self._count - hardware

    def _spring_load(self) -> float | None:
        """Force of all springs as locked, hardware weight included [N].

        A constant support's is its calibrated load, or what its load adjuster made of it. A variable
        spring's that is not stated follows from the locked reading, the hot mark, the rate and the operating
        load where all of them are.
        """
        stated = "/design/locked_position/load"
        if self._kind == "constant":
            fallback = self._look.optional("/design/calibrated_load") is None and self._look.optional(stated)
            load = self._of_all(stated if fallback else "/design/calibrated_load", FORCE)
            return load if self._load_adjuster_turns == 0.0 else self._adjusted(load)
        if self._look.optional(stated) is not None:
            return self._of_all(stated, FORCE)
        derived = self._load_from_reading()
        if derived is None:
            self._look.lack(stated)
        return derived

    def _adjusted(self, load_n: float | None) -> float | None:
        """The load of a constant support whose load adjuster stands off the calibrated load [N]."""
        per_turn = self._of_all("/design/load_adjustability/load_per_turn", FORCE)
        if load_n is None or per_turn is None:
            return None
        return load_n + self._load_adjuster_turns * per_turn

    def _load_from_reading(self) -> float | None:
        aside = Look(self._subject, _READING)
        reading = aside.si("/design/locked_position/reading", LENGTH)
        hot_mark = aside.si("/indicator/hot_mark", LENGTH)
        rate = aside.si("/design/spring_rate", RATE) * (self._count or math.nan)
        load = aside.si("/design/operating_load", FORCE) + aside.si("/design/hardware_weight", FORCE)
        sense = aside.value("/indicator/rises_when_pipe")
        if sense is None:
            return None
        rise = springs.rise_from_reading_m(reading, hot_mark, sense == "rises")
        found = springs.load_at_position_n(load, rate, rise)
        return _known(found)

    def _travel(self) -> tuple[float | None, float | None]:
        """Ends of travel from the locked position, up positive [m].

        From the ends of the scale; a variable spring without a scale has the ends of its working range.
        """
        reading = self._si("/design/locked_position/reading", LENGTH)
        sense = self._look.value("/indicator/rises_when_pipe")
        low = self._look.optional_si("/indicator/span/low", LENGTH)
        high = self._look.optional_si("/indicator/span/high", LENGTH)
        if low is None or high is None:
            return self._working_range()
        total = self._look.optional_si("/design/total_travel", LENGTH)
        if total is not None and high - low > total * (1.0 + _SPAN_TOLERANCE):
            # The scale is longer than the travel: where on it the travel ends is not told.
            self._look.lack("/indicator/span")
            return None, None
        if reading is None or sense is None:
            return None, None
        if not low <= reading <= high:
            self._look.lack("/design/locked_position/reading")
            return None, None
        ends = [springs.rise_from_reading_m(end, reading, sense == "rises") for end in (low, high)]
        return min(ends), max(ends)

    def _working_range(self) -> tuple[float | None, float | None]:
        aside = Look(self._subject, _READING)
        least = aside.si("/design/working_range/minimum_load", FORCE)
        most = aside.si("/design/working_range/maximum_load", FORCE)
        rate = aside.si("/design/spring_rate", RATE)
        load = self._spring_load()
        one = math.nan if load is None or self._count is None else load / self._count
        if self._kind != "variable" or not least <= one <= most or not rate > 0.0:
            self._look.lack("/indicator/span")
            return None, None
        return (one - most) / rate, (one - least) / rate

    def _adjuster(self) -> dict[str, Any]:
        """Lead and turn limits. A lead that is not stated follows from the threads and their hands."""
        return {
            "lead_m": self._lead(),
            "turn_limit_raise": self._number("/adjuster/turn_limit_raise"),
            "turn_limit_lower": self._number("/adjuster/turn_limit_lower"),
        }

    def _lead(self) -> float | None:
        stated = self._look.optional_si("/adjuster/lead_per_turn", LENGTH)
        if stated is not None:
            return stated
        aside = Look(self._subject, _READING)
        hands = aside.value("/adjuster/hands")
        first = aside.thread("/adjuster/thread")
        second: Thread | None = None
        if hands == "same_hand_coupler" or aside.optional("/adjuster/second_thread") is not None:
            second = aside.thread("/adjuster/second_thread")
        if first is None or aside.missing:
            self._look.lack("/adjuster/lead_per_turn")
            return None
        return lead_per_turn_m(
            cast("Hands", hands), first.pitch_m, None if second is None else second.pitch_m
        )

    def _stop(self) -> dict[str, Any]:
        """Slot, linkage, and what the stops and the locked assemblies hold."""
        linkage = self._number("/stop/linkage_ratio")
        share = self._largest_share()
        uneven = None if share is None else self._uneven_n(share)

        def held(pointer: str) -> float | None:
            one = self._si(pointer, FORCE)
            if one is None or linkage is None or share is None or uneven is None:
                return None
            # The pin's force is the rod's over the linkage ratio.
            return max((one * linkage - uneven) / share, LEAST_CAPACITY_N)

        return {
            "slot_clearance_m": self._si("/stop/slot_clearance", LENGTH),
            "linkage_ratio": linkage,
            "stop_capacity_up_n": held("/design/stop_capacity_up"),
            "stop_capacity_down_n": held("/design/stop_capacity_down"),
            "locked_capacity_n": self._at_pipe(self._si("/design/locked_assembly_capacity", FORCE)),
        }

    def _indicator(self) -> dict[str, Any]:
        """The position indicator: its sense and its marks."""
        sense = self._look.value("/indicator/rises_when_pipe")
        return {
            "indicator_sign": None if sense is None else 1 if sense == "rises" else -1,
            "locked_reading_m": self._si("/design/locked_position/reading", LENGTH),
            "cold_mark_m": self._si("/indicator/cold_mark", LENGTH),
            "hot_mark_m": self._si("/indicator/hot_mark", LENGTH),
            "expected_released_cold_m": self._look.optional_si("/indicator/expected_released_cold", LENGTH),
        }

    # --- the rod's path ---------------------------------------------------------------------------------
    def _series(self) -> tuple[float, tuple[str, ...]]:
        """Stiffness of rods, steel and assembly in series [N/m], and which of them count as rigid."""
        compliance, rigid_parts = 0.0, []
        rod = None if self._subject.from_below else self._rod_stiffness()
        steel = self._look.optional_si("/design/steel_stiffness", RATE)
        for name, part in (("rod", rod), ("steel", steel), ("assembly", None)):
            if part is not None:
                compliance += 1.0 / part
            elif name != "rod" or not self._subject.from_below:
                rigid_parts.append(name)
        return (1.0 / compliance if compliance > 0.0 else math.inf), tuple(rigid_parts)

    def _rod_stiffness(self) -> float | None:
        aside = Look(self._subject, _READING)
        thread = aside.thread("/rod/thread")
        length = aside.si("/rod/length_between_pins", LENGTH)
        number = aside.value("/rod/number")
        # A length that is nothing in metres makes a rigid rod.
        if thread is None or aside.missing or self._count is None or not length > 0.0:
            return None
        return rod_stiffness_n_per_m(thread.stress_area_m2, length, int(number)) * self._count

    def _rods(self) -> dict[str, Any]:
        """What the rods may carry at the pipe, in operation and under test; a base spring has none."""
        if self._subject.from_below:
            return {}
        return {
            "rod_capacity_n": self._at_pipe(self._rod(strength.operating_stress(self._look))),
            "rod_test_capacity_n": self._at_pipe(self._rod(strength.test_stress(self._look))),
        }

    def _rod(self, stress_pa: float) -> float | None:
        """What the rods of one assembly may carry at an allowable stress [N]."""
        aside = Look(self._subject, _READING)
        try:
            carried = strength.rods_under(aside, stress_pa)
        except Answer:
            for pointer in aside.missing:
                self._look.lack(pointer)
            return None
        # The limit of the comparison is the capacity, whatever the load.
        return carried(0.0).limit


def _known(value: float) -> float | None:
    return None if math.isnan(value) else value


def _stated(entry: Mapping[str, Any], name: str) -> float | None:
    return quantity_to_si(entry[name], LENGTH) if name in entry else None
