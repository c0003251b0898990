"""Screw threads of hanger rods and adjusters: designations and the areas that carry load.

Inch threads follow ASME B1.1 (Unified, UNC and 8-UN), metric threads ISO 261/262/724. The pitch of
an inch thread is never inferred from the diameter: above 1 in both UNC and 8-UN are in use, and a
wrong pitch is a wrong turn of the nut.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import Literal

from service.engineering.tables.threads import coarse_pitch_mm, unified_sizes
from service.engineering.thread_forms import (
    metric_root_area_m2,
    metric_stress_area_m2,
    unified_root_area_m2,
    unified_stress_area_m2,
)
from service.errors import UnknownThread

INCH_M = 0.0254  # exact by definition

ThreadStandard = Literal["ASME B1.1", "ISO 261"]

ACCEPTED_FORMS: tuple[str, ...] = (
    "M24",
    "M24x3",
    "M24 x 3",
    "3/4-10 UNC",
    "3/4-10 UNC-2A",
    "1 1/4-7 UNC",
    "1-1/4-7 UNC",
    "1 1/4-8 UN",
    "2-4.5 UNC",
)

_LONGEST = 24
_NUMBER = r"[0-9]{1,3}(?:\.[0-9]{1,3})?"
_METRIC = re.compile(rf"M(?P<diameter>{_NUMBER})(?: ?[xX] ?(?P<pitch>{_NUMBER}))?", re.ASCII)
_INCH = re.compile(
    r"(?:(?P<whole>[0-9])(?:[ -](?P<top>[0-9]{1,2})/(?P<bottom>[0-9]{1,2}))?"
    r"|(?P<only_top>[0-9]{1,2})/(?P<only_bottom>[0-9]{1,2}))"
    r" ?- ?(?P<tpi>[0-9]{1,2}(?:\.[0-9]{1,2})?)(?P<half> 1/2)?"
    r" ?(?P<series>UNC|UN)(?:-[123][AB])?",
    re.ASCII,
)


@dataclass(frozen=True)
class Thread:
    """A screw thread.

    designation: as accepted and put into one form. standard: ASME B1.1 or ISO 261. diameter_m: basic
    major diameter [m]. pitch_m: pitch, which is also the lead of a single-start thread [m].
    root_area_m2: area at the root of the external thread [m2]. stress_area_m2: tensile stress area
    [m2]. tabulated: whether diameter and pitch stand in the table of the standard that the service
    carries; the areas come from the formula either way.
    """

    designation: str
    standard: ThreadStandard
    diameter_m: float
    pitch_m: float
    root_area_m2: float
    stress_area_m2: float
    tabulated: bool


def _refuse(text: str, why: str) -> UnknownThread:
    return UnknownThread(why, given=text[:_LONGEST], accepted=list(ACCEPTED_FORMS))


def _plain(value: float) -> str:
    return f"{value:g}"


def _metric(text: str, match: re.Match[str]) -> Thread:
    diameter_mm = float(match["diameter"])
    if match["pitch"] is None:
        coarse = coarse_pitch_mm(diameter_mm)
        if coarse is None:
            raise _refuse(text, f"M{_plain(diameter_mm)} has no coarse pitch in the table; give the pitch.")
        pitch_mm = coarse
    else:
        pitch_mm = float(match["pitch"])
    if not 0.2 <= pitch_mm <= 8.0 or not 5.0 * pitch_mm <= diameter_mm * 2.0 or diameter_mm > 300.0:
        raise _refuse(text, "Diameter and pitch do not make a metric thread.")
    diameter_m, pitch_m = diameter_mm / 1000.0, pitch_mm / 1000.0
    return Thread(
        designation=f"M{_plain(diameter_mm)}x{_plain(pitch_mm)}",
        standard="ISO 261",
        diameter_m=diameter_m,
        pitch_m=pitch_m,
        root_area_m2=metric_root_area_m2(diameter_m, pitch_m),
        stress_area_m2=metric_stress_area_m2(diameter_m, pitch_m),
        tabulated=coarse_pitch_mm(diameter_mm) == pitch_mm,
    )


def _inch_diameter(text: str, match: re.Match[str]) -> Fraction:
    whole = int(match["whole"] or 0)
    top = int(match["top"] or match["only_top"] or 0)
    bottom = int(match["bottom"] or match["only_bottom"] or 1)
    if bottom not in (1, 2, 4, 8, 16, 32, 64) or (bottom > 1 and not 0 < top < bottom):
        raise _refuse(text, "The diameter is not a whole number and a proper binary fraction of an inch.")
    return whole + Fraction(top, bottom)


def _inch(text: str, match: re.Match[str]) -> Thread:
    diameter_in = _inch_diameter(text, match)
    threads_per_inch = Fraction(match["tpi"]) + (Fraction(1, 2) if match["half"] else 0)
    series = match["series"]
    # A pitch over 0.4 of the diameter leaves no core; over 32 to the inch is no rod thread.
    if not 0 < threads_per_inch <= 32 or diameter_in * threads_per_inch < Fraction(5, 2):
        raise _refuse(text, "Diameter and threads per inch do not make a rod thread.")
    tabulated = unified_sizes(series).get(float(diameter_in))
    if series == "UNC" and tabulated is not None and tabulated != float(threads_per_inch):
        raise _refuse(text, f"A UNC thread of this diameter has {_plain(tabulated)} threads per inch.")
    diameter_m = float(diameter_in) * INCH_M
    pitch_m = INCH_M / float(threads_per_inch)
    whole, rest = divmod(diameter_in, 1)
    size = " ".join([str(whole)] * (whole > 0) + [str(rest)] * (rest > 0))
    return Thread(
        designation=f"{size}-{_plain(float(threads_per_inch))} {series}",
        standard="ASME B1.1",
        diameter_m=diameter_m,
        pitch_m=pitch_m,
        root_area_m2=unified_root_area_m2(diameter_m, pitch_m),
        stress_area_m2=unified_stress_area_m2(diameter_m, pitch_m),
        tabulated=tabulated == float(threads_per_inch),
    )


def parse_thread(text: str) -> Thread:
    """The thread that a designation names.

    Accepts a metric thread with its pitch (`M24x3`, `M24 x 3`) or, as ISO 261 writes a coarse thread,
    without it (`M24`); an inch thread with its threads per inch (`3/4-10 UNC`, `1 1/4-8 UN`), with or
    without a class. The whole text has to match; nothing is inferred for an inch thread.

    Args:
        text: the designation, at most 24 characters

    Returns:
        the thread, lengths and areas in SI

    Raises:
        UnknownThread: any other text; its facts list the accepted forms
    """
    if not isinstance(text, str) or len(text) > _LONGEST:
        raise _refuse(str(text), f"A thread designation has at most {_LONGEST} characters.")
    return _parsed(text)


@lru_cache(maxsize=1024)
def _parsed(text: str) -> Thread:
    metric = _METRIC.fullmatch(text)
    if metric is not None:
        return _metric(text, metric)
    inch = _INCH.fullmatch(text)
    if inch is not None:
        return _inch(text, inch)
    raise _refuse(text, "The thread designation is not of an accepted form.")
