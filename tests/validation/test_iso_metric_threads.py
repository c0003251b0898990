"""ISO metric coarse threads against published stress areas and diameters.

Source: ISO 261/262 (pitches), ISO 724 (d2 = d - 0.649519 P, d3 = d - 1.226869 P), ISO 898-1 (nominal stress
area pi/4 ((d2 + d3)/2)^2). Stress areas as published: copies of ISO 898-1 for M10 to M39, a bolting
handbook's table to M100. Tolerance: three figures printed below 1000 mm2, whole mm2 above.
"""

from __future__ import annotations

import math

import pytest

from service.engineering.threads import parse_thread

PUBLISHED = [
    # diameter, pitch, d2, d3, stress area as published, area at d3
    (10, 1.5, 9.026, 8.160, 58.0, 52.3),
    (12, 1.75, 10.863, 9.853, 84.3, 76.2),
    (16, 2, 14.701, 13.546, 157, 144.1),
    (20, 2.5, 18.376, 16.933, 245, 225.2),
    (24, 3, 22.051, 20.319, 353, 324.3),
    (30, 3.5, 27.727, 25.706, 561, 519.0),
    (36, 4, 33.402, 31.093, 817, 759.3),
    (39, 4, 36.402, 34.093, 976, 912.9),
    (42, 4.5, 39.077, 36.479, 1121, 1045.1),
    (48, 5, 44.752, 41.866, 1473, 1376.6),
    (56, 5.5, 52.428, 49.252, 2030, 1905.2),
    (64, 6, 60.103, 56.639, 2676, 2519.5),
    (72, 6, 68.103, 64.639, 3460, 3281.5),
    (80, 6, 76.103, 72.639, 4344, 4144.1),
    (100, 6, 96.103, 92.639, 6995, 6740.2),
]


@pytest.mark.parametrize(("diameter", "pitch", "d2", "d3", "stress", "root"), PUBLISHED)
def test_a_coarse_thread_has_its_published_pitch_and_areas(
    diameter: int, pitch: float, d2: float, d3: float, stress: float, root: float
) -> None:
    thread = parse_thread(f"M{diameter}")
    assert thread.pitch_m * 1000 == pytest.approx(pitch, rel=1e-12)
    assert thread.stress_area_m2 * 1e6 == pytest.approx(stress, abs=0.051 if stress < 100 else 0.51)
    assert thread.root_area_m2 * 1e6 == pytest.approx(root, abs=0.051)
    # The areas belong to the printed diameters too, within the last digit of those.
    assert thread.root_area_m2 == pytest.approx(math.pi / 4 * (d3 / 1000) ** 2, rel=2e-4)
    assert thread.stress_area_m2 == pytest.approx(math.pi / 4 * ((d2 + d3) / 2000) ** 2, rel=2e-4)


@pytest.mark.parametrize(
    ("diameter", "first_kn", "second_kn"), [(24, 20.12, 23.92), (36, 47.11, 56.01), (64, 156.34, 185.86)]
)
def test_the_stress_bases_on_a_metric_root_area(diameter: int, first_kn: float, second_kn: float) -> None:
    """62.05 MPa and 73.77 MPa on the area at d3: calculated, no metric table of rod loads was found."""
    area = parse_thread(f"M{diameter}").root_area_m2
    assert 62.05e6 * area / 1000 == pytest.approx(first_kn, abs=0.0051)
    assert 73.77e6 * area / 1000 == pytest.approx(second_kn, abs=0.0151)
