"""Guards: what a step of the release, a turn or a stop act still lacks.

`GUARDS` lists for each step the conditions that it wants, all of them. A condition that cannot be
judged for want of data is a lack like any other. `TURN_GUARDS` and `STOP_GUARDS` do the same for turns
of the adjuster and for stop acts.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Final

from service.domain.instants import parse_instant
from service.domain.release import adjuster, readings, stop_register
from service.domain.release.line_state import authorisations_in_force
from service.domain.release.persons import a_person, not_a_conceder, not_the_authoriser, role_lacks
from service.domain.release.situation import Situation, make_lack
from service.domain.views import HangerView
from service.errors import Lack

Guard = Callable[[Situation], Iterator[Lack]]

__all__ = ["GUARDS", "STOP_GUARDS", "TURN_GUARDS", "Guard", "Situation", "lacks", "stop_lacks", "turn_lacks"]


# --- guards of the step itself ----------------------------------------------------------------------
def through_authorisation(situation: Situation) -> Iterator[Lack]:
    """A hanger is cleared by the authorisation of its line and in no other way."""
    yield make_lack(
        "line-authorisation-needed",
        "The hanger is cleared by the authorisation of its line.",
        f"line/{situation.line.line}",
        expected="authorisation",
    )


def after_last_step(situation: Situation) -> Iterator[Lack]:
    """The step did not happen before the hanger's last one."""
    fact = situation.view.facts.get("status")
    if fact is not None and situation.occurred_at < parse_instant(fact.occurred_at):
        yield situation.lack(
            "before-last-transition",
            "The time lies before the hanger's last transition.",
            expected=f"not before {fact.occurred_at}",
            known=situation.occurred_at.isoformat(),
            shown_by=fact.shown_by,
        )


def reason_given(situation: Situation) -> Iterator[Lack]:
    """A reason has to be given."""
    if not situation.act.get("reason"):
        yield situation.lack("reason-missing", "A reason has to be given.", expected="reason")


def purpose_given(situation: Situation) -> Iterator[Lack]:
    """What the hanger is locked again for has to be given."""
    if not situation.act.get("purpose"):
        yield situation.lack(
            "purpose-missing", "What the hanger is locked again for has to be given.", expected="purpose"
        )


def disposition_given(situation: Situation) -> Iterator[Lack]:
    """A disposition says where the hanger goes."""
    if situation.act.get("to") not in ("resume", "locked"):
        yield situation.lack(
            "disposition-missing",
            "The disposition has to say where the hanger goes.",
            expected=["resume", "locked"],
            known=situation.act.get("to"),
        )


def cleared_and_authorised(situation: Situation) -> Iterator[Lack]:
    """The authorisation under which the hanger was cleared is still in force."""
    fact = situation.line.facts.get("authorisation")
    own = situation.view.status["authorisation"]
    in_force = authorisations_in_force(situation.line)
    if own not in in_force:
        yield situation.lack(
            "authorisation-not-valid",
            "The hanger does not stand cleared under an authorisation in force.",
            expected=sorted(in_force),
            known=own,
            shown_by=None if fact is None else fact.shown_by,
        )


def line_ready(situation: Situation) -> Iterator[Lack]:
    """The line is still ready for release."""
    blockers = situation.release_blockers
    subject = f"line/{situation.line.line}"
    if blockers is None:
        yield make_lack(
            "readiness-not-known", "It is not known whether the line is ready.", subject, expected="ready"
        )
    elif blockers:
        yield make_lack(
            "line-not-ready",
            f"The line is not ready for release: {len(blockers)} blockers.",
            subject,
            expected="ready",
            known=[{"code": blocker.code, "subject": blocker.subject} for blocker in blockers],
            shown_by=max((b.shown_by for b in blockers if b.shown_by is not None), default=None),
        )


def alone_in_easing(situation: Situation) -> Iterator[Lack]:
    """No other hanger of the line is in easing, unless each names the other as its pair."""
    named = {mark.casefold() for mark in situation.act.get("paired_with", ())}
    for hanger in situation.neighbours():
        status = hanger.status
        if "easing" not in (status["state"], status["held_from"]):
            continue
        names_this = situation.view.mark.casefold() in {mark.casefold() for mark in status["paired_with"]}
        if not (names_this and hanger.mark.casefold() in named):
            yield situation.lack(
                "another-in-easing",
                f"{hanger.mark} is in easing and not paired with this hanger.",
                expected="no other hanger in easing, or one paired both ways",
                known=hanger.mark,
                shown_by=_status_shown_by(hanger),
            )


def _status_shown_by(hanger: HangerView) -> int | None:
    fact = hanger.facts.get("status")
    return None if fact is None else fact.shown_by


