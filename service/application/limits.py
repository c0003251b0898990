"""The criteria that hold, as the use cases ask for them."""

from __future__ import annotations

from service.domain.criteria import Criteria
from service.domain.ports import PlantReader


def criteria_of(reader: PlantReader, as_of: int | None = None) -> tuple[Criteria, int]:
    """The plant's criteria and their revision; revision 0 are the defaults."""
    record = reader.record("criteria", reader.plant, as_of=as_of)
    if record is None:
        return Criteria.from_document(None), 0
    return Criteria.from_document(record.document), record.revision
