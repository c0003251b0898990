"""Reading the log: pages, exports of exact bytes, and single events."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import orjson

from service.application.context import Context, Page, line_in_scope, nothing_there, plant_in_scope, require
from service.canonical import canonical_bytes
from service.domain.instants import format_instant
from service.domain.ports import EventFilter, LogReader, StoredCheckpoint, StoredEvent
from service.errors import Finding, InvalidParameter, LogCorrupt, StoreBusy
from service.ledger import exports
from service.ledger.hashing import leaf_hash
from service.ledger.leaf_check import LeafCheck
from service.ledger.verifier import Refused, VerifierKey, open_checkpoint, parse_checkpoint, parse_note


def _wanted(context: Context, wanted: EventFilter) -> EventFilter:
    return replace(wanted, lines=context.principal.lines)


def begin_within(start: int, size: int, name: str = "from") -> None:
    """A start beyond the end is a mistake of the caller's bookkeeping, never an empty page.

    `size` itself is the place of the next event and is accepted. Errors: InvalidParameter.
    """
    if start > size:
        raise InvalidParameter(
            f"{name} lies beyond the end of the log.",
            errors=[
                Finding("query", "within-the-log", "not reached yet", name=name, accepted=f"0 to {size}")
            ],
        )


def _bounds(start: int, end: int | None, size: int) -> None:
    """Both bounds lie within the log, and in order. Errors: InvalidParameter."""
    begin_within(start, size)
    if end is None:
        return
    begin_within(end, size, "to")
    if end < start:
        raise InvalidParameter(
            "to lies before from.",
            errors=[
                Finding("query", "in-order", "lies before from", name="to", accepted=f"{start} to {size}")
            ],
        )


def list_events(
    context: Context, plant: str, wanted: EventFilter, start: int, end: int | None, limit: int
) -> Page:
    """A page of events [start, end) in order; end None is the end of the log.

    following is the sequence after the last one given, or None at the end.
    """
    require(context, "read_log")
    plant_in_scope(context, plant)
    with context.store.pull(plant, start if end is None else max(start, end - 1)) as reader:
        _bounds(start, end, reader.size)
        rows = reader.events(_wanted(context, wanted), start, limit + 1)
    if end is not None:
        rows = [row for row in rows if row.event.sequence < end]
    following = rows[limit - 1].event.sequence + 1 if len(rows) > limit else None
    return Page(rows[:limit], following)


# --- exports --------------------------------------------------------------------------------------
@dataclass(frozen=True)
class Export:
    """What an export holds beside the events' exact bytes.

    trailer: a signed last line, by which a cut-off export shows. documents: large documents after the
    events that name them. texts: words kept beside the log, as far as they are not erased.
    """

    trailer: bool = True
    documents: bool = False
    texts: bool = False


@dataclass(frozen=True)
class _Part:
    """A part of one log: events [start, end) that the filter lets through.

    signed: the checkpoint that the trailer carries, None without a trailer. origin: under which that one
    was signed. limited: the part ends before the checkpoint does, at the caller's wish.
    """

    plant: str
    wanted: EventFilter
    start: int
    end: int
    origin: str
    signed: StoredCheckpoint | None
    limited: bool


def export_events(
    context: Context, plant: str, wanted: EventFilter, start: int, end: int | None, form: Export
) -> Iterator[bytes]:
    """Exact stored bytes, one event a line, then the signed trailer.

    start, end: sequences [start, end); end None is the end of the log as it stands at the call. With an
    end, the trailer carries the first checkpoint stored that covers it, so that a range gives the same
    bytes each time.

    Errors: InvalidParameter for a bound beyond the log, StoreBusy where no checkpoint covers the range
    yet. Both come from the call itself, not from the first line.
    """
    require(context, "read_log")
    plant_in_scope(context, plant)
    with context.store.pull(plant, start if end is None else max(start, end - 1)) as reader:
        _bounds(start, end, reader.size)
        signed = None
        if form.trailer:
            signed = reader.checkpoint() if end is None else reader.checkpoint_covering(end)
            if signed is None or signed.size < start:
                raise not_signed_yet(signed)
        last = end if end is not None else reader.size if signed is None else signed.size
        log_id = reader.log_id
    part = _Part(
        plant=plant,
        wanted=_wanted(context, wanted),
        start=start,
        end=last,
        origin="" if signed is None else _origin_of(context, log_id, signed),
        signed=signed,
        limited=signed is not None and last < signed.size,
    )
    return _lines(context, part, form)


def _origin_of(context: Context, log_id: str, signed: StoredCheckpoint) -> str:
    """The origin of a checkpoint that is about to be given out under a seal.

    The seal is made by the service's keys now, so that what it rests on is verified first: the row in
    the tables may have been changed, the signature not.

    Errors: LogCorrupt for a note that no listed key signed, or that states another size or root.
    """
    with context.store.read_service() as service:
        known = [bytes.fromhex(key.public_key) for key in service.known_keys()]
    try:
        origin = parse_checkpoint(parse_note(signed.note).text).origin
        stated = open_checkpoint(signed.note, [VerifierKey(origin, key) for key in known])
    except Refused as error:
        raise LogCorrupt(
            "A stored checkpoint does not verify.", position=signed.size, reason=error.reason
        ) from error
    if (stated.size, stated.root) != (signed.size, signed.root) or log_id not in origin.split("/"):
        raise LogCorrupt(
            "A stored checkpoint states another size, root or log.", position=signed.size, reason="altered"
        )
    return origin


def not_signed_yet(newest: StoredCheckpoint | None) -> StoreBusy:
    """The error for what the stored checkpoints do not cover: a release that does not sign wrote it."""
    size = 0 if newest is None else newest.size
    return StoreBusy("No signed checkpoint covers these events yet; the next write makes one.", signed=size)


class _Rows:
    """The rows given so far, and whether they are the signed log's.

    Of an export without filter from the first event on, the rows' own root must be the signed one; of
    any other the rows are put into the stored tree, whose root must be the signed one.
    """

    def __init__(self, context: Context, part: _Part, signed: StoredCheckpoint) -> None:
        self._start, self._signed = part.start, signed
        self.stated = _stated(part)
        self.tally = exports.RowTally()
        whole = part.start == 0 and not self.stated
        self._check = (
            None if whole else LeafCheck(_StoredHashes(context, part.plant, signed.size), signed.size)
        )

    def take(self, chunk: Sequence[tuple[int, bytes]]) -> None:
        """Takes in the next rows. Errors: LogCorrupt for a row out of its place."""
        leaves = [leaf_hash(body) for _, body in chunk]
        self.tally.extend(leaves)
        if self._check is not None:
            for (sequence, _), leaf in zip(chunk, leaves, strict=True):
                self._check.take(sequence, leaf)

    def hold_against_the_signed_root(self) -> None:
        """Ends the taking. Errors: LogCorrupt when what was given is not what was signed."""
        root = self.tally.root() if self._check is None else self._check.root()
        if root != self._signed.root:
            raise LogCorrupt("The events differ from what was signed.", position=self._start, reason="root")


@dataclass(frozen=True)
class _StoredHashes:
    """The hashes of a log's tree, each run read on its own, so that no transaction stays open."""

    context: Context
    plant: str
    size: int

    def hashes(self, level: int, start: int, end: int) -> Sequence[bytes]:
        """Hashes [start, end) of the full subtrees of 256**level leaves."""
        with self.context.store.pull(self.plant, self.size - 1) as reader:
            return reader.hashes(level, start, end)


