"""Runs: the tracks of a line with what stands on each, and the words that are read out of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from service.domain.balance.drawing_layout import plain
from service.domain.balance.drawing_marks import number
from service.domain.balance.drawing_path import Place, Track, shape, tracks
from service.domain.balance.drawing_sheet import (
    HangerRow,
    Holder,
    Mass,
    Sheet,
    bare_text,
    hanger_sentence,
)
from service.domain.line_models.built import BuiltLine

_LETTERS: Final = "abcdefghijklmnopqrstuvwxyz"

Note = tuple[str, str]


@dataclass(frozen=True)
class Held:
    """What is on the line and is no hanger. kind: `anchor`, `nozzle`, `guide`, or the weight of a mass."""

    node: int
    kind: str
    label: str


@dataclass(frozen=True)
class BareRun:
    """A stretch on which something is missing, with the letter of its note [m]."""

    letter: str
    from_m: float
    to_m: float


@dataclass(frozen=True)
class Run:
    """One track with what is on it. points: centre line, each with its settled movement upward [m]."""

    track: Track
    points: list[tuple[Place, float]]
    hangers: list[HangerRow]
    held: list[Held]
    bare: list[BareRun]


def runs_of(built: BuiltLine, figures: Sheet) -> tuple[list[Run], list[Note]]:
    """The tracks of a line with what is on each, and notes: a letter and what it stands for."""
    frame, placed = built.frames["present"], set[int]()
    settled = None if figures.settled is None else (built.cases["present"], figures.settled)
    notes: list[Note] = []
    runs = []
    for track in tracks(frame):
        new = set(track.nodes) - placed
        placed |= new
        at = track.distances_m
        hangers = sorted((row for row in figures.hangers if row.node in new), key=lambda row: at[row.node])
        things: Sequence[Holder | Mass] = (*figures.holders, *figures.masses)
        held = [_held(thing) for thing in things if thing.node in new]
        held.sort(key=lambda each: at[each.node])
        bare = _bare_runs(built, figures, track, notes)
        runs.append(Run(track, shape(frame, track, settled), hangers, held, bare))
    return runs, notes


def _bare_runs(built: BuiltLine, figures: Sheet, track: Track, notes: list[Note]) -> list[BareRun]:
    """Stretches where something is not on; each segment gets a letter and a note."""
    found = []
    for stretch in track.stretches(built):
        bare = figures.bare.get(stretch.segment)
        if bare is not None:
            text = bare_text(bare)
            letter = next((known for known, note in notes if note == text), None)
            if letter is None:
                letter = _letter(len(notes))
                notes.append((letter, text))
            found.append(BareRun(letter, stretch.from_m, stretch.to_m))
    return found


def _held(thing: Holder | Mass) -> Held:
    kind = thing.kind if isinstance(thing, Holder) else f"{thing.weight_n / 1000.0:.2f} kN"
    return Held(thing.node, kind, thing.name)


def _letter(place: int) -> str:
    """a to z, then aa, ab and so on."""
    high, low = divmod(place, len(_LETTERS))
    return (_LETTERS[high - 1] if high else "") + _LETTERS[low]


# --- words ------------------------------------------------------------------------------------------------
def title_of(name: str | None) -> str:
    """Title of the drawing of a line."""
    return f"Elevation of line {name}" if name else "Elevation of the line"


def subtitle(figures: Sheet) -> str:
    """Which line it is that is drawn."""
    revision = figures.weighing.model_revision
    words = "As the line stands now, cold"
    words += f"; model revision {revision}" if revision is not None else ""
    springs = [row for row in figures.hangers if row.kind != "rigid"]
    if springs:
        out = sum(row.released for row in springs)
        words += f"; stops are out at {out} of {len(springs)} springs"
    return f"{words}. Loads are at the pipe."


def track_title(place: int, run: Run) -> str:
    """Title of a track; place: its number from 0."""
    if run.track.fork_m is None:
        return "Main run" if place == 0 else f"Track {place + 1}"
    parent = "the main run" if run.track.parent == 0 else f"track {(run.track.parent or 0) + 1}"
    return f"Track {place + 1}, a branch at {run.track.fork_m:.1f} m of {parent}"


def described(figures: Sheet, runs: Sequence[Run], notes: Sequence[Note]) -> list[str]:
    """Everything that is drawn, a line each, for reading out."""
    lines = [subtitle(figures), "What is on the line, by distance:"]
    for place, run in enumerate(runs):
        lines.append(f"{track_title(place, run)}:")
        at = run.track.distances_m
        lines += [f"{number(at[row.node])} m: {hanger_sentence(row)}" for row in run.hangers]
        lines += [f"{number(at[each.node])} m: {each.label or 'unnamed'}, {each.kind}." for each in run.held]
    return lines + [f"Not wholly on: {text}." for _, text in notes]


def remarks(figures: Sheet, times: float, upright: float) -> list[str]:
    """What the drawing rests on and what is indicative in it.

    Args:
        figures: what is drawn
        times: how many times the settled shape is drawn
        upright: scale of elevations over that of distances
    """
    said, lines = figures.weighing, []
    if said.indicative:
        lines.append("Indicative: the pick-up heights are not all surveyed.")
    if any(row.locked_n is not None and row.locked_n[0] < row.locked_n[1] for row in figures.hangers):
        lines.append(
            "Least and most: a locked load lies between them; heights and places of pins in slots are known "
            "no better. A bar reaches to the middle, its whisker spans them."
        )
    if figures.settled is None:
        lines.append(f"No settled shape is drawn. {figures.why_not}")
    else:
        lines.append(
            "Released cold and settled shape: all stops out, cold, as the line stands now, without friction. "
            f"The shape is drawn {times:g} times."
        )
    if said.unheld is not None:
        lines.append(f"Nothing holds the line: {plain(said.unheld)}.")
    if said.drifting:
        names = plain(", ".join(said.drifting))
        lines.append(f"Nothing fixes the line's height once these are out: {names}.")
    lines += [f"Cannot be said: {plain(reason)}" for reason in dict.fromkeys(said.unsaid.values())]
    lines.append(
        "End of travel: over the friction band. "
        f"Elevations are drawn at {upright:.2g} times the scale of distances."
    )
    if said.assumed:
        lines.append(plain(" ".join(said.assumed)))
    if said.limits:
        lines.append(plain(f"What the model leaves out: {' '.join(said.limits)}"))
    return lines
