"""`next_step`: an order and what has been recorded since, and the step that comes next, or why none does."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from service.domain.release_orders.words import HOLDS
from service.units import Dimension, quantity_to_si

TURN_TOLERANCE: Final = 1.0 / 12.0
"""Turns that count as none: half a flat of a hexagon. Common practice, no source."""

_NOT_STATED: Final = ("unknown", None)


def next_step(document: Mapping[str, Any], done: Mapping[str, Any]) -> dict[str, Any]:
    """The step after what has been done; or what holds the work, where it is not what the order expects.

    Args:
        document: an order, valid by release-order.schema.json
        done: what has been recorded, valid by release-order-progress.schema.json; turns are signed,
            positive when they raise the load

    Returns:
        document valid by release-order-next.schema.json: `status` is `step` (begin it), `under_way`,
        `return_the_nut`, `finished` or `hold`
    """
    return _Follower(document, done).answer()


class _Follower:
    def __init__(self, document: Mapping[str, Any], done: Mapping[str, Any]) -> None:
        self._document, self._done = document, done
        self._by_mark = {str(each["mark"]).casefold(): each for each in done["hangers"]}
        self._start = {str(each["mark"]).casefold(): each for each in document["started_from"]}
        self._steps: Sequence[Mapping[str, Any]] = document["steps"]
        self._holds: list[dict[str, Any]] = []

    def answer(self) -> dict[str, Any]:
        if self._document["status"] != "offered":
            self._hold("order-not-offered", None, "offered", self._document["status"])
            return self._answer("hold", None)
        self._everybody()
        taken = self._taken()
        self._completed(taken)
        step = self._steps[taken] if taken < len(self._steps) else None
        back = self._back(taken)
        turned = (
            {} if step is None else {each["mark"]: self._turned(each["mark"]) for each in step["hangers"]}
        )
        begun = any(abs(each) > TURN_TOLERANCE for each in turned.values())
        if step is not None:
            self._current(step, turned, begun=begun)
            if back and begun:
                for mark, net in back.items():
                    self._hold("nut-not-returned", mark, "0 net turns", _turns(net))
        self._readings(taken, step, begun=begun, back=bool(back))
        if self._holds:
            return self._answer("hold", step)
        if back:
            return self._answer("return_the_nut", None, back=back)
        if step is None:
            return self._answer("finished", None)
        out = any(self._is_out(mark) for mark in step["marks"])
        easing = any(self._of(mark)["state"] == "easing" for mark in step["marks"])
        return self._answer("under_way" if begun or out or easing else "step", step, turned=turned)

    # --- what is held against what ---------------------------------------------------------------------
    def _everybody(self) -> None:
        ordered = {mark.casefold() for step in self._steps for mark in step["marks"]}
        for mark in (mark for step in self._steps for mark in step["marks"]):
            if mark.casefold() not in self._by_mark:
                self._hold("stops-not-known", mark, "on the line", "not on the line")
        for key, each in self._by_mark.items():
            if each["state"] == "on_hold":
                self._hold("hanger-on-hold", each["mark"], None, "on hold")
            if each["stops"] not in ("in", "out"):
                self._hold("stops-not-known", each["mark"], "in or out", each["stops"])
            if key in ordered:
                continue
            start = self._start.get(key)
            if start is None or start["stops"] != "out":
                self._hold("hanger-not-in-order", each["mark"], None, f"stops {each['stops']}")
            elif each["stops"] != "out":
                self._hold("stop-back-in", each["mark"], "out", each["stops"])

    def _taken(self) -> int:
        """How many steps are done; stops that are out beyond them hold the work."""
        taken = 0
        while taken < len(self._steps) and all(self._is_out(mark) for mark in self._steps[taken]["marks"]):
            taken += 1
        for step in self._steps[taken + 1 :]:
            for mark in step["marks"]:
                known = self._of(mark)
                if self._is_out(mark):
                    self._hold("out-of-order", mark, f"step {step['number']}", f"out after {taken} steps")
                elif known["state"] == "easing" or abs(self._turned(mark)) > TURN_TOLERANCE:
                    self._hold(
                        "wrong-hanger-under-way", mark, f"step {step['number']}", _turns(self._turned(mark))
                    )
        if self._document["nut_rule"] == "leave":
            # Where the nuts stay, the way counts, not only what is out.
            latest = -1
            for step in self._steps[:taken]:
                came = [self._of(mark)["withdrawn_at"] for mark in step["marks"]]
                known_all = [each for each in came if each is not None]
                if known_all and min(known_all) < latest:
                    self._hold("out-of-order", step["marks"][0], f"step {step['number']}", "out earlier")
                latest = max([latest, *known_all])
        return taken

    def _completed(self, taken: int) -> None:
        """The turns that each completed step took, against its interval."""
        back = self._document["nut_rule"] == "return"
        for step in self._steps[:taken]:
            for told in step["hangers"]:
                mark, turns = told["mark"], told["turns"]
                sign = -1.0 if told["direction"] == "lower" else 1.0
                made = self._since(mark, "turned_up" if sign > 0.0 else "turned_down")
                if told["direction"] is not None and made > sign * turns["call_at"] + TURN_TOLERANCE:
                    expected = f"to {_turns(turns['call_at'])}"
                    self._hold("more-turns-than-explained", mark, expected, _turns(sign * made))
                certain = told["bearing_before"]["certain"]
                explained = abs(turns["call_at"] - turns["latest"]) + TURN_TOLERANCE
                if certain and made < sign * turns["earliest"] - explained:
                    expected = f"from {_turns(turns['earliest'])}"
                    self._hold("fewer-turns-than-expected", mark, expected, _turns(sign * made))
                if back and step is not self._steps[taken - 1] and abs(self._net(mark)) > TURN_TOLERANCE:
                    self._hold("nut-not-returned", mark, "0 net turns", _turns(self._net(mark)))

    def _back(self, taken: int) -> dict[str, float]:
        """Nuts of the last step that are not back yet, with their net turns."""
        if self._document["nut_rule"] != "return" or not taken:
            return {}
        nets = {mark: self._net(mark) for mark in self._steps[taken - 1]["marks"]}
        return {mark: net for mark, net in nets.items() if abs(net) > TURN_TOLERANCE}

    def _current(self, step: Mapping[str, Any], turned: Mapping[str, float], *, begun: bool) -> None:
        for told in step["hangers"]:
            mark, turns, bearing = told["mark"], told["turns"], told["bearing_before"]
            made = turned[mark]
            sign = {"raise": 1.0, "lower": -1.0, None: 0.0}[told["direction"]]
            if sign and sign * made > sign * turns["call_at"] + TURN_TOLERANCE:
                self._hold("more-turns-than-explained", mark, f"to {_turns(turns['call_at'])}", _turns(made))
            low, high = sorted((turns["earliest"], turns["call_at"]))
            wrong = (
                made < min(low, 0.0) - TURN_TOLERANCE if sign > 0 else made > max(high, 0.0) + TURN_TOLERANCE
            )
            if sign and wrong:
                self._hold("turned-the-wrong-way", mark, told["direction"], _turns(made))
            if not sign and not min(low, 0.0) - TURN_TOLERANCE <= made <= max(high, 0.0) + TURN_TOLERANCE:
                self._hold("more-turns-than-explained", mark, "none", _turns(made))
            face = self._of(mark)["face"]
            told_face = bearing["face"] if bearing["certain"] else None
            if not begun and told_face is not None and face not in (*_NOT_STATED, told_face):
                self._hold("bearing-not-as-expected", mark, told_face, face)

    def _readings(self, taken: int, step: Mapping[str, Any] | None, *, begun: bool, back: bool) -> None:
        """Readings taken since the last disturbance, against those of the moment."""
        if back:
            return  # between withdrawal and the nut's return the order gives no readings
        if step is not None and (begun or taken == 0):
            told = step["readings_during"]
        else:
            told = self._steps[taken - 1]["readings_after"]
        for each in told:
            known = self._by_mark.get(each["mark"].casefold())
            if known is None or known["reading"] is None:
                continue
            value = quantity_to_si(known["reading"], Dimension.LENGTH)
            low, high = (quantity_to_si(each[end], Dimension.LENGTH) for end in ("low", "high"))
            if not low - 1e-9 <= value <= high + 1e-9:
                self._hold(
                    "reading-not-as-expected",
                    each["mark"],
                    f"{1e3 * low:.1f} to {1e3 * high:.1f} mm",
                    f"{1e3 * value:.1f} mm",
                )

    # --- small things -----------------------------------------------------------------------------------
    def _of(self, mark: str) -> Mapping[str, Any]:
        found: Mapping[str, Any] = self._by_mark.get(mark.casefold(), _ABSENT)
        return found

    def _is_out(self, mark: str) -> bool:
        return bool(self._of(mark)["stops"] == "out")

    def _net(self, mark: str) -> float:
        return float(self._of(mark)["net_turns"])

    def _since(self, mark: str, name: str) -> float:
        """Turns one way since the order was made, without sign."""
        start = self._start.get(mark.casefold(), {"turned_up": 0.0, "turned_down": 0.0})
        return float(self._of(mark)[name]) - float(start[name])

    def _turned(self, mark: str) -> float:
        return self._since(mark, "turned_up") - self._since(mark, "turned_down")

    def _hold(self, code: str, mark: str | None, expected: str | None, found: str) -> None:
        self._holds.append(
            {"code": code, "text": HOLDS[code], "mark": mark, "expected": expected, "found": found}
        )

    def _answer(
        self,
        status: str,
        step: Mapping[str, Any] | None,
        *,
        turned: Mapping[str, float] | None = None,
        back: Mapping[str, float] | None = None,
    ) -> dict[str, Any]:
        marks = [mark for each in self._steps for mark in each["marks"]]
        held = status == "hold"
        return {
            "status": status,
            "sequence": self._done["sequence"],
            "number": None if step is None else step["number"],
            "step": None if step is None or held else dict(step),
            "turned": [{"mark": mark, "turns": turns} for mark, turns in (turned or {}).items()],
            "turn_back": [{"mark": mark, "turns": -net} for mark, net in (back or {}).items()],
            "holds": self._holds,
            "released": [mark for mark in marks if self._is_out(mark)],
            "left": [mark for mark in marks if not self._is_out(mark)],
        }


_ABSENT: Final[Mapping[str, Any]] = {
    "state": None,
    "stops": "unknown",
    "withdrawn_at": None,
    "net_turns": 0.0,
    "turned_up": 0.0,
    "turned_down": 0.0,
    "face": None,
    "reading": None,
}


def _turns(value: float) -> str:
    return f"{value:+.2f} turns"
