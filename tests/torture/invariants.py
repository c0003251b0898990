"""What must hold whatever was killed: the recorded history against the stored truth.

`violations` is a pure function of the two. Each check yields what contradicts it; a sound store
yields nothing.
"""

from __future__ import annotations

import hashlib
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import rfc8785

from tests.torture import evidence
from tests.torture.history import ACKNOWLEDGED, REFUSED, SERVICE, History, Sent
from tests.torture.truth import StoredLog, Truth

# Events that the service writes of its own accord, because of another one.
CONSEQUENCES = frozenset({"register-changed", "transition-made", "authorisation-ended", "plant-opened"})
LONGEST = 500  # characters of a violation that are shown
MARK = "marker"  # the extension by which an act's event is told


@dataclass(frozen=True)
class Violation:
    """Something that must never be. log: plant key, "" for the service's log."""

    invariant: str
    detail: str
    log: str = SERVICE

    def __str__(self) -> str:
        return f"{self.invariant} [{self.log or 'service log'}]: {self.detail[:LONGEST]}"


@dataclass
class _Log:
    """A stored log with what follows from its bytes."""

    name: str
    stored: StoredLog
    events: list[dict[str, Any]] = field(default_factory=list)
    leaves: list[bytes] = field(default_factory=list)
    roots: list[bytes] = field(default_factory=list)
    places: dict[str, list[int]] = field(default_factory=dict)

    @property
    def size(self) -> int:
        return len(self.stored.rows)

    def body(self, sequence: Any) -> bytes | None:
        """Exact bytes at this place, or None."""
        rows = self.stored.rows
        if not isinstance(sequence, int) or not 0 <= sequence < len(rows):
            return None
        return rows[sequence][1] if rows[sequence][0] == sequence else None


@dataclass
class _Case:
    history: History
    truth: Truth
    logs: dict[str, _Log]


def violations(history: History, truth: Truth, before: Truth | None = None) -> list[Violation]:
    """Everything in the history and the store that must not be; empty for a sound one.

    before: the store as it was at an earlier check, of which nothing may have changed.
    """
    case = _Case(history, truth, {name: _derived(name, log, truth) for name, log in truth.logs.items()})
    found = [violation for check in CHECKS for violation in check(case)]
    if before is not None:
        found += _kept_as_it_was(before, truth)
    return found


def _derived(name: str, stored: StoredLog, truth: Truth) -> _Log:
    log = _Log(name, stored)
    places: dict[str, list[int]] = defaultdict(list)
    for place, (_, body, _) in enumerate(stored.rows):
        try:
            event = evidence.parsed(body)
        except ValueError:
            event = {}
        log.events.append(event)
        log.leaves.append(evidence.leaf(body))
        identity = identity_of(event, truth.names)
        if identity is not None:
            places[identity].append(place)
    log.roots = evidence.roots(log.leaves)
    log.places = dict(places)
    return log


def identity_of(event: dict[str, Any], names: dict[str, str | None]) -> str | None:
    """What tells the request's event: its marker, or the key of the record that it wrote; None for others."""
    data = event.get("data") or {}
    if event.get("type") == "text-erased":
        return erasure_of(data["sequence"])
    if event.get("type") == "principal-registered":
        return names.get(data.get("principal", ""))
    if str(event.get("type")).endswith("-recorded"):
        return str(event["subject"]).partition("/")[2].casefold() or None
    marker = (data.get("extensions") or {}).get(MARK)
    return str(marker) if marker is not None else None


def erasure_of(sequence: int) -> str:
    """What tells the event that erases the words of another."""
    return f"erasure-of-{sequence}"


# --- the log by itself ----------------------------------------------------------------------------
def _dense(case: _Case) -> Iterator[Violation]:
    for log in case.logs.values():
        places = [sequence for sequence, _, _ in log.stored.rows]
        if places != list(range(len(places))):
            first = next(place for place, sequence in enumerate(places) if place != sequence)
            yield Violation("dense", f"place {first} holds {places[first]}", log.name)
        if log.stored.next_sequence != len(places):
            yield Violation(
                "head", f"the head says {log.stored.next_sequence}, there are {len(places)}", log.name
            )
        last = log.events[-1].get("recorded_at") if log.events else None
        if log.stored.last_recorded_at != last:
            yield Violation("head", f"last recorded {log.stored.last_recorded_at}, not {last}", log.name)


