"""Guards of readings, heights and hardware: what shows that a hanger stands as it should.

Readings count only when they were taken with the stops out, in this cycle, after the last turn at any
assembly of the hanger. Up is positive; movement is from cold to hot.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from service.domain.checks import BY_CODE, run_checks
from service.domain.checks.expected import of_hanger
from service.domain.checks.weighed import weighed_by
from service.domain.facts import Fact
from service.domain.release.fold import STOPS_STILL_IN
from service.domain.release.persons import verifier_lacks
from service.domain.release.situation import (
    Assembly,
    Moment,
    Situation,
    is_after,
    latest_work,
    make_lack,
    moment,
)
from service.engineering.comparison import at_least, at_most
from service.engineering.springs import required_reserve_m
from service.errors import Lack
from service.units import Dimension, quantity_from_si, quantity_to_si


def _length(quantity: Mapping[str, Any]) -> float:
    return quantity_to_si(quantity, Dimension.LENGTH)


def _stated(situation: Situation, *path: str) -> Any:
    found: Any = situation.view.record
    for key in path:
        found = None if found is None else found.get(key)
    return found


def _usable(situation: Situation, fact: Fact | None) -> bool:
    """Whether a reading can be read and belongs to this cycle, with the stops out."""
    return (
        fact is not None
        and fact.value["legible"] is not False
        and fact.value["position"] is not None
        and fact.value["cycle"] == situation.view.status["cycle"]
        and fact.value["release_state"] not in STOPS_STILL_IN
    )


def _cold(situation: Situation) -> Iterator[tuple[Assembly, Fact]]:
    """Assemblies with a usable cold reading taken after the last turn and withdrawal."""
    work = latest_work(situation.view)
    for assembly in situation.assemblies():
        fact = assembly.fact("reading/cold")
        if fact is not None and _usable(situation, fact) and is_after(fact, work):
            yield assembly, fact


# --- confirm ---------------------------------------------------------------------------------------
def cold_readings_in(situation: Situation) -> Iterator[Lack]:
    """Each assembly has a legible cold reading of this cycle, with the stops out, after the last turn."""
    read = {assembly.number for assembly, _ in _cold(situation)}
    for assembly in situation.assemblies():
        if assembly.number not in read:
            fact = assembly.fact("reading/cold")
            yield assembly.lack(
                "cold-reading-missing",
                "A legible cold reading is wanted, with the stops out and after the last turn.",
                fact,
                expected="cold reading of this cycle after the last turn",
                known=None if fact is None else {"occurred_at": fact.occurred_at, **fact.value},
            )


def as_expected_cold(situation: Situation) -> Iterator[Lack]:
    """Each cold reading stands within tolerance of the reading expected when released cold.

    The record's expectation counts; where it states none, that of the line's balance. What friction may hold
    a spring off is not added to the tolerance: an indicator that stands off is worked to where it belongs.
    """
    expected, source = _expected_cold(situation)
    if expected is None:
        yield situation.lack(
            "expected-reading-not-stated",
            "Neither record nor balance tells the reading expected released cold; the cold mark does not do.",
            shown_by=situation.view.record_sequence,
        )
        return
    movement = _stated(situation, "design", "vertical_movement")
    tolerance_m = situation.criteria.si("position_least")
    if movement is not None:
        tolerance_m = max(tolerance_m, situation.criteria.si("position_share") * abs(_length(movement)))
    for assembly, fact in _cold(situation):
        found_m, expected_m = _length(fact.value["position"]), _length(expected)
        if not at_most(abs(found_m - expected_m), tolerance_m, scale=max(abs(found_m), abs(expected_m))):
            yield assembly.lack(
                "reading-off-expected",
                f"The cold reading is more than {tolerance_m * 1000.0:g} mm off the one expected{source}.",
                fact,
                expected=expected,
                known=fact.value["position"],
            )


def _expected_cold(situation: Situation) -> tuple[Any, str]:
    """The reading expected when released cold, or None, and the words that name a balance as its source."""
    stated = _stated(situation, "indicator", "expected_released_cold")
    hanger = of_hanger(situation.weighing, situation.view.mark)
    if stated is not None or hanger is None or hanger.expected_released_cold_m is None:
        return stated, ""
    source, _ = weighed_by(situation.weighing) if situation.weighing is not None else ("", [])
    return quantity_from_si(hanger.expected_released_cold_m, "mm", Dimension.LENGTH), f" by the {source}"


def at_elevation(situation: Situation) -> Iterator[Lack]:
    """The pipe stands within tolerance of its design elevation, measured after the last turn.

    The elevation comes from the cold reading or from an inspection, whichever is newer. It says nothing
    for a support whose line of action is horizontal.
    """
    if _stated(situation, "line_of_action") == "horizontal":
        return
    wanted = _stated(situation, "location", "elevation")
    limit_m = situation.criteria.si("elevation_accept")
    for assembly in situation.assemblies():
        found = _elevation(situation, assembly)
        if wanted is None or found is None:
            yield assembly.lack(
                "elevation-not-known",
                "The elevation of the pipe is wanted, as designed and as measured after the last turn.",
                None if found is None else found[1],
                expected=wanted,
                known=None if found is None else found[0],
            )
            continue
        off_m = _length(found[0]) - _length(wanted)
        if not at_most(abs(off_m), limit_m, scale=abs(_length(wanted))):
            yield assembly.lack(
                "elevation-off",
                f"The pipe stands {abs(off_m) * 1000.0:.1f} mm too {'high' if off_m > 0 else 'low'}.",
                found[1],
                expected=wanted,
                known=found[0],
            )


def _elevation(situation: Situation, assembly: Assembly) -> tuple[Any, Fact] | None:
    work = latest_work(situation.view)
    found = [
        (fact.value["elevation"], fact)
        for one, fact in _cold(situation)
        if one.number == assembly.number and fact.value["elevation"] is not None
    ]
    inspected = assembly.fact("elevation")
    if inspected is not None and is_after(inspected, work):
        found.append((inspected.value, inspected))
    return max(found, key=lambda entry: moment(entry[1]), default=None)


def cold_since_withdrawal(situation: Situation) -> Iterator[Lack]:
    """The newest temperature of the line since the stops came out lies in the cold range."""
    fact = situation.view.facts.get("withdrawal")
    yield from _line_cold(situation, None if fact is None else moment(fact))


def cold_since_last_step(situation: Situation) -> Iterator[Lack]:
    """The newest temperature of the line since the hanger's last step lies in the cold range."""
    fact = situation.view.facts.get("status")
    yield from _line_cold(situation, None if fact is None else moment(fact))


