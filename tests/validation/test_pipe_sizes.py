"""Pipe dimensions and masses against a list of them and against a library made by others.

Source: ASME B36.10M. The list has outside diameter and wall in mm, pipe in kg/m, water in kg/m at
1000 kg/m3, second moment in cm4 and section modulus in cm3, as published lists have them (masses are
0.0246615 (D - t) t).
The library is fluids 1.3.1 (general-purpose engineering library).
"""

from __future__ import annotations

import math

import pytest
from fluids.piping import nearest_pipe

from service.engineering.frames.sections import pipe_section
from service.engineering.pipes import bore_area_m2, pipe_mass_kg_per_m, standard_pipe
from service.engineering.tables.pipes import pipe_table

LISTED = [
    # NPS, schedule, outside diameter, wall, pipe kg/m, water kg/m, second moment, section modulus
    ("2", "STD", 60.3, 3.91, 5.44, 2.16, 27.7, 9.2),
    ("2", "XS", 60.3, 5.54, 7.48, 1.90, 36.1, 12.0),
    ("2", "160", 60.3, 8.74, 11.11, 1.44, 48.4, 16.1),
    ("3", "STD", 88.9, 5.49, 11.29, 4.77, 125.7, 28.3),
    ("3", "XS", 88.9, 7.62, 15.27, 4.26, 162.1, 36.5),
    ("3", "160", 88.9, 11.13, 21.35, 3.49, 209.8, 47.2),
    ("4", "STD", 114.3, 6.02, 16.08, 8.21, 301.1, 52.7),
    ("4", "XS", 114.3, 8.56, 22.32, 7.42, 400.0, 70.0),
    ("4", "160", 114.3, 13.49, 33.54, 5.99, 552.4, 96.7),
    ("6", "STD", 168.3, 7.11, 28.26, 18.65, 1171.6, 139.2),
    ("6", "XS", 168.3, 10.97, 42.56, 16.82, 1685.8, 200.3),
    ("6", "160", 168.3, 18.26, 67.57, 13.64, 2457.9, 292.1),
    ("8", "STD", 219.1, 8.18, 42.55, 32.28, 3018.7, 275.6),
    ("8", "XS", 219.1, 12.70, 64.64, 29.47, 4401.8, 401.8),
    ("8", "160", 219.1, 23.01, 111.27, 23.53, 6906.9, 630.5),
    ("10", "STD", 273.0, 9.27, 60.29, 50.85, 6685.8, 489.8),
    ("10", "XS", 273.0, 12.70, 81.53, 48.15, 8817.0, 645.9),
    ("10", "80", 273.0, 15.09, 95.98, 46.31, 10200.9, 747.3),
    ("10", "160", 273.0, 28.58, 172.27, 36.59, 16612.3, 1217.0),
    ("12", "STD", 323.8, 9.53, 73.86, 72.94, 11626.8, 718.1),
    ("12", "XS", 323.8, 12.70, 97.44, 69.93, 15041.3, 929.1),
    ("12", "80", 323.8, 17.48, 132.05, 65.52, 19794.3, 1222.6),
    ("12", "160", 323.8, 33.32, 238.69, 51.94, 32493.1, 2007.0),
    ("14", "STD", 355.6, 9.53, 81.33, 88.95, 15522.9, 873.1),
    ("14", "XS", 355.6, 12.70, 107.40, 85.63, 20135.5, 1132.5),
    ("14", "80", 355.6, 19.05, 158.11, 79.17, 28608.4, 1609.0),
    ("14", "160", 355.6, 35.71, 281.72, 63.43, 46476.2, 2614.0),
    ("16", "STD", 406.4, 9.53, 93.27, 117.84, 23407.1, 1151.9),
    ("16", "XS", 406.4, 12.70, 123.31, 114.01, 30465.7, 1499.3),
    ("16", "80", 406.4, 21.44, 203.54, 103.79, 48181.1, 2371.1),
    ("16", "160", 406.4, 40.49, 365.38, 83.17, 78852.6, 3880.5),
    ("18", "STD", 457.0, 9.53, 105.17, 150.63, 33546.1, 1468.1),
    ("18", "XS", 457.0, 12.70, 139.16, 146.30, 43777.1, 1915.8),
    ("18", "80", 457.0, 23.83, 254.57, 131.60, 76290.7, 3338.8),
    ("18", "160", 457.0, 45.24, 459.39, 105.51, 125523.8, 5493.4),
    ("20", "STD", 508.0, 9.53, 117.15, 187.76, 46369.1, 1825.6),
    ("20", "XS", 508.0, 12.70, 155.13, 182.92, 60639.3, 2387.4),
    ("20", "80", 508.0, 26.19, 311.19, 163.04, 115373.0, 4542.2),
    ("20", "160", 508.0, 50.01, 564.85, 130.73, 190911.6, 7516.2),
    ("24", "STD", 610.0, 9.53, 141.12, 274.27, 81046.8, 2657.3),
    ("24", "XS", 610.0, 12.70, 187.07, 268.42, 106325.5, 3486.1),
    ("24", "80", 610.0, 30.96, 442.11, 235.93, 236715.3, 7761.2),
    ("24", "160", 610.0, 59.54, 808.27, 189.28, 394545.9, 12935.9),
    ("30", "STD", 762.0, 9.53, 176.85, 433.51, 159474.0, 4185.7),
    ("30", "XS", 762.0, 12.70, 234.68, 426.14, 209872.5, 5508.5),
]


