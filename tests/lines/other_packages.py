"""The same frame and load case in two general-purpose frame packages: PyNite and OpenSees.

Both adapters take frames of straight elements with restraints and springs along the global axes. Free
thermal strain is given as the pair of forces E A strain at the ends of an element, which is what it is to
displacements and reactions; hangers as their force and a spring.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from types import ModuleType
from typing import Any

import numpy as np

from service.engineering.frames.elements import Array
from service.engineering.frames.frame import TRANSLATION, Case, Frame
from tests.lines.random_lines import SpringHanger

DEGREES = ("DX", "DY", "DZ", "RX", "RY", "RZ")
FORCES = ("FX", "FY", "FZ", "MX", "MY", "MZ")


@dataclass(frozen=True)
class Solution:
    """displacements: (k, 6) [m, rad]. reactions: of each restraint in its direction, (r,) [N, N m]."""

    displacements: Array
    reactions: Array


def nodal_loads(frame: Frame, case: Case, hangers: Sequence[SpringHanger]) -> Array:
    """Loads on nodes, (k, 6): those of the case, the heat's, and the hangers' at rest."""
    loads = case.nodal.copy()
    straights = frame.straights
    for (first, last), area, young, strain in zip(
        straights.nodes, straights.area_m2, straights.young_pa, case.straight_strain, strict=True
    ):
        along = frame.coordinates[last] - frame.coordinates[first]
        push = area * young * strain * along / np.linalg.norm(along)
        loads[first, :3] -= push
        loads[last, :3] += push
    for interface, hanger in zip(frame.interfaces, hangers, strict=True):
        loads[interface.node, :3] += hanger.load_n * np.array(interface.direction)
    return loads


def _axis(direction: tuple[float, float, float], kind: int) -> tuple[int, float]:
    """Degree of freedom at the node, and the sign of the direction along it."""
    place = int(np.abs(direction).argmax())
    if np.count_nonzero(direction) != 1:
        raise ValueError("Other packages are given restraints along the global axes only.")
    return kind + place, float(direction[place])


def _springs(frame: Frame, hangers: Sequence[SpringHanger]) -> list[tuple[int, int, float]]:
    """Node, degree and stiffness of everything elastic that goes to the ground; equal places summed."""
    found: dict[tuple[int, int], float] = {}
    for spring in frame.springs:
        place = (spring.node, _axis(spring.direction, spring.kind)[0])
        found[place] = found.get(place, 0.0) + spring.stiffness
    for interface, hanger in zip(frame.interfaces, hangers, strict=True):
        place = (interface.node, _axis(interface.direction, TRANSLATION)[0])
        found[place] = found.get(place, 0.0) + hanger.rate_n_per_m
    return [(node, degree, stiffness) for (node, degree), stiffness in found.items() if stiffness > 0.0]


def pynite_model(frame: Frame, case: Case, hangers: Sequence[SpringHanger] = ()) -> Any:
    """The model in PyNite, not yet solved. PyNite knows no shear deformation."""
    from Pynite import FEModel3D

    model = FEModel3D()
    for place, point in enumerate(frame.coordinates):
        model.add_node(f"N{place}", *(float(part) for part in point))
    straights = frame.straights
    for place, (first, last) in enumerate(straights.nodes):
        young, shear = float(straights.young_pa[place]), float(straights.shear_pa[place])
        second = float(straights.second_moment_m4[place])
        model.add_material(f"M{place}", young, shear, 0.3, 0.0)
        model.add_section(
            f"S{place}", float(straights.area_m2[place]), second, second, float(straights.torsion_m4[place])
        )
        model.add_member(f"E{place}", f"N{first}", f"N{last}", f"M{place}", f"S{place}")
        for direction, load in zip(FORCES[:3], case.straight_n_per_m[place], strict=True):
            if load != 0.0:
                model.add_member_dist_load(f"E{place}", direction, float(load), float(load))
    held: dict[int, list[bool]] = {}
    for restraint, movement in zip(frame.restraints, case.imposed, strict=True):
        degree, sign = _axis(restraint.direction, restraint.kind)
        held.setdefault(restraint.node, [False] * 6)[degree] = True
        model.def_node_disp(f"N{restraint.node}", DEGREES[degree], float(movement) / sign)
    for node, degrees in held.items():
        model.def_support(f"N{node}", *degrees)
    for node, degree, stiffness in _springs(frame, hangers):
        model.def_support_spring(f"N{node}", DEGREES[degree], stiffness)
    for node, loads in enumerate(nodal_loads(frame, case, hangers)):
        for direction, load in zip(FORCES, loads, strict=True):
            if load != 0.0:
                model.add_node_load(f"N{node}", direction, float(load))
    return model


def pynite_solution(frame: Frame, case: Case, hangers: Sequence[SpringHanger] = ()) -> Solution:
    """Displacements and reactions by PyNite."""
    model = pynite_model(frame, case, hangers)
    model.analyze_linear(check_stability=False)
    nodes = [model.nodes[f"N{place}"] for place in range(len(frame.coordinates))]
    displacements = [[getattr(node, degree)["Combo 1"] for degree in DEGREES] for node in nodes]
    reactions = []
    for restraint in frame.restraints:
        degree, sign = _axis(restraint.direction, restraint.kind)
        reactions.append(getattr(nodes[restraint.node], "Rxn" + FORCES[degree])["Combo 1"] / sign)
    return Solution(np.array(displacements, dtype=float), np.array(reactions, dtype=float))


def opensees_solution(
    ops: ModuleType, frame: Frame, case: Case, hangers: Sequence[SpringHanger] = ()
) -> Solution:
    """Displacements and reactions by OpenSees; beams with shear deformation where the frame has it."""
    build_in_opensees(ops, frame, case, hangers)
    ops.system("UmfPack")
    ops.numberer("RCM")
    ops.constraints("Transformation")
    ops.integrator("LoadControl", 1.0)
    ops.algorithm("Linear")
    ops.analysis("Static")
    if ops.analyze(1) != 0:
        raise RuntimeError("OpenSees found no solution.")
    ops.reactions()
    displacements = [ops.nodeDisp(place + 1) for place in range(len(frame.coordinates))]
    reactions = []
    for restraint in frame.restraints:
        degree, sign = _axis(restraint.direction, restraint.kind)
        reactions.append(ops.nodeReaction(restraint.node + 1, degree + 1) / sign)
    ops.wipe()
    return Solution(np.array(displacements), np.array(reactions))


def build_in_opensees(
    ops: ModuleType, frame: Frame, case: Case, hangers: Sequence[SpringHanger] = ()
) -> None:
    """The model and its loads, not yet solved. Node n of the frame is node n + 1."""
    ops.wipe()
    ops.model("basic", "-ndm", 3, "-ndf", 6)
    count = len(frame.coordinates)
    for place, point in enumerate(frame.coordinates):
        ops.node(place + 1, *(float(part) for part in point))
    straights = frame.straights
    frames = []
    for place, (first, last) in enumerate(straights.nodes):
        along = frame.coordinates[last] - frame.coordinates[first]
        x = along / np.linalg.norm(along)
        aside = np.eye(3)[int(np.abs(x).argmin())]
        y = np.cross(aside, x) / np.linalg.norm(np.cross(aside, x))
        frames.append(np.array([x, y, np.cross(x, y)]))
        ops.geomTransf("Linear", place + 1, *(float(part) for part in aside))
        young, shear = float(straights.young_pa[place]), float(straights.shear_pa[place])
        area, torsion = float(straights.area_m2[place]), float(straights.torsion_m4[place])
        second, sheared = float(straights.second_moment_m4[place]), float(straights.shear_area_m2[place])
        ends = (int(first) + 1, int(last) + 1)
        if np.isinf(sheared):
            ops.element(
                "elasticBeamColumn", place + 1, *ends, area, young, shear, torsion, second, second, place + 1
            )
        else:
            shears = (sheared, sheared)
            ops.element(
                "ElasticTimoshenkoBeam", place + 1, *ends,
                young, shear, area, torsion, second, second, *shears, place + 1,
            )  # fmt: skip
    for number, (node, degree, stiffness) in enumerate(_springs(frame, hangers)):
        ground = count + number + 1
        ops.node(ground, *(float(part) for part in frame.coordinates[node]))
        ops.fix(ground, 1, 1, 1, 1, 1, 1)
        ops.uniaxialMaterial("Elastic", number + 1, stiffness)
        ops.element(
            "zeroLength", len(straights.nodes) + number + 1,
            ground, node + 1, "-mat", number + 1, "-dir", degree + 1,
        )  # fmt: skip
    ops.timeSeries("Constant", 1)
    ops.pattern("Plain", 1, 1)
    for restraint, movement in zip(frame.restraints, case.imposed, strict=True):
        degree, sign = _axis(restraint.direction, restraint.kind)
        ops.sp(restraint.node + 1, degree + 1, float(movement) / sign)
    for node, loads in enumerate(nodal_loads(frame, case, hangers)):
        ops.load(node + 1, *(float(load) for load in loads))
    for place, (local, load) in enumerate(zip(frames, case.straight_n_per_m, strict=True)):
        along, y, z = (float(part) for part in local @ load)
        ops.eleLoad("-ele", place + 1, "-type", "-beamUniform", y, z, along)
