"""Weighing a line, as ratios in one run: beside PyNite, OpenSees and one bare sparse factorisation.

Jobs, on three lines (tests/lines/large.py): the whole balance (factorise, condense, every stop in, every stop
out, movements and forces of both), every state with one stop out, and the influence of a turn at each
hanger on all. The other packages assemble and solve once for each state, as they must where a contact
changes; where there are many states they solve a few and the time for one is compared. Each answer of theirs
is compared with ours first. Then the release order of 12 and 60 springs, and growth with size.

    PYTHONPATH=. python benchmarks/lines.py

BENCH_ROUNDS (3) sets the rounds of each table. One thread, so that ratios do not depend on idle cores.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from types import ModuleType
from typing import Final

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.linalg import splu

from benchmarks.measure import WIDTH, Work, by_turns, plausible, say, show
from service.engineering.frames.elements import Array
from service.engineering.frames.frame import TRANSLATION, Case, Frame, Restraint, degrees
from service.engineering.frames.solution import factorise
from service.engineering.release_order.search import Search
from service.engineering.release_order.steps import Support, Yard
from service.engineering.states.laws import Hanger
from service.engineering.states.tracing import Line, State
from service.engineering.states.turning import turn_effects
from tests.lines.large import TRAVEL_M, LargeLine, branched_line, hangers_of, long_line
from tests.lines.opensees import load_opensees
from tests.lines.other_packages import Solution, opensees_solution, pynite_solution
from tests.lines.random_lines import SpringHanger

ROUNDS: Final = int(os.environ.get("BENCH_ROUNDS", "3"))
SAMPLES: Final = 3  # states that OpenSees solves of many, spread over the line
AGREE: Final = 1e-5  # of the greatest force: how far the packages' answers may lie apart
THREADS: Final = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
UNLIMITED: Final = 1e3

Solver = Callable[[Frame, Case, Sequence[SpringHanger]], Solution]


@dataclass(frozen=True)
class Bench:
    """One line with its hangers' laws, every stop in, and what the other packages are called."""

    line: LargeLine
    hangers: tuple[Hanger, ...]
    solvers: tuple[tuple[str, Solver, int], ...]

    @property
    def burst(self) -> int:
        """How many balances make a burst that is long enough to be timed."""
        return max(1, 2000 // self.line.elements)

    # --- ours ---------------------------------------------------------------------------------------
    def prepared(self) -> tuple[Line, Array, State]:
        """Factorised, condensed, and every stop in."""
        condensed = factorise(self.line.frame).condense([self.line.case])
        line, load = Line(condensed.stiffness), condensed.loads[:, 0]
        return line, load, line.start(self.hangers, load)

    def balance(self) -> int:
        """The whole balance, so often as makes a burst."""
        for _ in range(self.burst):
            factorised = factorise(self.line.frame)
            condensed = factorised.condense([self.line.case])
            line, load = Line(condensed.stiffness), condensed.loads[:, 0]
            for state in (line.start(self.hangers, load), line.start(self.free(), load)):
                factorised.recover(self.line.case, state.movement_m, state.force_n)
        return self.burst

    def releases(self) -> int:
        """Every state with one stop out, from nothing."""
        line, _, locked = self.prepared()
        for place in range(self.line.count):
            line.released(locked, place, -TRAVEL_M, TRAVEL_M)
        return self.line.count

    def influence(self) -> int:
        """The influence of a turn at each hanger on all, from nothing."""
        line, _, locked = self.prepared()
        return int(turn_effects(line, locked).force_n_per_m.shape[1])

    def free(self) -> tuple[Hanger, ...]:
        """The hangers with every stop out."""
        return tuple(replace(each, low_m=-TRAVEL_M, high_m=TRAVEL_M) for each in self.hangers)

    # --- theirs ---------------------------------------------------------------------------------------
    def elsewhere(
        self, out: frozenset[int], turned: int | None = None
    ) -> tuple[Frame, Case, list[SpringHanger]]:
        """The state as others take it: stops out as springs, stops in as supports, one moved by 1 m."""
        frame = self.line.frame
        locked = [place for place in range(self.line.count) if place not in out]
        held = [
            Restraint(frame.interfaces[place].node, frame.interfaces[place].direction, TRANSLATION, "stop")
            for place in locked
        ]
        released = [place for place in range(self.line.count) if place in out]
        made = replace(
            frame,
            restraints=[*frame.restraints, *held],
            interfaces=[frame.interfaces[place] for place in released],
        )
        moved = [1.0 if place == turned else 0.0 for place in locked]
        imposed = np.concatenate([self.line.case.imposed, moved])
        springs = [
            SpringHanger(self.hangers[place].load_n, self.hangers[place].rate_n_per_m) for place in released
        ]
        if turned is None:
            return made, replace(self.line.case, imposed=imposed), springs
        return made, replace(frame.no_load(), imposed=imposed), springs

    def balance_elsewhere(self, solver: Solver) -> int:
        """Every stop in, and every stop out."""
        for out in (frozenset[int](), frozenset(range(self.line.count))):
            solver(*self.elsewhere(out))
        return 1

    def releases_elsewhere(self, solver: Solver, samples: int) -> int:
        """A few states with one stop out."""
        for place in self.spread(samples):
            solver(*self.elsewhere(frozenset({place})))
        return samples

    def influence_elsewhere(self, solver: Solver, samples: int) -> int:
        """A few columns of the influence matrix."""
        for place in self.spread(samples):
            solver(*self.elsewhere(frozenset(), place))
        return samples

    def spread(self, samples: int) -> list[int]:
        """So many hangers, spread over the line."""
        return [self.line.count * (2 * number + 1) // (2 * samples) for number in range(samples)]

    # --- agreement ------------------------------------------------------------------------------------
    def compare(self) -> None:
        """Refuses to measure what does not agree. Raises Nonsense."""
        line, load, locked = self.prepared()
        free = line.start(self.free(), load)
        place = self.spread(1)[0]
        one = line.released(locked, place, -TRAVEL_M, TRAVEL_M)
        column = turn_effects(line, locked).force_n_per_m[:, place]
        first = len(self.line.frame.restraints)
        for name, solver, _ in self.solvers:
            all_in = solver(*self.elsewhere(frozenset()))
            one_out = solver(*self.elsewhere(frozenset({place})))
            turned = solver(*self.elsewhere(frozenset(), place))
            all_out = solver(*self.elsewhere(frozenset(range(self.line.count))))
            nodes = [each.node for each in self.line.frame.interfaces]
            others = np.delete(one.force_n, place)
            worst = max(
                _apart(all_in.reactions[first:], locked.force_n),
                _apart(one_out.reactions[first:], others),
                _apart(turned.reactions[first:], column),
                _apart(all_out.displacements[nodes, 2], free.movement_m),
            )
            plausible(f"{self.line.name}: {name} beside the service", worst, 0.0, AGREE)
            say(f"{name} and the service differ by {worst:.0e} at most, all four kinds of state")


def _apart(theirs: Array, ours: Array) -> float:
    return float(np.abs(theirs - ours).max() / np.abs(ours).max())


def main() -> int:
    """Measures and prints. Returns 0."""
    began = time.perf_counter()
    lines = (long_line(200, 19), branched_line(), long_line(2000, 200))
    for line in lines:
        load = factorise(line.frame).condense([line.case]).loads[:, 0]
        bench = Bench(line, hangers_of(load), _solvers())
        print(f"\n=== {line.name}")
        bench.compare()
        _jobs(bench)
        _bare(line, bench.burst)
    _growth()
    for count in (12, 60):
        _order(count)
    say(f"\n{time.perf_counter() - began:.0f} s in all")
    return 0


def _solvers() -> tuple[tuple[str, Solver, int], ...]:
    """What is installed of the other packages: name, how it is called, how many of many states it solves."""
    found: list[tuple[str, Solver, int]] = []
    module = load_opensees()
    if module is not None:
        found.append(("OpenSees", _opensees(module), SAMPLES))
    found.append(("PyNite", pynite_solution, 1))
    return tuple(found)


def _opensees(module: ModuleType) -> Solver:
    return lambda frame, case, springs: opensees_solution(module, frame, case, springs)


def _jobs(bench: Bench) -> None:
    balances: list[tuple[str, Work]] = [("service", bench.balance)]
    releases: list[tuple[str, Work]] = [(f"service, all {bench.line.count}", bench.releases)]
    influence: list[tuple[str, Work]] = [(f"service, all {bench.line.count}", bench.influence)]
    for name, solver, samples in bench.solvers:
        few = f"{name}, {samples} of {bench.line.count}"
        balances.append((name, lambda solver=solver: bench.balance_elsewhere(solver)))  # type: ignore[misc]
        releases.append((few, lambda s=solver, n=samples: bench.releases_elsewhere(s, n)))  # type: ignore[misc]
        influence.append((few, lambda s=solver, n=samples: bench.influence_elsewhere(s, n)))  # type: ignore[misc]
    tables = [by_turns(each, ROUNDS) for each in (balances, releases, influence)]
    show("The balance: every stop in and every stop out", tables[0], "balances")
    show("States with one stop out", tables[1], "states")
    show("Influence of one turn on all", tables[2], "columns")
    # The three jobs together, from the rates above: one balance, and as many states and columns as hangers.
    whole = [
        sum(
            many / rows[place].rate
            for many, rows in zip((1, bench.line.count, bench.line.count), tables, strict=True)
        )
        for place in range(len(balances))
    ]
    print("\nThe whole job, from the rates above")
    for (name, _), seconds in zip(balances, whole, strict=True):
        say(f"{name:{WIDTH}} {seconds:10.3f} s   {seconds / whole[0]:8.0f}")


def _bare(line: LargeLine, burst: int) -> None:
    """Factorise and condense beside a bare factorisation of the same matrix with its back-substitutions."""
    frame = line.frame
    nodes, members = frame.members()
    places = degrees(nodes)
    size = 6 * len(frame.coordinates)
    held = {6 * each.node + each.kind + int(np.argmax(np.abs(each.direction))) for each in frame.restraints}
    hung = [6 * each.node + 2 for each in frame.interfaces]
    free = np.array(sorted(set(range(size)) - held - set(hung)))
    rows, columns = np.repeat(places, 12, axis=1).ravel(), np.tile(places, (1, 12)).ravel()
    whole = coo_matrix((members.ravel(), (rows, columns)), shape=(size, size)).tocsc()
    whole.eliminate_zeros()
    matrix = whole[free][:, free].tocsc()
    weight = np.zeros(size)
    np.add.at(weight, places.ravel(), frame.member_loads(line.case).ravel())
    right = np.column_stack([weight[free], whole[free][:, hung].toarray()])

    def factorised() -> int:
        for _ in range(burst):
            factors = splu(
                matrix, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True}
            )
            factors.solve(right)
        return burst

    def service() -> int:
        for _ in range(burst):
            factorise(frame).condense([line.case])
        return burst

    rows_of_table = by_turns(
        [
            ("scipy alone: factors and back-substitutions", factorised),
            ("service: assembled to condensed", service),
        ],
        3 * ROUNDS,
    )
    show(f"Factorise and condense to {line.count} hangers", rows_of_table, "lines")


def _growth() -> None:
    contestants: list[tuple[str, Work]] = []
    for elements in (200, 500, 1000, 2000):
        line = long_line(elements, elements // 10 - 1)
        load = factorise(line.frame).condense([line.case]).loads[:, 0]
        contestants.append((line.name, Bench(line, hangers_of(load), ()).balance))
    print("\n=== Growth with size")
    show("The whole balance", by_turns(contestants, 2 * ROUNDS), "balances")


def _order(count: int) -> None:
    line = long_line(10 * (count + 1), count)
    condensed = factorise(line.frame).condense([line.case])
    followed, load = Line(condensed.stiffness), condensed.loads[:, 0]
    locked = followed.start(hangers_of(load, clearance_m=0.004), load)
    support = Support(-UNLIMITED, UNLIMITED, 0.006, 1.0, 20120.0, UNLIMITED * 1e3, 2800.0, 2800.0)
    yard = Yard(followed, [support] * count, np.zeros(count))
    began = time.perf_counter()
    search = Search(yard, locked, [(place,) for place in range(count)])
    best = search.best()
    passed = time.perf_counter() - began
    given = search.follow(range(count))
    plausible(
        "best order beside the order given", best.peak.utilisation, 0.0, given.peak.utilisation * (1 + 1e-9)
    )
    print(f"\n=== Release order of {count} springs")
    say(
        f"{passed:.1f} s; greatest utilisation {best.peak.utilisation:.3f}, no order below {best.bound:.3f}"
        f" ({'exact' if best.exact else 'not proved best'}); in the order along the line"
        f" {given.peak.utilisation:.3f}"
    )


if __name__ == "__main__":
    if any(name not in os.environ for name in THREADS):
        # The libraries read this when they are loaded, which is before any line of this file.
        single = {**os.environ, **dict.fromkeys(THREADS, "1")}
        raise SystemExit(subprocess.run([sys.executable, *sys.argv], env=single, check=False).returncode)
    raise SystemExit(main())
