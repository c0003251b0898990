"""The published list of lacks: what a step or an act of a hanger's release may still want.

A code never changes its meaning. Where readiness has a blocker of the same name, it means the same. A
lack whose `known` is null says that nothing is known, which never counts as met.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

LACK_CODES: Final[Mapping[str, str]] = {
    # --- who and when
    "role-not-permitted": "The caller's role does not permit this step.",
    "performer-not-a-person": "A person has to have done this; a system never stands for one.",
    "performer-authorised-the-release": "Who authorised the release may not perform it.",
    "performer-granted-a-concession": "Who granted a concession in force may not perform the release.",
    "verifier-performed": "Who performed the release may not verify the hardware.",
    "before-last-transition": "The time lies before the hanger's last transition.",
    "before-cycle": "The turns were made before the present cycle began and cannot enter its ledger.",
    "reason-missing": "A reason has to be given.",
    "purpose-missing": "What the hanger is locked again for has to be given.",
    "disposition-missing": "The disposition has to say where the hanger goes: resume or locked.",
    # --- the line
    "line-authorisation-needed": "The hanger is cleared by the authorisation of its line.",
    "authorisation-not-valid": "The hanger does not stand cleared under an authorisation in force.",
    "readiness-not-known": "It is not known whether the line is ready for release.",
    "line-not-ready": "The line is not ready for release.",
    "another-in-easing": "Another hanger of the line is in easing and is not paired with this one.",
    "line-not-cold": "Nothing since shows the line inside its cold range.",
    # --- the record
    "assemblies-not-stated": "The record does not state the hanger's assemblies.",
    "no-such-assembly": "The record has no such assembly.",
    "no-load-adjuster": "Only a constant support has a load adjuster.",
    "nothing-to-release": "A rigid hanger has no stop and nothing to turn for release.",
    # --- stops
    "stop-count-not-as-drawn": "The stops counted or noted are not as many as drawn.",
    "stop-damaged": "A stop is damaged, or no inspection says that none is.",
    "stop-not-in": "A stop is not known to be in.",
    "stop-still-in": "A stop is not known to be out.",
    "stop-not-stowed": "A stop that came out is not stowed.",
    "stop-not-free": "A stop was not seen with no face bearing and free by hand.",
    "observation-stale": "Load may have moved on the line since the stop was seen.",
    "observation-too-old": "The stop was seen too long ago.",
    "observation-later-than-act": "The stop was seen after the time given for its withdrawal.",
    "withdrawn-count-not-as-drawn": "The stops counted as they came out are not as many as drawn.",
    "stop-act-not-open": "This stop act is not possible where the stop or the hanger stands.",
    "no-such-stop": "The drawing shows no stop of this number.",
    "stops-differ-from-state": "The stops do not stand as the state says to which the hanger would go back.",
    # --- adjuster
    "turn-not-open": "The adjuster is turned in easing and positioning, and back with the stops out.",
    "turn-limit": "The net turns would pass the turn limit, or do.",
    "turn-limit-not-stated": "The record does not state the turn limit in this direction.",
    "engagement-not-shown": "The engagement at an end is not known.",
    "engagement-too-short": "The engagement at an end is, or would be, less than allowed.",
    "pair-turns-apart": "The net turns of the hanger's assemblies would stand too far apart, or do.",
    "load-adjuster-not-back": "The load adjuster was used for easing and is not back at zero net turns.",
    # --- readings and hardware
    "cold-reading-missing": "There is no usable cold reading with the stops out, after the last turn.",
    "expected-reading-not-stated": "Neither record nor balance tells the reading expected released cold.",
    "reading-off-expected": "The cold reading is off the reading expected when released cold.",
    "elevation-not-known": "The elevation of the pipe is not known, as designed or as it stands.",
    "elevation-off": "The pipe stands off its design elevation.",
    "margin-not-known": "The margins to the ends of travel cannot be reckoned.",
    "margin-not-kept": "The margin to an end of travel is not kept, cold or hot.",
    "pair-readings-apart": "The positions of the hanger's assemblies stand too far apart.",
    "retaining-hardware-missing": "The retaining hardware was not verified on both ends after the last turn.",
    "adjuster-not-locked": "The adjuster's locking device was not verified after the last turn.",
    "hot-reading-missing": "There is no usable hot reading of the released hanger.",
    "hot-check-not-passed": "A check of the hot readings fails or cannot be said.",
}
