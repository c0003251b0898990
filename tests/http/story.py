"""One story over HTTP: a plant from its first record to a hanger proved hot, with what is refused on the way.

Each step is a request; `play` sends them in order to an empty service with a fixed clock and chance
that repeats. The answers are kept in service/http/examples.json and replayed by a test.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from werkzeug.test import TestResponse

from service.application import access
from service.http.documents import Document
from tests.http.running import Caller, Clock, Running

PLANT: Final = "/v1/plants/demo"
LINE: Final = f"{PLANT}/lines/MS-1"
HANGER: Final = f"{PLANT}/hangers/MS-1-H03"
NDJSON: Final = "application/x-ndjson"
TOKEN: Final = "tk_00000000000000000000000099"

# Ids are fixed so that a request can name them.
PEOPLE: Final = {
    "administrator": ("administrator", "person", "pr_00000000000000000000000001"),
    "engineer": ("engineer", "person", "pr_00000000000000000000000002"),
    "fitter": ("recorder", "person", "pr_00000000000000000000000003"),
    "inspector": ("recorder", "person", "pr_00000000000000000000000004"),
    "maintenance": ("integrator", "system", "pr_00000000000000000000000005"),
    "auditor": ("auditor", "person", "pr_00000000000000000000000006"),
    "reader": ("reader", "person", "pr_00000000000000000000000007"),
}


def quantity(value: float, unit: str) -> dict[str, Any]:
    return {"value": value, "unit": unit}


def act(time: str, **fields: Any) -> dict[str, Any]:
    return {"occurred_at": f"2026-05-05T{time}:00+02:00", **fields}


def _example(name: str, place: int = 0) -> Any:
    return json.loads(json.dumps(Document(name).examples[place]))


RECORD: Final = _example("hanger-record")
LINE_RECORD: Final = {
    **_example("line-record"),
    "supports_expected": {"marks": ["MS-1-H03"], "drawing": "P-1001", "revision": "C"},
}
RIGID: Final = {"line": "FW-2", "mark": "FW-2-H01", "kind": "rigid", "drawing": {"number": "S-2001"}}
PLATE: Final = {
    "legible": True,
    "serial_number": "A-2207",
    "type_number": 51,
    "operating_load": quantity(14.8, "kN"),
    "installed_load": quantity(17.2, "kN"),
    "spring_rate": quantity(60, "N/mm"),
    "vertical_movement": quantity(40, "mm"),
}
INSPECTION: Final = {
    **_example("hanger-inspection"),
    **act("07:00"),
    "nameplate": PLATE,
    # 12 mm over the drawn dimension, whose tolerance is 10 mm.
    "pipe_to_support_dimension": quantity(1862, "mm"),
}


WEIGHED: Final = f"{PLANT}/lines/RH-4"
ON_WEIGHED: Final = {
    **{name: value for name, value in RECORD.items() if name not in ("external_ids", "location")},
    "line": "RH-4",
    "mark": "RH-4-H01",
}
# Two spans of 9 m, built in at both ends, with the hanger between them.
MODEL: Final[dict[str, Any]] = {
    "temperatures": {"cold": quantity(20, "degC"), "hot": quantity(540, "degC")},
    "materials": [{"id": "steel", "table": "low_chrome"}],
    "pipes": [{"id": "main", "nominal_size": "12", "schedule": "80", "material": "steel"}],
    "insulations": [
        {"id": "cover", "thickness": quantity(100, "mm"), "density": quantity(200, "kg/m3")},
    ],
    "line_contents": {"hot": "empty", "test": "empty"},
    "nodes": [
        {"id": name, "x": quantity(x, "m"), "y": quantity(0, "m"), "z": quantity(12, "m")}
        for name, x in (("A", 0), ("130", 9), ("B", 18))
    ],
    "segments": [
        {"id": "S1", "from": "A", "to": "130", "pipe": "main", "insulation": "cover"},
        {"id": "S2", "from": "130", "to": "B", "pipe": "main", "insulation": "cover"},
    ],
    "anchors": [{"id": "A", "node": "A"}],
    "nozzles": [
        {
            "id": "B",
            "node": "B",
            "movement": {"x": quantity(140, "mm"), "y": quantity(0, "mm"), "z": quantity(20, "mm")},
            "rotation": {"x": quantity(0, "deg"), "y": quantity(0, "deg"), "z": quantity(0, "deg")},
        }
    ],
    "hangers": [
        {
            "mark": "RH-4-H01",
            "node": "130",
            "height": {"error": quantity(0, "mm"), "uncertainty": quantity(1, "mm")},
        }
    ],
    "present": {"contents": "empty"},
}
FOLLOWED: Final = "the order answered before"  # stands for a body that an earlier answer makes


class Step:
    """One request of the story. `hide`: a step that others need, not shown as an example."""

    def __init__(
        self,
        at: str,
        who: str | None,
        method: str,
        path: str,
        body: Any = None,
        *,
        headers: Any = None,
        name: str = "",
        media: str = "application/json",
        hide: bool = False,
    ) -> None:
        self.at, self.who, self.method, self.path, self.body = at, who, method, path, body
        self.headers: dict[str, str] = headers or {}
        self.name, self.media, self.hide = name, media, hide


INSPECTED: Final = 7  # sequence of the inspection that shows the dimension
LARGE: Final = 36  # sequence of the record that is too large for its event
CONCEDED: Final = 8  # sequence of the concession, whose reason is in words
WEBHOOK: Final = f"{PLANT}/webhooks/{{webhook}}"  # the id is that of the webhook registered on the way
CREATE: Final = {"If-None-Match": "*"}


def story() -> list[Step]:
    """The steps, in order. Times are those of the service's clock on 5 May 2026, UTC+2."""
    steps: list[Step] = []

    def tell(at: str, who: str | None, method: str, path: str, body: Any = None, **more: Any) -> None:
        steps.append(Step(at, who, method, path, body, **more))

    # The plant, its line and its hangers.
    tell(
        "05:00", "administrator", "PUT", PLANT, _example("plant-record"), headers=CREATE, name="open a plant"
    )
    tell("05:00", "engineer", "PUT", PLANT, {"name": "x"}, headers=CREATE, name="another role")
    tell("05:00", "administrator", "GET", PLANT, name="a plant")
    tell("05:00", "reader", "GET", "/v1/plants", name="plants")
    tell("05:01", "engineer", "PUT", LINE, LINE_RECORD, headers=CREATE, name="a new line")
    tell("05:02", "maintenance", "PUT", HANGER, RECORD, headers=CREATE, name="a new hanger")
    heavier = {**RECORD, "design": {**RECORD["design"], "operating_load": quantity(1480, "kg")}}
    tell(
        "05:02",
        "maintenance",
        "PUT",
        HANGER,
        heavier,
        headers={"If-Match": '"r1"'},
        name="a mass for a force",
    )
    tell(
        "05:02", "maintenance", "PUT", HANGER, RECORD, headers={"If-Match": '"r7"'}, name="a stale entity tag"
    )
    tell("05:02", "maintenance", "PUT", HANGER, RECORD, name="no precondition")
    tell(
        "05:02",
        "maintenance",
        "PUT",
        HANGER,
        RECORD,
        headers={"If-Match": '"r1"'},
        name="an unchanged record",
    )
    tell(
        "05:03",
        "engineer",
        "PUT",
        f"{PLANT}/lines/FW-2",
        {"connected_lines": []},
        headers=CREATE,
        name="a bare line",
    )
    rows = [
        {"record": RIGID, "if_revision": 0},
        {"record": {"line": "FW-2", "mark": "FW 2", "kind": "rigid"}},
    ]
    tell("05:03", "maintenance", "POST", f"{PLANT}/hangers:bulk", rows, media=NDJSON, name="two rows")
    tell(
        "05:03",
        "maintenance",
        "POST",
        f"{PLANT}/hangers:bulk?atomic=true",
        rows[1:],
        media=NDJSON,
        name="all or nothing",
    )
    tell("05:04", "reader", "GET", HANGER, name="a hanger")
    tell("05:04", None, "GET", HANGER, name="no token")
    tell("05:04", "reader", "GET", f"{HANGER}?units=us", name="a hanger in customary units")
    tell("05:04", "reader", "GET", f"{HANGER}?units=metric", name="an unknown system of units")
    tell("05:04", "reader", "GET", f"{PLANT}/hangers/MS-1-H99", name="a hanger that there is not")
    tell("05:04", "reader", "GET", HANGER, headers={"Accept": "text/csv"}, name="a form that is not offered")
    tell("05:04", "reader", "GET", f"{PLANT}/hangers?limit=1&units=si", name="a page of hangers")
    tell("05:04", "reader", "GET", f"{PLANT}/lines", name="lines")
    tell("05:04", "reader", "GET", LINE, name="a line")
    tell("05:04", "reader", "GET", f"{PLANT}/revisions", name="revisions of a plant")
    tell("05:04", "reader", "GET", f"{PLANT}/revisions/1", name="a revision of a plant")
    tell("05:04", "reader", "GET", f"{LINE}/revisions", name="revisions of a line")
    tell("05:04", "reader", "GET", f"{LINE}/revisions/1", name="a revision of a line")
    tell("05:04", "reader", "GET", f"{HANGER}/revisions", name="revisions of a hanger")
    tell("05:04", "reader", "GET", f"{HANGER}/revisions/1", name="a revision of a hanger")
    tell("05:05", "reader", "GET", f"{PLANT}/criteria", name="the criteria by default")
    limits = {
        "limits": {
            "bearing_valid_minutes": {
                "value": 45,
                "source": "plant procedure for spring supports",
                "source_status": "plant",
            }
        }
    }
    tell(
        "05:05",
        "engineer",
        "PUT",
        f"{PLANT}/criteria",
        limits,
        headers={"If-Match": '"r0"'},
        name="one limit",
    )
    tell("05:05", "reader", "GET", f"{PLANT}/criteria/revisions", name="revisions of the criteria")
    tell("05:05", "reader", "GET", f"{PLANT}/criteria/revisions/1", name="a revision of the criteria")
    # Questions about documents that are stored nowhere.
    tell(
        "05:06",
        "reader",
        "POST",
        "/v1/checks",
        {"hanger": RIGID, "groups": ["design"]},
        name="a rigid hanger",
    )
    tell("05:06", "reader", "POST", "/v1/checks", b'{"hanger": {}, "hanger": {}}', name="duplicate keys")
    tell("05:06", "reader", "POST", "/v1/checks", b"<hanger/>", media="text/xml", name="XML")
    face = {"hanger": RECORD, "purpose": "easing", "bearing_face": "upper"}
    tell("05:06", "reader", "POST", "/v1/nut-plans", face, name="from a bearing face alone")
    # The line as erected.
    tell(
        "07:10",
        "inspector",
        "POST",
        f"{LINE}/inspections",
        {**_example("line-inspection"), **act("07:05")},
        name="a walk along the line",
    )
    tell("07:10", "reader", "GET", f"{LINE}/readiness?for=release", name="not inspected yet")
    tell("07:10", "engineer", "POST", f"{LINE}/authorisations", act("07:10"), name="not ready")
    tell("07:12", "inspector", "POST", f"{HANGER}/inspections", INSPECTION, name="one assembly as erected")
    tell(
        "07:12",
        "inspector",
        "POST",
        f"{HANGER}/inspections",
        {**INSPECTION, **act("11:00")},
        name="a time to come",
    )
    tell("07:13", "inspector", "POST", f"{HANGER}/inspections?dry_run=true", INSPECTION, name="a trial")
    tell("07:14", "reader", "GET", f"{HANGER}/checks", name="checks of a hanger")
    tell("07:14", "reader", "GET", f"{LINE}/readiness?for=release", name="one blocker")
    concession = {**_example("concession"), **act("07:20"), "evidence_sequence": INSPECTED}
    tell("07:20", "engineer", "POST", f"{LINE}/concessions", concession, name="a dimension conceded")
    tell(
        "07:20",
        "engineer",
        "POST",
        f"{LINE}/concessions",
        {**concession, "code": "stops-uncounted"},
        name="a blocker that does not stand",
    )
    tell(
        "07:21", "reader", "GET", f"{LINE}/readiness?for=release&explain=true", name="ready with a concession"
    )
    tell("07:21", "reader", "GET", f"{PLANT}/readiness?for=release", name="all lines")
    tell("07:30", "engineer", "POST", f"{LINE}/authorisations", act("07:30"), name="ready")
    tell(
        "07:31",
        "reader",
        "POST",
        f"{HANGER}/nut-plan",
        {"purpose": "easing", "bearing_face": "upper", "stops_in": True},
        name="from a bearing face",
    )
    # The release.
    tell(
        "08:00",
        "fitter",
        "POST",
        f"{HANGER}/transitions",
        act("08:00", transition="withdraw", stops_withdrawn=[{"assembly": 1, "count": 2}]),
        name="out of order",
    )
    tell(
        "08:01",
        "fitter",
        "POST",
        f"{HANGER}/transitions",
        act("08:01", transition="ease"),
        name="begin to ease",
    )
    ends = [{"end": "upper", "full": True}, {"end": "lower", "full": True}]
    tell(
        "08:10",
        "fitter",
        "POST",
        f"{HANGER}/turns",
        act("08:10", assembly=1, turns=0.5, engagement=ends, bearing_face_after="none", pin_moved=True),
        headers={"Idempotency-Key": "turn-of-08-10"},
        name="half a turn up",
    )
    tell(
        "08:10",
        "fitter",
        "POST",
        f"{HANGER}/turns",
        act("08:10", assembly=1, turns=0.25),
        name="another body",
        headers={"Idempotency-Key": "turn-of-08-10"},
    )
    for stop in (1, 2):
        tell(
            "08:20",
            "fitter",
            "POST",
            f"{HANGER}/stops",
            act("08:20", assembly=1, stop=stop, act="observed", bearing_face="none", free_by_hand=True),
            name=f"stop {stop} free by hand",
        )
    tell("08:21", "reader", "GET", f"{HANGER}/release", name="stops free by hand")
    tell(
        "08:22",
        "fitter",
        "POST",
        f"{HANGER}/transitions",
        act("08:22", transition="withdraw", stops_withdrawn=[{"assembly": 1, "count": 2}]),
        name="stops out",
    )
    for stop in (1, 2):
        tell(
            "08:30",
            "fitter",
            "POST",
            f"{HANGER}/stops",
            act("08:30", assembly=1, stop=stop, act="stowed", stowed_at="bag 14, tied to the hanger's lug"),
            name=f"stop {stop} stowed",
            hide=stop == 2,
        )
    tell(
        "08:40",
        "fitter",
        "POST",
        f"{HANGER}/transitions",
        act("08:40", transition="position"),
        name="to position",
    )
    reading = {**_example("reading"), **act("09:10")}
    tell("09:10", "inspector", "POST", f"{HANGER}/readings", reading, name="a cold reading")
    tell(
        "09:20",
        "inspector",
        "POST",
        f"{HANGER}/inspections",
        {**INSPECTION, **act("09:20")},
        name="hardware back",
        hide=True,
    )
    tell(
        "09:30",
        "fitter",
        "POST",
        f"{HANGER}/transitions",
        act("09:30", transition="confirm"),
        name="confirmed",
    )
    tell(
        "09:40",
        "inspector",
        "POST",
        f"{HANGER}/readings",
        {**reading, **act("09:10"), "corrects": 99, "reason": "typed wrong"},
        name="a correction of nothing",
    )
    # A record that changes afterwards, a transfer and a retirement.
    changed = {**RECORD, "design": {**RECORD["design"], "hardware_weight": quantity(0.4, "kN")}}
    tell(
        "10:00",
        "maintenance",
        "PUT",
        HANGER,
        changed,
        headers={"If-Match": '"r1"'},
        name="a safety field changes",
    )
    tell(
        "10:05",
        "engineer",
        "POST",
        f"{HANGER}/transitions",
        act(
            "10:05", transition="dispose", to="resume", reason="weight of the clamp corrected; load unchanged"
        ),
        name="an engineer's disposition",
    )
    tell(
        "10:10", "engineer", "PUT", f"{PLANT}/lines/FW-3", {}, headers=CREATE, name="another line", hide=True
    )
    tell(
        "10:11",
        "engineer",
        "POST",
        f"{PLANT}/hangers/FW-2-H01/transfers",
        act("10:11", to_line="FW-3", reason="drawing P-1001 revision D shows it on the branch"),
        name="to the branch",
    )
    tell(
        "10:12",
        "engineer",
        "POST",
        f"{PLANT}/hangers/FW-2-H01/retirements",
        act("10:12", reason="replaced by a guide"),
        name="out of service",
    )
    tell(
        "10:12",
        "fitter",
        "POST",
        f"{PLANT}/hangers/FW-2-H01/inspections",
        act("10:12", assembly=1),
        name="a retired hanger",
    )
    # Revisions that undo nothing.
    tell(
        "10:15",
        "administrator",
        "PUT",
        PLANT,
        {**_example("plant-record"), "time_zone": "Etc/GMT-2"},
        headers={"If-Match": '"r1"'},
        name="a revised plant",
    )
    tell(
        "10:15",
        "engineer",
        "PUT",
        LINE,
        {**LINE_RECORD, "description": "main steam, unit 1"},
        headers={"If-Match": '"r1"'},
        name="a revised line",
    )
    tell(
        "10:15",
        "engineer",
        "PUT",
        f"{PLANT}/criteria",
        {"limits": {}},
        headers={"If-Match": "*"},
        name="the defaults again",
    )
    # The log.
    tell(
        "10:20",
        "auditor",
        "GET",
        f"{PLANT}/events?hanger=MS-1-H03&type=adjuster-turned",
        name="turns of a hanger",
    )
    tell("10:20", "auditor", "GET", f"{PLANT}/events?from=4&limit=2", name="a page")
    tell("10:20", "auditor", "GET", f"{PLANT}/events?from=900", name="beyond the end")
    tell(
        "10:20",
        "auditor",
        "GET",
        f"{PLANT}/events?from=4&type=line-inspected",
        headers={"Accept": NDJSON},
        name="exact bytes",
    )
    tell("10:20", "auditor", "GET", f"{PLANT}/events/4", name="an event")
    # A record too large for its event: the document is kept beside the log.
    tell(
        "10:21",
        "engineer",
        "PUT",
        f"{PLANT}/lines/LARGE-1",
        {"extensions": {"filler": "-" * 16_500}},
        headers=CREATE,
        hide=True,
    )
    tell("10:22", "auditor", "GET", f"{PLANT}/events/{LARGE}/document", name="a document beside the log")
    tell("10:20", "reader", "GET", f"{PLANT}/events", name="a reader")
    # Proof of it, for whoever asks later.
    tell("10:23", "auditor", "GET", f"{PLANT}/log/checkpoint", name="a signed checkpoint")
    tell("10:23", "auditor", "GET", f"{PLANT}/log/key", name="keys of the log")
    tell(
        "10:23",
        "auditor",
        "GET",
        f"{PLANT}/log/key",
        headers={"Accept": "text/plain"},
        name="verifier keys of the log",
    )
    tell("10:23", "auditor", "GET", f"{PLANT}/events/4/receipt", name="a receipt")
    tell("10:23", "auditor", "GET", f"{PLANT}/log/proofs/inclusion?sequence=4", name="an event is in the log")
    tell(
        "10:23",
        "auditor",
        "GET",
        f"{PLANT}/log/proofs/consistency?first=5",
        name="the log went on from five events",
    )
    tell("10:23", "auditor", "GET", f"{PLANT}/log/proofs/inclusion?sequence=900", name="an event to come")
    tell("10:23", "auditor", "GET", f"{PLANT}/log/tile/0/000.p/{LARGE + 1}", name="a tile", hide=True)
    tell("10:23", "auditor", "GET", f"{PLANT}/log/tile/entries/000.p/3", name="entries", hide=True)
    # Words that must not be kept.
    tell(
        "10:24",
        "administrator",
        "POST",
        f"{PLANT}/events/{CONCEDED}/erasures",
        {"why": "personal-data"},
        name="words erased",
    )
    # Software that is told of each event.
    target = {"url": "https://maintenance.example/hangers/events", "line": "MS-1"}
    tell("10:25", "maintenance", "POST", f"{PLANT}/webhooks", target, name="a webhook")
    tell(
        "10:25",
        "maintenance",
        "POST",
        f"{PLANT}/webhooks",
        {"url": "https://127.0.0.1/events"},
        name="a target that points inward",
    )
    tell("10:25", "auditor", "GET", f"{PLANT}/webhooks", name="webhooks")
    tell("10:25", "auditor", "GET", f"{WEBHOOK}", name="one webhook")
    tell(
        "10:26",
        "maintenance",
        "PUT",
        f"{WEBHOOK}",
        {**target, "active": False},
        headers={"If-Match": "*"},
        name="a webhook at rest",
    )
    tell("10:26", "maintenance", "POST", f"{WEBHOOK}/secret-rotations", name="a new secret")
    tell(
        "10:26", "maintenance", "POST", f"{WEBHOOK}/replays", {"from": 0, "until": 9}, name="events once more"
    )
    tell("10:27", "auditor", "GET", f"{WEBHOOK}/deliveries", name="deliveries")
    tell("10:27", "auditor", "GET", f"{WEBHOOK}/progress", name="how far a webhook is")
    tell("10:28", "maintenance", "POST", f"{WEBHOOK}/removals", name="a webhook removed")
    # Who may call.
    tell(
        "10:30",
        "administrator",
        "POST",
        "/v1/principals",
        {"kind": "person", "display_name": "day shift supervisor"},
        name="a person",
    )
    tell("10:30", "administrator", "GET", "/v1/principals?limit=2", name="principals")
    tell("10:30", "administrator", "GET", "/v1/principals/pr_00000000000000000000000003", name="a principal")
    tell(
        "10:31",
        "administrator",
        "POST",
        "/v1/tokens",
        {
            "principal": "pr_00000000000000000000000003",
            "role": "recorder",
            "plants": ["demo"],
            "expires_at": "2026-12-31T00:00:00Z",
        },
        name="a token for one plant",
    )
    tell(
        "10:31",
        "administrator",
        "POST",
        "/v1/principals/pr_00000000000000000000000003/erasures",
        name="a name that there is not",
    )
    tell("10:31", "administrator", "POST", "/v1/principals/{principal}/erasures", name="a name erased")
    tell("10:31", "administrator", "GET", "/v1/tokens?limit=2", name="tokens")
    tell("10:31", "administrator", "GET", f"/v1/tokens/{TOKEN}", name="a token's data")
    tell("10:32", "administrator", "POST", f"/v1/tokens/{TOKEN}/revocations", name="a token ends")
    tell("10:32", "administrator", "POST", f"/v1/tokens/{TOKEN}/revocations", name="a token that has ended")
    tell("10:33", "auditor", "GET", "/v1/service-events?limit=2", name="the service's own log")
    # A line weighed by its model.
    tell("10:35", "engineer", "PUT", WEIGHED, {"connected_lines": []}, headers=CREATE, hide=True)
    tell("10:35", "engineer", "PUT", f"{PLANT}/hangers/RH-4-H01", ON_WEIGHED, headers=CREATE, hide=True)
    tell("10:35", "reader", "POST", f"{WEIGHED}/balance", {}, name="a line without a model")
    tell("10:35", "engineer", "PUT", f"{WEIGHED}/model", MODEL, headers=CREATE, name="a model of two spans")
    loose = {**MODEL, "segments": MODEL["segments"][:1]}
    tell(
        "10:35",
        "engineer",
        "PUT",
        f"{WEIGHED}/model",
        loose,
        headers={"If-Match": '"r1"'},
        name="a piece that hangs together with nothing",
    )
    tell(
        "10:35",
        "engineer",
        "PUT",
        f"{WEIGHED}/model",
        {**MODEL, "description": "from drawing P-4001 revision A"},
        headers={"If-Match": '"r1"'},
        name="a revised model",
    )
    tell("10:35", "reader", "GET", f"{WEIGHED}/model", name="the model of a line")
    tell("10:35", "reader", "GET", f"{WEIGHED}/model/revisions", name="revisions of a model")
    tell("10:35", "reader", "GET", f"{WEIGHED}/model/revisions/1", name="a revision of a model")
    tell("10:36", "reader", "POST", f"{WEIGHED}/balance", {"per": "kilonewton"}, name="a line as it stands")
    tell("10:36", "reader", "GET", f"{WEIGHED}/balance.svg", name="a drawing")
    tell("10:36", "reader", "POST", f"{WEIGHED}/release-order", {}, name="one stop")
    tell("10:36", "reader", "POST", f"{WEIGHED}/release-order/next", FOLLOWED, name="the first step")
    face = {
        "id": "walk-1",
        "kind": "bearing_face",
        "mark": "RH-4-H01",
        "bearing_face": "upper",
        "pin_moves_down_when": "rod_tension_rises",
        "stops_out": [],
        "net_turns": [],
    }
    tell("10:37", "reader", "POST", f"{WEIGHED}/field-estimate", {"observations": [face]}, name="a face seen")
    posted = {"model": MODEL, "hangers": [ON_WEIGHED]}
    tell("10:37", "reader", "POST", "/v1/balance", posted, name="a line of one's own")
    tell("10:37", "reader", "POST", "/v1/release-order", posted, name="an order of one's own")
    tell(
        "10:37",
        "reader",
        "POST",
        "/v1/field-estimate",
        {**posted, "observations": [face]},
        name="an estimate of one's own",
    )
    # Around the interface.
    for path, name in (
        ("/", "index"),
        ("/version", "version"),
        ("/health/live", "live"),
        ("/health/ready", "ready"),
        ("/problems/guard-not-met", "a code"),
    ):
        tell("10:40", None, "GET", path, name=name)
    return steps