@pytest.mark.parametrize(
    ("size", "schedule", "diameter", "wall", "pipe", "water", "second_moment", "modulus"),
    LISTED,
    ids=[f"{row[0]}-{row[1]}" for row in LISTED],
)
def test_a_pipe_is_that_of_the_list(
    size: str,
    schedule: str,
    diameter: float,
    wall: float,
    pipe: float,
    water: float,
    second_moment: float,
    modulus: float,
) -> None:
    found = standard_pipe(size, schedule)
    assert found.outside_diameter_m * 1000.0 == pytest.approx(diameter, abs=1e-9)
    assert found.wall_m * 1000.0 == pytest.approx(wall, abs=1e-9)
    # The list rounds masses to 0.01 kg/m, second moments and moduli to 0.1.
    mass = pipe_mass_kg_per_m(found.outside_diameter_m, found.wall_m, 7850.0)
    assert mass == pytest.approx(pipe, abs=0.0051)
    assert bore_area_m2(found.outside_diameter_m, found.wall_m) * 1000.0 == pytest.approx(water, abs=0.0051)
    section = pipe_section(found.outside_diameter_m, found.wall_m)
    assert section.second_moment_m4 * 1e8 == pytest.approx(second_moment, abs=0.051)
    assert section.second_moment_m4 / (found.outside_diameter_m / 2.0) * 1e6 == pytest.approx(
        modulus, abs=0.051
    )


@pytest.mark.parametrize("row", pipe_table().rows, ids=lambda row: row["pipe"])
def test_every_pipe_of_the_table_is_that_of_the_library(row: dict[str, str]) -> None:
    whole, _, part = row["nominal_size"].rpartition(" ")
    top, _, bottom = part.partition("/")
    size = float(whole or 0) + float(top) / float(bottom or 1)
    nominal, _, outside, wall = nearest_pipe(NPS=size, schedule=row["schedule"])
    assert nominal == size
    found = standard_pipe(row["nominal_size"], row["schedule"])
    assert (found.outside_diameter_m, found.wall_m) == pytest.approx((outside, wall), abs=1e-9)


def test_the_factor_of_the_mass_formula_is_that_of_steel_of_7850() -> None:
    # kg/m of a pipe of 1 mm wall and 2 mm diameter, dimensions in mm: (2 - 1) 1 x the factor.
    assert pipe_mass_kg_per_m(0.002, 0.001, 7850.0) == pytest.approx(0.0246615, rel=1e-5)
    assert math.pi * 7850e-6 == pytest.approx(0.0246615, rel=1e-5)