def _line_cold(situation: Situation, since: Moment | None) -> Iterator[Lack]:
    low_k, high_k = _cold_range(situation)
    newest = max(_temperatures(situation), key=lambda entry: moment(entry[1]), default=None)
    cold = False
    if newest is not None and is_after(newest[1], since):
        found_k = quantity_to_si(newest[0], Dimension.TEMPERATURE)
        cold = at_least(found_k, low_k) and at_most(found_k, high_k)
    if not cold:
        yield make_lack(
            "line-not-cold",
            "A line temperature inside the cold range is wanted, taken since.",
            f"line/{situation.line.line}",
            expected={"low_k": low_k, "high_k": high_k},
            known=None if newest is None else newest[0],
            shown_by=None if newest is None else newest[1].shown_by,
        )


def _cold_range(situation: Situation) -> tuple[float, float]:
    stated = (situation.line.record or {}).get("cold_range")
    if stated is None:
        return situation.criteria.si("cold_range_low"), situation.criteria.si("cold_range_high")
    low, high = (quantity_to_si(stated[key], Dimension.TEMPERATURE) for key in ("low", "high"))
    return low, high


def _temperatures(situation: Situation) -> Iterator[tuple[Any, Fact]]:
    """Every temperature of the line that is known, whoever noted it and wherever on the line."""
    if "line_temperature" in situation.line.facts:
        fact = situation.line.facts["line_temperature"]
        yield fact.value, fact
    for hanger in (situation.view, *situation.neighbours()):
        for name, fact in hanger.facts.items():
            if name.endswith("/inspected_temperature"):
                yield fact.value, fact
            elif "/reading/" in name and fact.value["line_temperature"] is not None:
                yield fact.value["line_temperature"], fact


def margins_kept(situation: Situation) -> Iterator[Lack]:
    """Cold as read, and hot as predicted from it, the indicator keeps its reserve to both ends."""
    span = _stated(situation, "indicator", "span")
    step_m = _predicted_step_m(situation)
    if span is None or step_m is None:
        yield situation.lack(
            "margin-not-known",
            "The indicator's span and sense and the design movement are wanted to reckon the margins.",
            shown_by=situation.view.record_sequence,
        )
        return
    low_m, high_m = _length(span["low"]), _length(span["high"])
    reserve_m = required_reserve_m(
        high_m - low_m, situation.criteria.si("reserve_share"), situation.criteria.si("reserve_least")
    )
    for assembly, fact in _cold(situation):
        cold_m = _length(fact.value["position"])
        for when, position_m in (("cold", cold_m), ("hot", cold_m + step_m)):
            margin_m = min(position_m - low_m, high_m - position_m)
            if not at_least(margin_m, reserve_m, scale=max(abs(low_m), abs(high_m))):
                yield assembly.lack(
                    "margin-not-kept",
                    f"Only {margin_m * 1000.0:.1f} mm of travel are left {when}.",
                    fact,
                    expected=reserve_m,
                    known={"when": when, "margin_m": margin_m},
                )


def _predicted_step_m(situation: Situation) -> float | None:
    """Change of the reading from cold to hot [m]; None where the record does not tell.

    For a horizontal line of action it is what the marks show.
    """
    indicator = _stated(situation, "indicator") or {}
    if _stated(situation, "line_of_action") == "horizontal":
        if "cold_mark" not in indicator or "hot_mark" not in indicator:
            return None
        return _length(indicator["hot_mark"]) - _length(indicator["cold_mark"])
    movement = _stated(situation, "design", "vertical_movement")
    sense = indicator.get("rises_when_pipe")
    if movement is None or sense is None:
        return None
    return _length(movement) if sense == "rises" else -_length(movement)