def _bytes(case: _Case) -> Iterator[Violation]:
    for log in case.logs.values():
        for place, (sequence, body, stored) in enumerate(log.stored.rows):
            event = log.events[place]
            if log.leaves[place] != stored:
                yield Violation("bytes", f"{sequence}: the leaf hash is not that of the bytes", log.name)
            if not event or evidence.canonical(event) != body:
                yield Violation("bytes", f"{sequence}: not in canonical form", log.name)
            elif event["sequence"] != sequence or event["log_id"] != log.stored.log_id:
                yield Violation("bytes", f"{sequence}: states another place or log", log.name)


def _chains(case: _Case) -> Iterator[Violation]:
    for log in case.logs.values():
        last: dict[str, tuple[int, str]] = {}
        recorded, ids = "", set()
        for place, event in enumerate(log.events):
            subject = str(event.get("subject")).casefold()
            count, previous = last.get(subject, (0, None))
            if (event.get("subject_sequence"), event.get("previous")) != (count, previous):
                yield Violation("chain", f"{place} does not follow its subject's last event", log.name)
            last[subject] = (count + 1, log.leaves[place].hex())
            if str(event.get("recorded_at")) < recorded:
                yield Violation("time", f"{place} was recorded before the one ahead of it", log.name)
            recorded = str(event.get("recorded_at"))
            if event.get("id") in ids:
                yield Violation("id", f"{place} has an id that came before", log.name)
            ids.add(event.get("id"))


# --- what was sent ----------------------------------------------------------------------------------
def _requests(case: _Case) -> Iterator[Violation]:
    for sent in case.history.sent:
        log = case.logs.get(sent.log)
        if log is None:
            yield Violation("acknowledged", "the whole log is gone", sent.log)
            continue
        found = [len(log.places.get(identity, ())) for identity in sent.identities]
        what = f"{sent.identities[0]} ({sent.method} {sent.path}, {sent.outcome}, {sent.statuses})"
        if any(count > 1 for count in found):
            yield Violation("once", f"{what} was written {max(found)} times", sent.log)
        if any(found) and not all(found):
            yield Violation("whole", f"{what} was written in part", sent.log)
        if sent.outcome == ACKNOWLEDGED and not all(found):
            yield Violation("acknowledged", f"{what} is lost", sent.log)
        if sent.outcome == REFUSED and any(found):
            yield Violation("refused", f"{what} was written in spite of the refusal", sent.log)


def _answers(case: _Case) -> Iterator[Violation]:
    for sent in case.history.sent:
        log = case.logs.get(sent.log)
        if log is None or not sent.answers:
            continue
        first = sent.answers[0]
        if sent.firsts > 1:
            yield Violation("replay", f"{sent.identities[0]}: {sent.firsts} answers are no replays", sent.log)
        if any(answer != first for answer in sent.answers[1:]):
            yield Violation("replay", f"{sent.identities[0]}: answers differ", sent.log)
        for detail in _contradictions(sent, first, log, case.truth):
            yield Violation("acknowledged", f"{sent.identities[0]}: {detail}", sent.log)