def play(folder: Path) -> Iterator[tuple[Step, str, TestResponse]]:
    """Each step with the operation that served it and its answer."""
    running = Running(folder)
    running.clock.step_s = 0
    _set(running.clock, "05:00")
    callers = {
        name: running.caller(role, kind=kind, principal=identifier, register=True)
        for name, (role, kind, identifier) in PEOPLE.items()
    }
    access.issue_token(
        running.context(),
        {"principal": PEOPLE["reader"][2], "role": "reader"},
        TOKEN,
        lambda: "not-used-by-anyone-here",
    )
    made: dict[str, str] = {}
    for number, step in enumerate(story()):
        _set(running.clock, step.at)
        path = step.path.format_map(made) if "{" in step.path else step.path
        if step.body == FOLLOWED:
            step.body = {"order": json.loads(made["order"])}
        operation, response = _send(running, callers, step, path, number)
        if response.status_code == 201 and operation in ("registerWebhook", "registerPrincipal"):
            document = json.loads(response.data)
            kind = "webhook" if operation == "registerWebhook" else "principal"
            made[kind] = document["webhook"]["id"] if kind == "webhook" else document["id"]
        if operation == "orderRelease":
            made["order"] = response.get_data(as_text=True)
        yield step, operation, response
    running.close()


def _set(clock: Clock, at: str) -> None:
    clock.now = datetime.fromisoformat(f"2026-05-05T{at}:30+02:00")


def _send(
    running: Running, callers: dict[str, Caller], step: Step, path: str, number: int
) -> tuple[str, TestResponse]:
    headers = {"X-Request-Id": f"step-{number:03d}-of-the-story", **step.headers}
    if step.who is not None:
        headers["Authorization"] = f"Bearer {callers[step.who].token}"
    if step.method == "POST":
        headers.setdefault("Idempotency-Key", f"step-{number:03d}-of-the-story")
    options: dict[str, Any] = {}
    if step.body is not None:
        options = {"data": _text(step), "content_type": step.media}
    response = running.app.test_client().open(path, method=step.method, headers=headers, **options)
    return _operation(running, step, path), response


def _text(step: Step) -> bytes:
    if isinstance(step.body, bytes):
        return step.body
    if step.media == NDJSON:
        return b"".join(json.dumps(row).encode() + b"\n" for row in step.body)
    return json.dumps(step.body).encode()


def _operation(running: Running, step: Step, path: str) -> str:
    adapter = running.app.url_map.bind("localhost")
    endpoint, _ = adapter.match(path.partition("?")[0], method=step.method)
    return str(endpoint.rpartition(".")[2])