def pair_reads_alike(situation: Situation) -> Iterator[Lack]:
    """The cold positions of the hanger's assemblies lie within the criterion of each other."""
    positions = [_length(fact.value["position"]) for _, fact in _cold(situation)]
    limit_m = situation.criteria.si("pair_reading_max")
    apart_m = max(positions, default=0.0) - min(positions, default=0.0)
    if not at_most(apart_m, limit_m, scale=max(map(abs, positions), default=0.0)):
        yield situation.lack(
            "pair-readings-apart",
            f"The assemblies stand {apart_m * 1000.0:.1f} mm apart.",
            expected=limit_m,
            known=apart_m,
        )


def hardware_verified(situation: Situation) -> Iterator[Lack]:
    """The retaining hardware was seen on both ends of the pin after the last turn."""
    for assembly in situation.assemblies():
        fact = assembly.fact("retaining_hardware")
        on = fact is not None and fact.value == {"one_end": True, "other_end": True}
        if fact is None or not on or not is_after(fact, latest_work(situation.view)):
            yield assembly.lack(
                "retaining-hardware-missing",
                "The retaining hardware has to be seen on both ends after the last turn.",
                fact,
                expected={"one_end": True, "other_end": True},
                known=None if fact is None else fact.value,
            )


def adjuster_verified(situation: Situation) -> Iterator[Lack]:
    """The adjuster's locking device was seen on after the last turn."""
    for assembly in situation.assemblies():
        fact = assembly.fact("adjuster_locked")
        if fact is None or fact.value is not True or not is_after(fact, latest_work(situation.view)):
            yield assembly.lack(
                "adjuster-not-locked",
                "The adjuster's locking device has to be seen on after the last turn.",
                fact,
                expected=True,
                known=None if fact is None else fact.value,
            )


def verified_by_others(situation: Situation) -> Iterator[Lack]:
    """Nobody who performed stands behind the verification of hardware and locking device."""
    for assembly in situation.assemblies():
        for field in ("retaining_hardware", "adjuster_locked"):
            both = verifier_lacks(situation, f"assembly/{assembly.number}/verified_by/{field}")
            if both:
                yield assembly.lack(
                    "verifier-performed",
                    f"The {field.replace('_', ' ')} has to be verified by somebody who did not perform.",
                    assembly.fact(f"verified_by/{field}"),
                    expected="another person",
                    known=sorted(both),
                )


# --- relock ----------------------------------------------------------------------------------------
def cold_position_known(situation: Situation) -> Iterator[Lack]:
    """Where the spring stands cold was read after the last hot reading: the stops go in there."""
    for assembly in situation.assemblies():
        fact = assembly.fact("reading/cold")
        hot = [
            moment(warm)
            for warm in (assembly.fact(f"reading/{condition}") for condition in ("heating", "hot", "cooling"))
            if warm is not None
        ]
        usable = fact is not None and _usable(situation, fact) and is_after(fact, latest_work(situation.view))
        if fact is None or not usable or not is_after(fact, max(hot, default=None)):
            yield assembly.lack(
                "cold-reading-missing",
                "The position in which the stops are put back has to be read cold.",
                fact,
                expected="cold reading after the last hot one",
                known=None if fact is None else {"occurred_at": fact.occurred_at, **fact.value},
            )


# --- prove -------------------------------------------------------------------------------------------
def hot_readings_in(situation: Situation) -> Iterator[Lack]:
    """Each assembly has a legible hot reading of the released hanger, taken after it was confirmed."""
    confirmed = situation.view.facts.get("confirmation")
    since = None if confirmed is None else moment(confirmed)
    for assembly in situation.assemblies():
        fact = assembly.fact("reading/hot")
        counts = _usable(situation, fact) and fact is not None and fact.value["release_state"] == "released"
        after = fact is not None and is_after(fact, since) and is_after(fact, latest_work(situation.view))
        if not counts or not after or confirmed is None:
            yield assembly.lack(
                "hot-reading-missing",
                "A legible hot reading of the released hanger is wanted, taken after it was confirmed.",
                fact,
                expected="hot reading while released",
                known=None if fact is None else {"occurred_at": fact.occurred_at, **fact.value},
            )


def hot_checks_pass(situation: Situation) -> Iterator[Lack]:
    """Every check of the readings that acceptance rests on passes; what cannot be said does not pass."""
    rows = run_checks(
        situation.view,
        situation.criteria,
        line=situation.line,
        groups=("read",),
        weighing=situation.weighing,
    )
    for row in rows:
        if "acceptance" in BY_CODE[row["rule"]].purposes and row["status"] in ("fail", "cannot_say"):
            yield situation.lack(
                "hot-check-not-passed",
                f"{row['rule']}: {row['message']}",
                expected={"rule": row["rule"], "limit": row["limit"]},
                known={"status": row["status"], "found": row["found"]},
            )