def _contradictions(sent: Sent, answer: Any, log: _Log, truth: Truth) -> Iterator[str]:
    """What the log says against an answer that acknowledged a write."""
    places = [log.places.get(identity, [-1])[0] for identity in sent.identities]
    if sent.kind == "act":
        for event in (answer["event"], *answer["consequences"]):
            body = log.body(event["sequence"])
            if body != evidence.canonical(event):
                yield f"the bytes at {event['sequence']} are others than were acknowledged"
        leaf_hash = log.leaves[places[0]].hex() if places[0] >= 0 else None
        if answer["event"]["sequence"] != places[0] or answer["leaf_hash"] != leaf_hash:
            yield f"acknowledged at {answer['event']['sequence']}, found at {places[0]}"
    elif sent.kind == "record":
        if answer["sequence"] != places[0]:
            yield f"acknowledged at {answer['sequence']}, found at {places[0]}"
        elif log.events[places[0]]["data"]["revision"] != answer["revision"]:
            yield f"another revision than was acknowledged at {places[0]}"
    elif sent.kind == "bulk":
        rows = [row["sequence"] for row in answer]
        if rows != places:
            yield f"rows acknowledged at {rows}, found at {places}"
    elif sent.kind == "principal" and truth.names.get(answer["id"]) != sent.identities[0]:
        yield "the principal acknowledged is not there"


def _words(case: _Case) -> Iterator[Violation]:
    for sent in case.history.sent:
        log = case.logs.get(sent.log)
        if log is None or sent.words is None:
            continue
        for place in log.places.get(sent.identities[0], ()):
            erased = erasure_of(place) in log.places
            found = log.stored.notes.get(place)
            if found != (None if erased else sent.words):
                state = "erased" if erased else "not erased"
                yield Violation("words", f"{place} is {state}, and its note is {found!r}", sent.log)


def _invented(case: _Case) -> Iterator[Violation]:
    known = {(sent.log, identity) for sent in case.history.sent for identity in sent.identities}
    for log in case.logs.values():
        begin = case.history.before.get(log.name, 0)
        for identity, places in log.places.items():
            if places[-1] >= begin and (log.name, identity) not in known:
                yield Violation("invented", f"nobody sent {identity} at {places}", log.name)
        for place in range(begin, log.size):
            event = log.events[place]
            if event.get("type") not in CONSEQUENCES and identity_of(event, case.truth.names) is None:
                yield Violation("invented", f"{event.get('type')} at {place} is nobody's", log.name)


def scope_of(sent: Sent) -> str:
    """The scope under which the answer to this request is kept."""
    suffix = "#0" if sent.kind == "bulk" else ""
    material = [sent.principal, sent.method, sent.path, f"{sent.key}{suffix}"]
    return hashlib.sha256(rfc8785.dumps(material)).hexdigest()


def _keys(case: _Case) -> Iterator[Violation]:
    expected: set[str] = set(case.history.kept_before)
    for sent in case.history.sent:
        if sent.key is None or sent.log not in case.logs:
            continue
        scope = scope_of(sent)
        written = sent.identities[0] in case.logs[sent.log].places
        kept = case.truth.kept.get(scope)
        if written != (kept is not None):
            state = "written without its key" if written else "kept under a key, but not written"
            yield Violation("keys", f"{sent.identities[0]} is {state}", sent.log)
        if kept is None:
            continue
        expected.add(scope)
        answer = kept["rows"] if sent.kind == "bulk" else kept
        for detail in _contradictions(sent, answer, case.logs[sent.log], case.truth):
            yield Violation("keys", f"the answer kept for {sent.identities[0]}: {detail}", sent.log)
        if sent.answers and sent.kind != "bulk" and answer != sent.answers[0]:
            yield Violation(
                "keys", f"the answer kept for {sent.identities[0]} is not the one given", sent.log
            )
    for scope in case.truth.kept.keys() - expected:
        yield Violation("keys", f"an answer is kept that nobody asked for: {scope[:12]}")


# --- what was shown -----------------------------------------------------------------------------------
def _stored_checkpoints(case: _Case) -> Iterator[Violation]:
    for log in case.logs.values():
        if not log.stored.signed:
            continue
        sizes = [size for size, _, _ in log.stored.checkpoints]
        if sizes[-1:] != [log.size]:
            yield Violation("checkpoint", f"the newest is of {sizes[-1:]}, the log has {log.size}", log.name)
        for size, root, note in log.stored.checkpoints:
            yield from _bad_note(case, log, note, "stored", (size, root))
        for (level, position), hashed in log.stored.tiles.items():
            width = evidence.TILE**level
            covered = log.leaves[position * width : (position + 1) * width]
            if len(covered) != width or evidence.root(covered) != hashed:
                yield Violation("tile", f"the hash at level {level}, {position} is not the tree's", log.name)
        for level in (1, 2):
            whole = log.size // evidence.TILE**level
            missing = {(level, position) for position in range(whole)} - log.stored.tiles.keys()
            if missing:
                yield Violation("tile", f"no hash at {sorted(missing)[0]}", log.name)
        for name, note in case.truth.witnesses.items():
            if name.endswith(log.stored.log_id):
                yield from _bad_note(case, log, note, "witness", None)


