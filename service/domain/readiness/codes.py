"""The published list of blocker codes: what each means, where it may stand, whether it can be conceded.

A code names a condition that is not met; the blocker's kind tells whether that is known, or only not
shown. Codes are public: they never change their meaning. schemas/readiness.schema.json lists the same
codes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal

PURPOSES: Final = ("pressure_test", "chemical_clean", "release", "heat_up", "acceptance")

About = Literal["line", "hanger", "assembly", "check"]

_LOCKED: Final = ("pressure_test", "chemical_clean")
_SHUT: Final = ("heat_up", "acceptance")
_ALL: Final = PURPOSES


@dataclass(frozen=True)
class BlockerCode:
    """One code. about: what its subject is; `check` for whatever a check speaks of, its rule at the end of
    the subject. never: why it can never be conceded, None where it can.

    An unknown blocker can never be conceded, whatever its code: nobody knows what would be accepted. Some
    codes can be conceded under conditions only, which the blocker then names: missing insulation and
    jacketing for release alone, and only where the balance of the line allows it.
    """

    code: str
    title: str
    about: About
    purposes: tuple[str, ...]
    never: str | None = None

    @property
    def concedable(self) -> bool:
        """Whether an engineer may concede a known blocker of this code."""
        return self.never is None

    def as_document(self) -> dict[str, Any]:
        """The code as it is listed."""
        return {
            "code": self.code,
            "title": self.title,
            "about": self.about,
            "purposes": list(self.purposes),
            "concedable": self.concedable,
            "never": self.never,
        }


_COUNT = "the count of the travel stops is never conceded"
_THREAD = "thread engagement is restored, never conceded"
_HARDWARE = "missing hardware is put on, never conceded"

_CODES: Final = (
    # --- the line ---------------------------------------------------------------------------------
    BlockerCode("no-hangers", "The line has no hangers.", "line", _ALL, "there is nothing to be ready"),
    BlockerCode(
        "register-incomplete",
        "The line does not state its supports, or the register differs from them.",
        "line",
        _ALL,
        "a support that is not registered is a support that nobody looks at",
    ),
    BlockerCode("welds-incomplete", "Welds of the line or its supports are not complete.", "line", _ALL),
    BlockerCode(
        "rigid-supports-incomplete",
        "Rigid supports, guides, anchors or restraints are not complete.",
        "line",
        _ALL,
    ),
    BlockerCode(
        "temporary-supports-on",
        "Temporary supports, chain blocks or slings are on the line.",
        "line",
        ("release", *_SHUT),
    ),
    BlockerCode(
        "insulation-incomplete",
        "The insulation is not as the springs were set for.",
        "line",
        ("release", *_SHUT),
    ),
    BlockerCode(
        "jacketing-incomplete",
        "The jacketing is not as the springs were set for.",
        "line",
        ("release", *_SHUT),
    ),
    BlockerCode(
        "pressure-test-not-done",
        "A pressure test that is required is not done.",
        "line",
        ("release", *_SHUT),
    ),
    BlockerCode(
        "chemical-clean-not-done",
        "A chemical clean that is required is not done.",
        "line",
        ("release", *_SHUT),
    ),
    BlockerCode(
        "contents-not-weight-basis",
        "The line does not hold the contents that its springs were set for.",
        "line",
        ("release", "heat_up"),
    ),
    BlockerCode("line-not-cold", "The line is not within its cold range.", "line", (*_LOCKED, "release")),
    BlockerCode(
        "connected-lines-unknown",
        "The state of the supports on connected lines is not known.",
        "line",
        ("release", "heat_up"),
    ),
    BlockerCode(
        "line-not-weighed",
        "The line has a model, but cannot be weighed by it.",
        "line",
        (*_LOCKED, "release", "heat_up"),
        "what is not known cannot be conceded",
    ),
    BlockerCode(
        "no-load-path",
        "With every stop out nothing would fix the height of the line, or a part of it.",
        "line",
        ("release",),
        "a line that nothing holds at its height falls or rises to an end of travel",
    ),
    # --- a hanger ---------------------------------------------------------------------------------
    BlockerCode(
        "weight-basis-differs",
        "The hanger was set for another weight than its line.",
        "hanger",
        ("release", "heat_up"),
    ),
    BlockerCode(
        "on-hold", "The hanger is on hold.", "hanger", _ALL, "a hold ends by an engineer's disposition"
    ),
    BlockerCode(
        "not-locked",
        "The hanger is not locked.",
        "hanger",
        _LOCKED,
        "a spring without its stops carries no test load that anybody has shown",
    ),
    BlockerCode(
        "not-released",
        "The hanger is not released.",
        "hanger",
        ("heat_up",),
        "a spring on its stops is a rigid support in a hot line",
    ),
    BlockerCode(
        "not-proved", "The hanger is not proved hot.", "hanger", ("acceptance",), "acceptance is its proof"
    ),
    BlockerCode(
        "assemblies-not-stated",
        "The record does not state the hanger's assemblies.",
        "hanger",
        _ALL,
        "nobody knows what is to be counted",
    ),
    # --- an assembly ------------------------------------------------------------------------------
    BlockerCode("not-in-place", "The assembly does not stand where it is drawn.", "assembly", _ALL),
    BlockerCode("rod-slack", "The rod is slack, or the pipe is off the spring.", "assembly", _ALL),
    BlockerCode("defect-open", "A critical or major defect is open.", "assembly", _ALL),
    BlockerCode("interference", "Something touches or blocks the assembly.", "assembly", ("release", *_SHUT)),
    BlockerCode("nameplate-not-read", "The nameplate was not read, or cannot be.", "assembly", ("release",)),
    BlockerCode("nameplate-differs", "The nameplate differs from the record.", "assembly", ("release",)),
    BlockerCode(
        "dimension-not-as-drawn",
        "The distance between pipe and support is not as drawn.",
        "assembly",
        ("release",),
    ),
    BlockerCode(
        "stop-count-not-as-drawn",
        "The travel stops were not counted, or are not as many as drawn.",
        "assembly",
        _ALL,
        _COUNT,
    ),
    BlockerCode("stop-not-in", "A travel stop is not in.", "assembly", (*_LOCKED, "release"), _COUNT),
    BlockerCode(
        "stop-damaged",
        "A travel stop is damaged.",
        "assembly",
        (*_LOCKED, "release"),
        "a damaged stop is never relied upon",
    ),
    BlockerCode("stop-still-in", "A travel stop is not shown to be out.", "assembly", _SHUT, _COUNT),
    BlockerCode("stop-not-stowed", "A travel stop is out but not stowed.", "assembly", _SHUT, _COUNT),
    BlockerCode(
        "engagement-not-shown",
        "The thread's engagement in the adjuster is not shown at an end.",
        "check",
        _ALL,
        _THREAD,
    ),
    BlockerCode(
        "engagement-too-short",
        "The thread's engagement in the adjuster is less than allowed at an end.",
        "check",
        _ALL,
        _THREAD,
    ),
    BlockerCode(
        "retaining-hardware-missing",
        "Retaining hardware is not on both ends of the pin.",
        "assembly",
        _ALL,
        _HARDWARE,
    ),
    BlockerCode(
        "adjuster-not-locked",
        "The adjuster's locking device is not on.",
        "assembly",
        _ALL,
        _HARDWARE,
    ),
    BlockerCode(
        "cold-reading-missing",
        "There is no cold reading that counts.",
        "assembly",
        _SHUT,
        "a reading is taken, never conceded",
    ),
    BlockerCode(
        "hot-reading-missing",
        "There is no hot reading that counts.",
        "assembly",
        ("acceptance",),
        "a reading is taken, never conceded",
    ),
    # --- checks -----------------------------------------------------------------------------------
    BlockerCode(
        "capacity-exceeded",
        "A load is above what the locked assembly, the stops or the rod may carry.",
        "check",
        (*_LOCKED, "release"),
        "a capacity that is exceeded is never conceded",
    ),
    BlockerCode(
        "end-of-travel",
        "The spring comes to an end of its travel.",
        "check",
        ("release", *_SHUT),
        "a spring at its end of travel is a rigid support",
    ),
    BlockerCode("check-failed", "A check fails.", "check", _ALL),
    BlockerCode(
        "check-unanswered",
        "A check cannot be answered.",
        "check",
        _ALL,
        "what is not known cannot be conceded",
    ),
)

BLOCKER_CODES: Final[Mapping[str, BlockerCode]] = {entry.code: entry for entry in _CODES}
