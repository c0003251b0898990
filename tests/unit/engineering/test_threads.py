"""Thread designations: what is accepted, what is refused, and what a thread measures."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.engineering.threads import ACCEPTED_FORMS, Thread, parse_thread
from service.errors import UnknownThread

FORMS = [
    # text, designation, standard, diameter mm, pitch mm, in the table
    ("M24", "M24x3", "ISO 261", 24.0, 3.0, True),
    ("M24x3", "M24x3", "ISO 261", 24.0, 3.0, True),
    ("M24 x 3", "M24x3", "ISO 261", 24.0, 3.0, True),
    ("M24X2", "M24x2", "ISO 261", 24.0, 2.0, False),
    ("M12x1.75", "M12x1.75", "ISO 261", 12.0, 1.75, True),
    ("M72", "M72x6", "ISO 261", 72.0, 6.0, True),
    ("M48x3", "M48x3", "ISO 261", 48.0, 3.0, False),
    ("M250x8", "M250x8", "ISO 261", 250.0, 8.0, False),
    ("3/4-10 UNC", "3/4-10 UNC", "ASME B1.1", 19.05, 2.54, True),
    ("3/4-10 UNC-2A", "3/4-10 UNC", "ASME B1.1", 19.05, 2.54, True),
    ("3/4-10UNC", "3/4-10 UNC", "ASME B1.1", 19.05, 2.54, True),
    ("1 1/4-7 UNC", "1 1/4-7 UNC", "ASME B1.1", 31.75, 25.4 / 7, True),
    ("1-1/4-7 UNC", "1 1/4-7 UNC", "ASME B1.1", 31.75, 25.4 / 7, True),
    ("2-4.5 UNC", "2-4.5 UNC", "ASME B1.1", 50.8, 25.4 / 4.5, True),
    ("2-4 1/2 UNC", "2-4.5 UNC", "ASME B1.1", 50.8, 25.4 / 4.5, True),
    ("1-8 UNC", "1-8 UNC", "ASME B1.1", 25.4, 3.175, True),
    ("1 1/4-8 UN", "1 1/4-8 UN", "ASME B1.1", 31.75, 3.175, True),
    ("2 1/4-8 UN", "2 1/4-8 UN", "ASME B1.1", 57.15, 3.175, False),
    ("4-4 UNC", "4-4 UNC", "ASME B1.1", 101.6, 6.35, False),
]


@pytest.mark.parametrize(("text", "designation", "standard", "diameter", "pitch", "tabulated"), FORMS)
def test_an_accepted_form_gives_its_thread(
    text: str, designation: str, standard: str, diameter: float, pitch: float, tabulated: bool
) -> None:
    thread = parse_thread(text)
    assert thread.designation == designation
    assert thread.standard == standard
    assert thread.diameter_m == pytest.approx(diameter / 1000, rel=1e-12)
    assert thread.pitch_m == pytest.approx(pitch / 1000, rel=1e-12)
    assert thread.tabulated is tabulated


@pytest.mark.parametrize("form", ACCEPTED_FORMS)
def test_every_form_that_an_error_names_is_accepted(form: str) -> None:
    assert isinstance(parse_thread(form), Thread)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "M",
        "m24",
        "M24\n",
        "M24 ",
        " M24",
        "M25",
        "M0",
        "M24x0",
        "M24x0.1",
        "M24x12",
        "M24x30",
        "M999x8",
        "M24x3x1",
        "M\u0662\u0664",
        "3/4",
        "3/4 UNC",
        "3/4-10",
        "3/4-10 UNF",
        "3/4-9 UNC",
        "3/5-10 UNC",
        "5/4-7 UNC",
        "0/4-10 UNC",
        "1/0-8 UN",
        "0-8 UN",
        "1-0 UN",
        "1-40 UN",
        "1-2 UN",
        "3/4-10 UNC-4A",
        "3/4-10 UNC\n",
        '3/4"-10 UNC',
        "1 1/4-7 UNC; M24",
        "M" * 10_000,
        None,
        24,
        ["M24"],
    ],
)
def test_any_other_text_is_refused_with_the_accepted_forms(text: str) -> None:
    with pytest.raises(UnknownThread) as caught:
        parse_thread(text)
    assert "M24x3" in caught.value.facts["accepted"]
    assert len(caught.value.facts["given"]) <= 24


def test_the_pitch_of_an_inch_thread_is_never_inferred() -> None:
    with pytest.raises(UnknownThread):
        parse_thread("1 1/4 UNC")


def test_unc_and_eight_un_of_one_diameter_are_different_threads() -> None:
    assert parse_thread("1 1/4-7 UNC").pitch_m > parse_thread("1 1/4-8 UN").pitch_m
    assert parse_thread("1 1/4-7 UNC").root_area_m2 < parse_thread("1 1/4-8 UN").root_area_m2


@given(st.text(max_size=30))
def test_no_text_does_anything_but_parse_or_be_refused(text: str) -> None:
    try:
        thread = parse_thread(text)
    except UnknownThread:
        return
    assert 0.0 < thread.root_area_m2 < thread.stress_area_m2 < math.pi / 4 * thread.diameter_m**2


@given(st.integers(min_value=5, max_value=300), st.sampled_from([0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0]))
def test_a_finer_pitch_leaves_a_larger_core(diameter: int, pitch: float) -> None:
    if pitch > 0.2 * diameter:
        return
    finer = parse_thread(f"M{diameter}x{pitch / 2}")
    coarser = parse_thread(f"M{diameter}x{pitch}")
    assert finer.root_area_m2 > coarser.root_area_m2
    assert finer.stress_area_m2 > coarser.stress_area_m2
