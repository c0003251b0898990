"""What shall happen, drawn from a seed: the same seed gives the same plan, whatever comes of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from random import Random
from typing import Any

from tests.torture.points import ALL_POINTS, POINTS, WHOLE, WORKER

SERVERS = ("one", "two")
CYCLES_A_ROUND = 8
# What can be done to a running service, with the weight by which it is drawn.
COMMON = {
    "kill-worker": 5,
    "kill-server": 3,
    "kill-master": 1,
    "kill-both": 2,
    "kill-relay": 1,
    "stall": 1,
    "clock": 3,
    "restart": 1,
}
POSTGRESQL = {"backend": 3, "terminate": 3, "database": 2}


@dataclass(frozen=True)
class Action:
    """One thing done at a moment. at_s: seconds after the writers began. server: whom it meets.

    point, after: for `point`, the passage at which the process dies. scope: what dies with it.
    value: seconds, of a clock's offset, of standing still, or of being down.
    """

    at_s: float
    what: str
    server: str = ""
    point: str = ""
    after: int = 0
    scope: str = WORKER
    value: float = 0.0


@dataclass(frozen=True)
class Cycle:
    """Some seconds of writing with what is done meanwhile; then everything is brought to rest and checked."""

    number: int
    seconds: float
    actions: tuple[Action, ...]


@dataclass(frozen=True)
class Round:
    """A fresh store and some cycles on it. small_disk: it lies on a file system that is filled once.

    kill_when_full: whether everything is killed while there is no room. refusing: share of its messages
    that the webhook's receiver refuses. workers: processes of each server.
    """

    number: int
    small_disk: bool
    kill_when_full: bool
    refusing: float
    workers: int
    cycles: tuple[Cycle, ...]


def rounds(
    seed: int,
    engine: str,
    *,
    cycles: int = CYCLES_A_ROUND,
    seconds: tuple[float, float] = (2.0, 6.0),
    points: int = 4,
    passages: int = 20,
    named: tuple[str, ...] = ALL_POINTS,
) -> Iterator[Round]:
    """Rounds without end.

    cycles: of each round. seconds: shortest and longest time of writing. points: named points for each
    cycle. passages: at most so many of a point until the deadly one. named: the points.
    """
    chance = Random(f"plan/{engine}/{seed}")
    deck: list[str] = []
    number = 0
    while True:
        small = number % 2 == 0
        made = []
        for place in range(cycles):
            length = round(chance.uniform(*seconds), 2)
            actions = list(_points(chance, deck, length, (points, passages), named)) + list(
                _others(chance, engine, length)
            )
            if small and place == cycles - 1:
                actions = [action for action in actions if action.what in ("clock", "stall")]
                actions.append(Action(round(length * 0.3, 2), "disk"))
            made.append(Cycle(place, length, tuple(sorted(actions, key=lambda each: each.at_s))))
        yield Round(
            number,
            small,
            kill_when_full=chance.random() < 0.5,
            refusing=chance.choice((0.0, 0.0, 0.005)),
            workers=chance.choice((1, 1, 2)),
            cycles=tuple(made),
        )
        number += 1


def short_rounds(seed: int, engine: str) -> Iterator[Round]:
    """Rounds of a few seconds, with many deaths, and with the disk filled at the end.

    The relay dies with its server only: what watches it takes longer each time it starts it again.
    """
    return rounds(seed, engine, cycles=3, seconds=(1.2, 1.5), points=11, passages=4, named=POINTS)


def _points(
    chance: Random, deck: list[str], length: float, most: tuple[int, int], named: tuple[str, ...]
) -> Iterator[Action]:
    """Named points: each comes up once before any comes up again."""
    count, passages = most
    for _ in range(chance.randint(count // 2, count)):
        if not deck:
            deck += named
            chance.shuffle(deck)
        yield Action(
            round(chance.uniform(0, length * 0.8), 2),
            "point",
            chance.choice(SERVERS),
            deck.pop(),
            chance.randint(1, passages),
            WHOLE if chance.random() < 0.3 else WORKER,
        )


def _others(chance: Random, engine: str, length: float) -> Iterator[Action]:
    kinds = COMMON | (POSTGRESQL if engine == "postgresql" else {})
    for what in chance.choices(tuple(kinds), tuple(kinds.values()), k=chance.randint(0, 4)):
        at_s = round(chance.uniform(0, length), 2)
        value = 0.0
        if what == "clock":
            value = chance.choice((-7_200.0, -600.0, -30.0, -1.0, 0.0, 45.0))
        elif what == "stall":
            value = round(chance.uniform(0.2, 1.5), 2)
        elif what in ("kill-server", "kill-both", "database"):
            value = round(chance.uniform(0.0, 0.5), 2)
        yield Action(at_s, what, chance.choice(SERVERS), value=value)


def as_document(planned: Round) -> dict[str, Any]:
    """A round as JSON."""
    return asdict(planned)