def _lines(context: Context, part: _Part, form: Export) -> Iterator[bytes]:
    rows = None if part.signed is None else _Rows(context, part, part.signed)
    for chunk in context.store.stream(part.plant, part.wanted, part.start, part.end):
        if rows is not None:
            rows.take(chunk)
        if form.documents or form.texts:
            yield from _with_what_is_beside(context, part.plant, chunk, form)
        else:
            yield b"".join(body + b"\n" for _, body in chunk)
    if part.signed is not None and rows is not None:
        rows.hold_against_the_signed_root()
        yield _trailer(context, part, part.signed, rows)


def _with_what_is_beside(
    context: Context, plant: str, chunk: Sequence[tuple[int, bytes]], form: Export
) -> Iterator[bytes]:
    """Each event's line, then its document and its words; no transaction is open while a line is sent."""
    words: dict[int, list[bytes]] = {}
    if form.texts:
        with context.store.read(plant) as reader:  # never from a copy: it may still hold erased words
            for kept in reader.kept_texts(chunk[0][0], chunk[-1][0] + 1):
                words.setdefault(kept.sequence, []).append(
                    exports.text_line(kept.sequence, kept.field, kept.salt, kept.text.encode("utf-8"))
                )
    for sequence, body in chunk:
        yield body + b"\n"
        digest = orjson.loads(body)["data"].get("document_sha256") if form.documents else None
        if digest is not None:
            yield exports.document_line(digest, *_document(context, plant, digest, sequence))
        yield from words.get(sequence, ())


def _trailer(context: Context, part: _Part, signed: StoredCheckpoint, rows: _Rows) -> bytes:
    """The signed last line."""
    text = exports.seal_text(
        origin=part.origin,
        size=signed.size,
        start=part.start,
        count=rows.tally.size,
        root=rows.tally.root(),
        filter=canonical_bytes(rows.stated).decode("utf-8"),
    )
    return exports.trailer_line(signed.note, context.store.signed(text, part.origin), rows.tally)


def _stated(part: _Part) -> Mapping[str, Any]:
    """The filter as the seal states it: parameters by name, `lines` for a token's scope, `to` for an end."""
    wanted = part.wanted
    stated: dict[str, Any] = {
        name: value for name in ("line", "hanger", "type") if (value := getattr(wanted, name)) is not None
    }
    for name in ("since", "until", "occurred_since", "occurred_until"):
        moment = getattr(wanted, name)
        if moment is not None:
            stated[name] = format_instant(moment)
    if wanted.lines is not None:
        stated["lines"] = sorted(wanted.lines)
    if part.limited:
        stated["to"] = part.end
    return stated


# --- single events --------------------------------------------------------------------------------
def visible_event(context: Context, reader: LogReader, plant: str, sequence: int) -> StoredEvent:
    """One event in scope. Errors: NotFound for an absent and a hidden one alike."""
    stored = reader.event(sequence)
    if stored is None:
        raise nothing_there()
    line_in_scope(context, plant, stored.event.line)
    return stored


def get_event(context: Context, plant: str, sequence: int) -> StoredEvent:
    """One event with its exact bytes."""
    require(context, "read_log")
    plant_in_scope(context, plant)
    with context.store.read(plant) as reader:
        return visible_event(context, reader, plant, sequence)


def get_event_document(context: Context, plant: str, sequence: int) -> tuple[str, bytes]:
    """Media type and exact bytes of the document that an event names by its digest.

    A large document is kept beside the log: the leaf holds its SHA-256. Errors: NotFound when the event
    names none.
    """
    digest = get_event(context, plant, sequence).event.data.get("document_sha256")
    if digest is None:
        raise nothing_there()
    return _document(context, plant, digest, sequence)


def _document(context: Context, plant: str, digest: str, sequence: int) -> tuple[str, bytes]:
    with context.store.read(plant) as reader:
        found = reader.document(digest)
    if found is None:
        raise LogCorrupt("A document that the log names is not there.", position=sequence, reason="document")
    return found
