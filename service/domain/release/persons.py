"""Persons: who authorises or concedes does not perform, who performs does not verify.

People are compared by their ids, over who did it and who entered it. A system never counts as a person.
The criterion `separate_persons` turns the comparison off; that a person is needed stays.
"""

from __future__ import annotations

from collections.abc import Iterator

from service.domain.instants import parse_instant
from service.domain.release.machine import TRANSITIONS
from service.domain.release.situation import Situation
from service.errors import Lack


def role_lacks(name: str, situation: Situation) -> Iterator[Lack]:
    """The caller's role has to permit the step."""
    permission = TRANSITIONS[name].permission
    if permission is None or not situation.actor.may(permission):
        yield situation.lack(
            "role-not-permitted",
            f"The role {situation.actor.role} does not permit {name}.",
            expected=permission,
            known=situation.actor.role,
        )


def a_person(situation: Situation) -> Iterator[Lack]:
    """The performer has to be a person."""
    if situation.performed_by_kind != "person":
        yield situation.lack(
            "performer-not-a-person",
            "A person has to have done this; a system never stands for one.",
            expected="person",
            known=situation.performed_by_kind,
        )


def not_the_authoriser(situation: Situation) -> Iterator[Lack]:
    """Who authorised the release of this hanger has no hand in performing it."""
    authoriser = situation.view.status["authorised_by"]
    if authoriser in situation.hands and separate(situation):
        yield situation.lack(
            "performer-authorised-the-release",
            "Who authorised the release may not perform it.",
            expected="another person",
            known=authoriser,
            shown_by=situation.view.status["authorisation"],
        )


def not_a_conceder(situation: Situation) -> Iterator[Lack]:
    """Who granted a concession for release that is in force has no hand in performing it."""
    for sequence, granted_by in conceders(situation).items():
        if granted_by in situation.hands and separate(situation):
            yield situation.lack(
                "performer-granted-a-concession",
                "Who granted a concession in force may not perform the release.",
                expected="another person",
                known=granted_by,
                shown_by=sequence,
            )


def conceders(situation: Situation) -> dict[int, str]:
    """Who granted the line's concessions for release that had not expired at the time of the act."""
    found = {}
    for name, fact in sorted(situation.line.facts.items()):
        if not name.startswith("concession/") or fact.value["purpose"] != "release":
            continue
        if parse_instant(fact.value["expires_at"]) > situation.occurred_at:
            found[fact.value["sequence"]] = fact.value["granted_by"]
    return found


def separate(situation: Situation) -> bool:
    """Whether the criteria want different persons."""
    return situation.criteria.flag("separate_persons")


def verifier_lacks(situation: Situation, subject_facts: str) -> frozenset[str]:
    """Persons behind a verification who also had a hand in performing; empty when apart.

    Args:
        situation: the confirmation; whoever has a hand in it performs too
        subject_facts: name of the fact that lists who stands behind the verification
    """
    behind = situation.view.facts.get(subject_facts)
    performers = situation.view.facts.get("performers")
    performed = situation.hands | set(() if performers is None else performers.value)
    if behind is None or not separate(situation):
        return frozenset()
    return performed & set(behind.value)