# --- the table ----------------------------------------------------------------------------------------
GUARDS: Final[Mapping[str, tuple[Guard, ...]]] = {
    "clear": (through_authorisation,),
    "ease": (
        after_last_step,
        a_person,
        not_the_authoriser,
        not_a_conceder,
        cleared_and_authorised,
        line_ready,
        alone_in_easing,
    ),
    "withdraw": (
        after_last_step,
        a_person,
        not_the_authoriser,
        not_a_conceder,
        stop_register.assemblies_stated,
        stop_register.counted_as_drawn,
        stop_register.none_beyond_drawn,
        stop_register.undamaged,
        stop_register.every_stop_in,
        stop_register.every_stop_free,
        stop_register.seen_after_disturbance,
        stop_register.seen_recently,
        stop_register.seen_before_act,
        stop_register.withdrawn_as_drawn,
        adjuster.engagement_shown,
        adjuster.engagement_not_short,
    ),
    "position": (
        after_last_step,
        a_person,
        not_the_authoriser,
        not_a_conceder,
        stop_register.all_out_on_line,
    ),
    "confirm": (
        after_last_step,
        a_person,
        not_the_authoriser,
        not_a_conceder,
        stop_register.assemblies_stated,
        stop_register.withdrawn_all_stowed,
        stop_register.counted_out,
        adjuster.within_limits,
        adjuster.engagement_not_short,
        adjuster.pair_alike,
        adjuster.load_adjuster_back,
        readings.cold_readings_in,
        readings.as_expected_cold,
        readings.at_elevation,
        readings.cold_since_withdrawal,
        readings.margins_kept,
        readings.pair_reads_alike,
        readings.hardware_verified,
        readings.adjuster_verified,
        readings.verified_by_others,
    ),
    "prove": (
        after_last_step,
        a_person,
        stop_register.assemblies_stated,
        readings.hot_readings_in,
        readings.hot_checks_pass,
    ),
    "abandon": (
        after_last_step,
        a_person,
        stop_register.assemblies_stated,
        stop_register.counted_as_drawn,
        stop_register.every_stop_in,
        adjuster.engagement_not_short,
    ),
    "reinsert": (
        after_last_step,
        a_person,
        stop_register.assemblies_stated,
        stop_register.counted_in_again,
        stop_register.every_stop_in,
        adjuster.engagement_shown,
        adjuster.engagement_not_short,
    ),
    "reposition": (
        after_last_step,
        a_person,
        not_the_authoriser,
        not_a_conceder,
        reason_given,
    ),
    "relock": (
        after_last_step,
        a_person,
        purpose_given,
        stop_register.assemblies_stated,
        stop_register.counted_in_again,
        stop_register.every_stop_in,
        readings.cold_since_last_step,
        readings.cold_position_known,
    ),
    "hold": (
        after_last_step,
        reason_given,
    ),
    "dispose": (
        after_last_step,
        a_person,
        reason_given,
        disposition_given,
        stop_register.held_as_stands,
        stop_register.in_for_locked,
    ),
}


# Guards of the act itself: who does it, when, and what the document says. The rest judges the facts.
OF_THE_ACT: Final = frozenset(
    {
        after_last_step,
        a_person,
        not_the_authoriser,
        not_a_conceder,
        reason_given,
        purpose_given,
        disposition_given,
        stop_register.withdrawn_as_drawn,
    }
)


def in_this_cycle(situation: Situation) -> Iterator[Lack]:
    """Turns of an earlier cycle cannot enter this cycle's ledger; the engagement is measured instead."""
    started = situation.view.status["cycle_started_at"]
    if started is not None and situation.occurred_at < parse_instant(started):
        yield situation.lack(
            "before-cycle",
            "The turns were made before the present cycle began; measure the engagement instead.",
            expected=f"not before {started}",
            known=situation.occurred_at.isoformat(),
        )


# What any turn wants that is written down, also on hold and as a correction.
TURN_ALWAYS: Final[tuple[Guard, ...]] = (
    adjuster.turn_assembly,
    adjuster.turn_device,
)
# On hold, what was done already is written down, so that the ledger stays true.
TURN_ON_HOLD: Final[tuple[Guard, ...]] = (
    *TURN_ALWAYS,
    in_this_cycle,
)
TURN_GUARDS: Final[tuple[Guard, ...]] = (
    *TURN_ON_HOLD,
    adjuster.turn_open,
    a_person,
    not_the_authoriser,
    not_a_conceder,
    adjuster.turn_after_engagement,
    adjuster.turn_keeps_limits,
    adjuster.turn_keeps_engagement,
    adjuster.turn_keeps_pair,
)
STOP_GUARDS: Final[tuple[Guard, ...]] = (a_person, stop_register.stop_act)


def lacks(transition: str, situation: Situation) -> list[Lack]:
    """What a step still lacks.

    Args:
        transition: a step that the machine knows
        situation: the act and everything that its guard looks at

    Returns:
        every lack, in the order of the table; none when the guard is met. Whether the step starts from
        the present state is the machine's to say.
    """
    found = list(role_lacks(transition, situation))
    return found + _judge(GUARDS.get(transition, ()), situation)


def standing_lacks(transition: str, situation: Situation) -> list[Lack]:
    """What a step lacks whoever takes it and whatever the act's document says; arguments as `lacks`."""
    wanted = tuple(guard for guard in GUARDS.get(transition, ()) if guard not in OF_THE_ACT)
    return _judge(wanted, situation)


def turn_lacks(situation: Situation) -> list[Lack]:
    """What turning the adjuster still lacks; the act is a turn's document, not a withdrawal of one.

    On hold anything already done may be written down, so that the ledger stays true. It opens nothing:
    a step judges the ledger again. A correction tells what was done then, so that today's state and
    ledger do not judge it; the steps passed since are examined again (`corrections.reexamine`).
    """
    if situation.view.kind == "rigid":
        return [_nothing_to_release(situation)]
    if "corrects" in situation.act:
        return _judge(TURN_ALWAYS, situation)
    return _judge(TURN_ON_HOLD if situation.view.state == "on_hold" else TURN_GUARDS, situation)


def stop_lacks(situation: Situation) -> list[Lack]:
    """What a stop act still lacks; the act is a stop's document, not a withdrawal of one."""
    if situation.view.kind == "rigid":
        return [_nothing_to_release(situation)]
    return _judge(STOP_GUARDS, situation)


def _judge(wanted: tuple[Guard, ...], situation: Situation) -> list[Lack]:
    return [lack for guard in wanted for lack in guard(situation)]


def _nothing_to_release(situation: Situation) -> Lack:
    return situation.lack(
        "nothing-to-release", "A rigid hanger has no stop and nothing to turn for release.", known="rigid"
    )
