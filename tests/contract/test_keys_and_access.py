"""Idempotency keys, principals and tokens."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone

import pytest
from sqlalchemy import func, select, text

from service import errors
from service.domain.access import Principal
from service.domain.ports import PrincipalRow, Remembered, TokenRow
from service.persistence import tables
from service.persistence.store import SqlStore
from tests.contract.acts import START, act, append, line_record

ANSWER = {"event": {"sequence": 3}, "flags": ["jump"], "dry_run": False}


def test_an_answer_is_remembered_with_the_effect_it_belongs_to(store: SqlStore) -> None:
    with store.write("Works-1") as writer:
        writer.append(line_record("A"))
        assert writer.remembered("pr_1", "POST", "/v1/x", "k1") is None
        writer.remember("pr_1", "POST", "/v1/x", "k1", "digest", ANSWER, START)
    with store.write("Works-1") as writer:
        assert writer.remembered("pr_1", "POST", "/v1/x", "k1") == Remembered("digest", ANSWER)


@pytest.mark.parametrize(
    "scope",
    [
        ("pr_2", "POST", "/v1/x", "k1"),
        ("pr_1", "PUT", "/v1/x", "k1"),
        ("pr_1", "POST", "/v1/xk", "1"),
        ("pr_1", "POST", "/v1/x", "k2"),
        ("pr_1", "POST", "/v1/x", "K1"),
    ],
)
def test_a_key_of_another_scope_is_another_key(store: SqlStore, scope: tuple[str, str, str, str]) -> None:
    with store.write("Works-1") as writer:
        writer.remember("pr_1", "POST", "/v1/x", "k1", "digest", ANSWER, START)
        assert writer.remembered(*scope) is None


def test_a_key_is_remembered_once(store: SqlStore) -> None:
    with store.write_service() as writer:
        writer.remember("pr_1", "POST", "/v1/x", "k1", "digest", ANSWER, START)
    with store.write_service() as writer:
        with pytest.raises(errors.KeyReused):
            writer.remember("pr_1", "POST", "/v1/x", "k1", "other", {}, START)
        assert writer.remembered("pr_1", "POST", "/v1/x", "k1") == Remembered("digest", ANSWER)


def test_keys_are_kept_ninety_days(store: SqlStore) -> None:
    def kept() -> int:
        with store.engine.connect() as connection:
            return connection.execute(select(func.count()).select_from(tables.idempotency_keys)).scalar_one()

    with store.write("Works-1") as writer:
        writer.remember("p", "POST", "/x", "old", "d", {}, START)
    with store.write("Works-1") as writer:
        writer.remember("p", "POST", "/x", "new", "d", {}, START + timedelta(days=90))
    assert kept() == 2
    with store.write("Works-1") as writer:
        writer.remember("p", "POST", "/x", "newer", "d", {}, START + timedelta(days=90, seconds=1))
        assert writer.remembered("p", "POST", "/x", "old") is None
        assert writer.remembered("p", "POST", "/x", "new") is not None
    assert kept() == 2


# --- tokens ---------------------------------------------------------------------------------------------
def token(identifier: str = "tk_1", **changed: object) -> TokenRow:
    values: dict[str, object] = {
        "id": identifier,
        "principal": "pr_1",
        "role": "recorder",
        "plants": ("Works-1",),
        "lines": ("MS-1", "ms-2"),
        "created_at": "2026-05-04T06:00:00.000000Z",
        "expires_at": "2026-05-05T06:00:00.000000Z",
        "revoked_at": None,
    }
    return TokenRow(**{**values, **changed})  # type: ignore[arg-type]


@pytest.fixture
def with_token(store: SqlStore) -> SqlStore:
    with store.write_service() as writer:
        writer.add_principal("pr_1", "person", "A. Name", "2026-05-04T06:00:00.000000Z")
        writer.add_token(token(), "a" * 64)
        writer.append(act("token-issued", "service/tokens", {"token": "tk_1"}))
    return store


def test_a_token_is_its_principal_within_its_scope(with_token: SqlStore) -> None:
    assert with_token.authenticate("a" * 64, START) == Principal(
        "pr_1", "person", "recorder", "tk_1", frozenset({"works-1"}), frozenset({"ms-1", "ms-2"})
    )
    assert with_token.authenticate("b" * 64, START) is None
    assert with_token.authenticate("A" * 64, START) is None


def test_a_token_without_bounds_has_none(with_token: SqlStore) -> None:
    with with_token.write_service() as writer:
        writer.add_token(token("tk_2", plants=None, lines=None), "c" * 64)
        writer.add_token(token("tk_3", plants=(), lines=None), "d" * 64)
    everywhere, nowhere = (with_token.authenticate(each * 64, START) for each in "cd")
    assert everywhere is not None
    assert nowhere is not None
    assert (everywhere.plants, everywhere.lines) == (None, None)
    assert nowhere.plants == frozenset()


def test_an_expired_token_counts_no_more(with_token: SqlStore) -> None:
    expiry = START + timedelta(days=1)
    assert with_token.authenticate("a" * 64, expiry - timedelta(microseconds=1)) is not None
    assert with_token.authenticate("a" * 64, expiry) is None
    elsewhere = datetime(2026, 5, 5, 8, tzinfo=timezone(timedelta(hours=2)))
    assert with_token.authenticate("a" * 64, elsewhere) is None


def test_a_revoked_token_counts_no_more_at_once(with_token: SqlStore) -> None:
    with with_token.write_service() as writer:
        writer.revoke_token("tk_1", "2026-05-04T07:00:00.000000Z")
    assert with_token.authenticate("a" * 64, START) is None
    with with_token.write_service() as writer:
        writer.revoke_token("tk_1", "2026-05-04T09:00:00.000000Z")
        row = writer.token("tk_1")
        assert row is not None
        assert row.revoked_at == "2026-05-04T07:00:00.000000Z"
        with pytest.raises(errors.NotFound):
            writer.revoke_token("tk_9", "2026-05-04T09:00:00.000000Z")


def test_a_token_is_found_by_one_query(with_token: SqlStore) -> None:
    from sqlalchemy import event

    with_token.authenticate("a" * 64, START)
    queries: list[str] = []
    event.listen(with_token.engine, "before_cursor_execute", lambda *given: queries.append(given[2]))
    with_token.authenticate("a" * 64, START)
    assert len(queries) == 1


def test_principals_and_tokens_are_listed_in_order_without_secrets(with_token: SqlStore) -> None:
    with with_token.write_service() as writer:
        writer.add_principal("pr_3", "system", None, "2026-05-04T06:00:00.000000Z")
        writer.add_principal("pr_2", "person", "B", "2026-05-04T06:00:00.000000Z")
        writer.add_token(token("tk_0"), "e" * 64)
    with with_token.read_service() as reader:
        assert [row.id for row in reader.principals("", 10)] == ["pr_1", "pr_2", "pr_3"]
        assert [row.id for row in reader.principals("pr_1", 1)] == ["pr_2"]
        assert reader.principal("pr_3") == PrincipalRow("pr_3", "system", None, "2026-05-04T06:00:00.000000Z")
        assert reader.principal("pr_9") is None
        assert [row.id for row in reader.tokens("", 10)] == ["tk_0", "tk_1"]
        assert reader.tokens("tk_0", 10) == [token()]
        assert reader.token("tk_1") == token()
        assert reader.token("tk_9") is None
        assert "a" * 64 not in repr(reader.tokens("", 10))


def test_an_id_that_is_in_use_is_refused(with_token: SqlStore) -> None:
    with with_token.write_service() as writer:
        with pytest.raises(errors.DuplicateKey):
            writer.add_principal("pr_1", "person", None, "2026-05-04T06:00:00.000000Z")
        with pytest.raises(errors.DuplicateKey):
            writer.add_token(token(), "f" * 64)
        with pytest.raises(errors.DuplicateKey):
            writer.add_token(token("tk_7"), "a" * 64)
        with pytest.raises(errors.NotFound):
            writer.add_token(token("tk_8", principal="pr_9"), "9" * 64)


def test_what_the_database_says_never_reaches_a_caller(with_token: SqlStore) -> None:
    with with_token.engine.begin() as connection:
        connection.execute(text("DROP TABLE idempotency_keys"))

    def asks() -> None:
        with with_token.write("Works-1") as writer:
            writer.append(line_record("A"))
            writer.remember("p", "POST", "/x", "k", "d", {}, START)

    with pytest.raises(errors.ServiceError) as failure:
        asks()
    shown = f"{failure.value.detail} {failure.value.facts}".lower()
    assert not any(word in shown for word in ("idempotency", "table", "select", "sql", "relation"))
    assert append(with_token, "Works-1", line_record("A")) == [0]
