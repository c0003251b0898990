"""Identifiers and instants as the store writes them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.persistence.identifiers import comparable, new_event_id, new_log_id

EARLIEST, LATEST = datetime(2, 1, 1, tzinfo=UTC), datetime(9998, 1, 1, tzinfo=UTC)
INSTANTS = st.datetimes(
    EARLIEST.replace(tzinfo=None),
    LATEST.replace(tzinfo=None),
    timezones=st.sampled_from([UTC, timezone(timedelta(hours=-9.5))]),
)


def test_an_instant_is_in_utc_with_six_decimals_and_a_year_of_four_digits() -> None:
    assert (
        comparable(datetime(2026, 5, 4, 8, tzinfo=timezone(timedelta(hours=2))))
        == "2026-05-04T06:00:00.000000Z"
    )
    assert comparable(datetime(33, 1, 2, tzinfo=UTC)) == "0033-01-02T00:00:00.000000Z"
    with pytest.raises(ValueError, match="offset"):
        comparable(datetime(2026, 5, 4))  # noqa: DTZ001


@given(INSTANTS, INSTANTS)
def test_texts_sort_as_the_instants_do(one: datetime, two: datetime) -> None:
    assert (comparable(one) < comparable(two)) == (one < two)
    assert datetime.fromisoformat(comparable(one)) == one


def test_an_event_id_has_the_layout_of_version_seven() -> None:
    # The example of RFC 9562, appendix A.6: rand_a is CC3, rand_b 18C4DC0C0C07398F.
    moment = datetime(2022, 2, 22, 19, 22, 22, tzinfo=UTC)
    chance = (0xCC3 << 62 | 0x18C4DC0C0C07398F).to_bytes(10, "big")
    assert new_event_id(moment, lambda count: chance[:count]) == "017f22e2-79b0-7cc3-98c4-dc0c0c07398f"


def test_ids_ask_for_enough_chance() -> None:
    asked: list[int] = []

    def chance(count: int) -> bytes:
        asked.append(count)
        return b"\x5a" * count

    assert new_log_id(chance) == "5a" * 16
    new_event_id(datetime(2026, 5, 4, tzinfo=UTC), chance)
    assert asked == [16, 10]
