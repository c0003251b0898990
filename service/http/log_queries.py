"""Query strings of the log: parts of it, and which proof is asked for."""

from __future__ import annotations

from service.domain.events import TYPES
from service.http.queries import PAGE_DEFAULT, PAGE_MAX, Choice, Flag, Instant, Query, Whole, key_field


class EventPageQuery(Query):
    """A part of the log."""

    start = Whole(
        "First sequence wanted. The log's size (the place of the next event) gives an empty page; "
        "more than that is refused.",
        data_key="from",
        load_default=0,
    )
    to = Whole(
        "First sequence no longer wanted, at most the log's size; a range that has an end gives the same "
        "bytes each time. The end of the log when left out. Not for server-sent events, which have no end."
    )
    limit = Whole(
        f"Most events on a JSON page; more than {PAGE_MAX} is taken as {PAGE_MAX}. "
        "Read for JSON alone: NDJSON goes on to the end of the range.",
        least=1,
        cap=PAGE_MAX,
        load_default=PAGE_DEFAULT,
    )
    line = key_field("Only events of this line.", "MS-1")
    hanger = key_field("Only events of this hanger.", "MS-1-H03")
    type = Choice(tuple(TYPES), "Only events of this type.")
    since = Instant("Only events recorded at this time or later.")
    until = Instant("Only events recorded before this time.")
    occurred_since = Instant("Only events that happened on site at this time or later.")
    occurred_until = Instant("Only events that happened on site before this time.")
    trailer = Flag(
        "`false`: leave out the signed last line, by which a cut-off export shows. Read for NDJSON alone.",
        load_default=True,
    )
    documents = Flag(
        "`true`: after an event that names a large document, a line with it. Read for NDJSON alone.",
        load_default=False,
    )
    texts = Flag(
        "`true`: after an event with free text, a line with the words and the salt of each field that was "
        "not erased. Read for NDJSON alone.",
        load_default=False,
    )


class SizeQuery(Query):
    """A proof that leads to a signed size of the log."""

    size = Whole(
        "Size of the log to which the proof leads: one for which a checkpoint is stored. The newest one's "
        "when left out."
    )


class InclusionQuery(SizeQuery):
    """Which event, in which size of the log."""

    sequence = Whole("Sequence of the event.", required=True)


class ConsistencyQuery(Query):
    """Which two sizes of the log."""

    first = Whole("The earlier size, at most the later one.", required=True)
    second = Whole("The later size: one for which a checkpoint is stored. The newest one's when left out.")