def _bad_note(
    case: _Case, log: _Log, note: str, what: str, stated: tuple[int, bytes] | None
) -> Iterator[Violation]:
    """What is wrong with a signed note: its signature, its origin, or that its root is not the log's."""
    try:
        found = evidence.checkpoint(note, case.history.keys)
    except (evidence.BadNote, ValueError) as error:
        yield Violation("checkpoint", f"{what}: {error}", log.name)
        return
    if stated is not None and stated != (found.size, found.root):
        yield Violation(
            "checkpoint", f"{what}: the note is of {found.size}, its row of {stated[0]}", log.name
        )
    if found.origin != log.stored.origin:
        yield Violation("checkpoint", f"{what}: origin {found.origin}", log.name)
    if found.size > log.size:
        yield Violation("checkpoint", f"{what}: of size {found.size}, but the log has {log.size}", log.name)
    elif log.roots[found.size] != found.root:
        yield Violation("checkpoint", f"{what}: that of {found.size} is no prefix of the log", log.name)


def _served_checkpoints(case: _Case) -> Iterator[Violation]:
    last: dict[tuple[str, str], int] = {}
    acknowledged: dict[str, list[tuple[float, int]]] = defaultdict(list)
    for sent in case.history.sent:
        if sent.answered_at is not None:
            for sequence in _sequences(sent):
                acknowledged[sent.log].append((sent.answered_at, sequence))
    stored = {name: {note for _, _, note in log.stored.checkpoints} for name, log in case.logs.items()}
    by_log: dict[str, list[tuple[float, int]]] = defaultdict(list)
    seen: set[tuple[str, str]] = set()
    for served in case.history.served:
        log = case.logs.get(served.log)
        if log is None:
            continue
        if (served.log, served.note) not in seen:
            seen.add((served.log, served.note))
            yield from _bad_note(case, log, served.note, "served", None)
            if served.note not in stored[served.log]:
                yield Violation("checkpoint", "served: a note that is not stored", served.log)
        size = int(served.note.splitlines()[1])
        who = (served.observer, served.log)
        if size < last.get(who, 0):
            yield Violation("checkpoint", f"served {size} after {last[who]}", served.log)
        last[who] = size
        by_log[served.log].append((served.asked_at, size))
    for name, asked in by_log.items():
        yield from _uncovered(name, sorted(acknowledged[name]), sorted(asked))


def _uncovered(
    log: str, acknowledged: list[tuple[float, int]], asked: list[tuple[float, int]]
) -> Iterator[Violation]:
    """Checkpoints that were asked for after an acknowledgement, and do not cover what it acknowledged."""
    greatest, place = -1, 0
    for asked_at, size in asked:
        while place < len(acknowledged) and acknowledged[place][0] < asked_at:
            greatest = max(greatest, acknowledged[place][1])
            place += 1
        if size <= greatest:
            yield Violation("checkpoint", f"{size} was served when {greatest} was acknowledged", log)


def _sequences(sent: Sent) -> list[int]:
    """Places that a request's answer named."""
    if not sent.answers:
        return []
    answer = sent.answers[0]
    if sent.kind == "act":
        found = [answer["event"]["sequence"]]
    elif sent.kind == "record":
        found = [answer["sequence"]]
    else:
        found = [row["sequence"] for row in answer] if sent.kind == "bulk" else []
    return [sequence for sequence in found if sequence is not None]


