"""Events and settings for the tests of the store, and a clock that the test moves."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from service.config import Settings
from service.domain.events import NewEvent
from service.persistence.store import SqlStore

START = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)
PERSON = "pr_00000000000000000000000001"
OTHER_PERSON = "pr_00000000000000000000000002"


class Clock:
    """A clock that stands still until it is moved, backwards too."""

    def __init__(self, moment: datetime = START) -> None:
        self.moment = moment

    def __call__(self) -> datetime:
        return self.moment

    def move(self, **by: float) -> None:
        self.moment += timedelta(**by)


def settings_for(url: str, folder: Path, **more: str) -> Settings:
    return Settings.from_environment({"DATABASE_URL": url, "DATA_DIR": str(folder), **more})


def act(
    type: str,
    subject: str,
    data: Mapping[str, Any],
    line: str | None = None,
    at: str = "2026-05-04T08:00:00+02:00",
    **more: Any,
) -> NewEvent:
    values: dict[str, Any] = {
        "actor": PERSON,
        "performed_by": PERSON,
        "role": "engineer",
        "request_id": "req-1",
        **more,
    }
    return NewEvent(type=type, subject=subject, occurred_at=at, data=data, line=line, **values)


def plant_record(revision: int = 1, **document: Any) -> NewEvent:
    return act("plant-recorded", "plant", {"revision": revision, "document": {"name": "Works", **document}})


def line_record(line: str, revision: int = 1, **document: Any) -> NewEvent:
    return act("line-recorded", f"line/{line}", {"revision": revision, "document": document}, line)


def hanger_record(mark: str, line: str, revision: int = 1, **document: Any) -> NewEvent:
    document = {"line": line, "mark": mark, "kind": "variable", **document}
    return act("hanger-recorded", f"hanger/{mark}", {"revision": revision, "document": document}, line)


def inspection(mark: str, line: str, assembly: int = 1, at: str = "2026-05-04T08:00:00+02:00",
               corrects: int | None = None, texts: Mapping[str, str] | None = None,
               client_event_id: str | None = None, **seen: Any) -> NewEvent:  # fmt: skip
    return act("hanger-inspected", f"hanger/{mark}", {"assembly": assembly, **seen}, line, at,
               corrects=corrects, texts=texts or {}, client_event_id=client_event_id)  # fmt: skip


def turn(mark: str, line: str, turns: float, at: str = "2026-05-04T09:00:00+02:00", **more: Any) -> NewEvent:
    data = {"assembly": 1, "device": "adjuster", "turns": turns}
    return act("adjuster-turned", f"hanger/{mark}", data, line, at, **more)


def line_inspection(line: str, at: str = "2026-05-04T08:00:00+02:00", **seen: Any) -> NewEvent:
    corrects = seen.pop("corrects", None)
    return act("line-inspected", f"line/{line}", seen, line, at, corrects=corrects)


def transfer(mark: str, from_line: str, to_line: str) -> NewEvent:
    data = {"from_line": from_line, "to_line": to_line}
    return act("hanger-transferred", f"hanger/{mark}", data, from_line, texts={"reason": "drawn wrongly"})


def retirement(mark: str, line: str) -> NewEvent:
    return act("hanger-retired", f"hanger/{mark}", {}, line, texts={"reason": "pipe removed"})


def open_plant(store: SqlStore, plant: str) -> None:
    with store.write_service() as writer:
        writer.open_plant(plant)
        writer.append(act("plant-opened", "service/plants", {"plant": plant}))


def append(store: SqlStore, plant: str, *events: NewEvent) -> list[int]:
    """Appends each event in a transaction of its own; the sequences they got."""
    places = []
    for event in events:
        with store.write(plant) as writer:
            places.append(writer.append(event).sequence)
    return places