def _readers(case: _Case) -> Iterator[Violation]:
    for reading in case.history.readings:
        log = case.logs.get(reading.log)
        if log is None:
            continue
        for place, body in enumerate(reading.bodies(), start=reading.first):
            if body != log.body(place):
                yield Violation("reader", f"{reading.reader} read other bytes at {place}", reading.log)
                break
        if reading.complete and reading.following < log.size:
            yield Violation(
                "reader", f"{reading.reader} came to {reading.following} of {log.size}", reading.log
            )


def _webhooks(case: _Case) -> Iterator[Violation]:
    for subscription in case.history.subscriptions:
        log = case.logs.get(subscription.log)
        if log is None:
            continue
        places = {body: place for place, (_, body, _) in enumerate(log.stored.rows)}
        chains: dict[str, list[int]] = defaultdict(list)
        for place in range(subscription.first, log.size):
            chains[str(log.events[place].get("subject")).casefold()].append(place)
        ahead = {place: before for chain in chains.values() for before, place in pairwise(chain)}
        done: set[int] = set()
        for delivered in case.history.delivered:
            if delivered.log != subscription.log:
                continue
            place = places.get(evidence.base64.b64decode(delivered.body), -1)
            if place < 0 or log.events[place].get("id") != delivered.identifier:
                yield Violation("webhook", f"{delivered.identifier} is no event of the log", log.name)
                continue
            if not delivered.signed:
                yield Violation("webhook", f"{place} was delivered without a good signature", log.name)
            if place in ahead and ahead[place] not in done:
                yield Violation("webhook", f"{place} came before {ahead[place]} was taken", log.name)
            if delivered.accepted:
                done.add(place)
        missing = set(range(subscription.first, log.size)) - done
        if subscription.complete and missing:
            yield Violation("webhook", f"{len(missing)} never came, first {min(missing)}", log.name)


# --- the rest -----------------------------------------------------------------------------------------
def _derived_tables(case: _Case) -> Iterator[Violation]:
    counted = Counter(difference.partition(":")[0] for difference in case.truth.differences)
    for difference in case.truth.differences[:5]:
        yield Violation("projections", f"{difference} (of {sum(counted.values())})")
    for log in case.logs.values():
        if log.stored.fault is not None:
            yield Violation("sealed", log.stored.fault, log.name)


def _remarks(case: _Case) -> Iterator[Violation]:
    for remark in case.history.remarks:
        yield Violation(remark.invariant, remark.detail, remark.log)


def _kept_as_it_was(before: Truth, now: Truth) -> Iterator[Violation]:
    """What an earlier look at the store saw, and is not there any more as it was."""
    for name, earlier in before.logs.items():
        later = now.logs.get(name)
        if later is None or later.rows[: len(earlier.rows)] != earlier.rows:
            yield Violation("append-only", "rows have changed since the last check", name)
        elif later.checkpoints[: len(earlier.checkpoints)] != earlier.checkpoints:
            yield Violation("append-only", "checkpoints have changed since the last check", name)
    for scope, answer in before.kept.items():
        if now.kept.get(scope) != answer:
            yield Violation("append-only", f"an answer kept has changed: {scope[:12]}")


Check = Callable[[_Case], Iterator[Violation]]
CHECKS: tuple[Check, ...] = (
    _dense,
    _bytes,
    _chains,
    _requests,
    _answers,
    _words,
    _invented,
    _keys,
    _stored_checkpoints,
    _served_checkpoints,
    _readers,
    _webhooks,
    _derived_tables,
    _remarks,
)


def summary(history: History) -> dict[str, int]:
    """Figures of a history, for the report."""
    outcomes = Counter(sent.outcome for sent in history.sent)
    return {
        "requests": len(history.sent),
        "acknowledged": outcomes[ACKNOWLEDGED],
        "unknown": sum(sent.unknown > 0 for sent in history.sent),
        "retried": sum(sent.tries > 1 for sent in history.sent),
        "abandoned": outcomes["unknown"] + outcomes[REFUSED],
        "checkpoints": len({served.note for served in history.served}),
        "deliveries": len(history.delivered),
    }
