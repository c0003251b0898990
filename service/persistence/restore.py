"""Restoring a backup into an empty database, of either engine, without ever going back in silence.

Every byte is verified first. Then one transaction makes the tables, loads logs, documents, words and
what is beside them, and makes the projections and the tree again: it leaves a whole service or nothing.

A log never goes on under the same origin from a place before a checkpoint that was given out: two
histories would bear one name. A restore that would end there is refused, unless the loss is declared;
the log then goes on under a new origin, and its first event there says what was lost.
"""

from __future__ import annotations

import secrets
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager, nullcontext
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from alembic import command
from sqlalchemy import Connection, func, insert, inspect, select, update

from service.config import Settings
from service.domain.events import NewEvent
from service.domain.ports import StoredCheckpoint
from service.errors import ConfigurationError, Conflict, LogCorrupt
from service.ledger.notes import SEED_BYTES, new_private_key_pem
from service.persistence import backup_format as form
from service.persistence import engines, losses, schema
from service.persistence.backup_checking import check_log, check_tables, rows_of
from service.persistence.backup_format import BackedLog, BackupRefused
from service.persistence.backup_loading import chunks, load_log
from service.persistence.backup_reading import Backup, open_backup
from service.persistence.faults import translated
from service.persistence.identifiers import Clock, RandomBytes, comparable
from service.persistence.key_files import KeyFile, make_file
from service.persistence.log_reading import StoredLog
from service.persistence.losses import Loss, Witnessed
from service.persistence.migrate import MIGRATION_LOCK, make_folders_and_secrets
from service.persistence.signing import OPERATOR, list_keys_within
from service.persistence.soundness import examine
from service.persistence.store import SqlStore, now, open_store
from service.persistence.tables import logs
from service.persistence.writing import PlantWriting, ServiceWriting, Writing

LOSS: Final = "loss-declared"


class LossNotDeclared(BackupRefused):
    """The backup ends before a checkpoint that was given out, and nobody declared the loss."""


@dataclass(frozen=True)
class Wish:
    """What an operator asks for.

    public_keys: that count for the backup, 32 bytes each; none: those of the key file.
    witnesses: files with checkpoints, beside those of the data folder.
    declared: words about a loss, None where none is declared.
    """

    file: Path
    public_keys: Sequence[bytes] = ()
    witnesses: Sequence[Path] = ()
    declared: str | None = None


@dataclass(frozen=True)
class Restored:
    """What was done. ends: each log with the checkpoint at which it stands now.

    losses: that were declared. unwitnessed: names of logs of which no checkpoint was known, so that
    only the backup says where they ended. missing: checkpoints of logs that the backup does not hold.
    """

    manifest: form.Manifest
    ends: Sequence[tuple[BackedLog, StoredCheckpoint]]
    losses: Sequence[Loss]
    unwitnessed: Sequence[str]
    missing: Sequence[Witnessed]


def restore(
    settings: Settings, wish: Wish, *, clock: Clock = now, random_bytes: RandomBytes = secrets.token_bytes
) -> Restored:
    """Restores a backup into the database of the settings, which must hold no log yet.

    The key file and the witnesses of the data folder are used where they are there. Where there is no
    key file one is made, and its key is listed.

    Raises:
        BackupRefused: the file is not a whole and true backup, or a witness cannot be read
        LossNotDeclared: it ends before a checkpoint that was given
        ConfigurationError: nothing says which keys count; a file or folder cannot be made or read
        Conflict: the database holds logs already
        StoreBusy, StoreFull: as for every write
    """
    make_folders_and_secrets(settings, random_bytes)
    try:
        with closing(open_store(settings, clock=clock, random_bytes=random_bytes)) as store:
            return _Restoring(settings, store, wish, clock, random_bytes).run()
    except OSError as error:
        raise ConfigurationError(f"{error.filename or wish.file}: {error.strerror}.") from error


@dataclass
class _Restoring:
    settings: Settings
    store: SqlStore
    wish: Wish
    clock: Clock
    random_bytes: RandomBytes
    _made: list[tuple[str, StoredCheckpoint]] = field(default_factory=list)

    def run(self) -> Restored:
        """Verifies, loads, declares, commits, and takes note of where each log ends."""
        with translated(), self.store.engine.connect() as connection, connection.begin():
            self._refuse_logs(connection)
        public_keys = self._public_keys()
        with open_backup(self.wish.file, public_keys) as backup:
            known = [*public_keys, *check_tables(backup)]
            witnesses = losses.find_witnesses(
                self.settings.witness_directory, self.wish.witnesses, [*known, *self._own_keys()]
            )
            found, unwitnessed = self._check(backup, known, witnesses)
            missing = _of_other_logs(backup.manifest, witnesses)
            self._require_declared(found, missing)
            with self._transaction() as connection:
                self._load(connection, backup)
                self._declare(connection, found, missing)
                ends = [(log, self._end(connection, log)) for log in backup.manifest.logs]
                # Set aside before the commit: a crash in between leaves a file that still counts.
                for log_id in {loss.log.log_id for loss in found} | {each.log_id for each in missing}:
                    self.store.witness.set_aside(log_id)
        for log, end in ends:
            self.store.witness.advance(log.log_id, end.size, end.note)
        for plant, fault in examine(self.store, full=True):
            raise LogCorrupt(
                "The log that was restored does not agree with itself.",
                plant=plant,
                position=fault.position,
                reason=fault.reason,
            )
        return Restored(backup.manifest, ends, found, unwitnessed, missing)

    # --- before anything is written ---------------------------------------------------------------------
    def _refuse_logs(self, connection: Connection) -> None:
        if inspect(connection).has_table(logs.name) and connection.execute(select(logs.c.log)).first():
            raise Conflict(
                "The database holds logs already: a backup is restored into an empty one.",
                database=self.settings.masked_database_url,
            )

    def _own_keys(self) -> list[bytes]:
        file = self.settings.signing_key_file
        if not self.settings.signing_key_is_given and not file.exists():
            return []
        return [signer.public_key for signer in KeyFile(file).signers()]

    def _public_keys(self) -> list[bytes]:
        keys = list(self.wish.public_keys) or self._own_keys()
        if not keys:
            raise ConfigurationError(
                "Nothing says which key the backup is signed with: there is no key file, and no --key.",
                accepted="--key with a verifier key, or the key file in its place",
            )
        return keys

    def _check(
        self, backup: Backup, public_keys: Sequence[bytes], witnesses: Sequence[Witnessed]
    ) -> tuple[list[Loss], list[str]]:
        """Every loss, and the logs of which no checkpoint is known. Reads the whole backup."""
        found: list[Loss] = []
        unwitnessed: list[str] = []
        for log in backup.manifest.logs:
            roots = check_log(backup, log, public_keys, losses.sizes_to_look_at(log, witnesses))
            lost = losses.loss_of(log, roots, witnesses)
            is_known = losses.is_witnessed(log, witnesses)
            if not is_known:
                unwitnessed.append(log.name)
            if lost is not None or (not is_known and self.wish.declared is not None):
                found.append(Loss(log, lost, losses.next_origin(log, witnesses)))
        return found, unwitnessed

    def _require_declared(self, found: Sequence[Loss], missing: Sequence[Witnessed]) -> None:
        if self.wish.declared is not None:
            return
        lacks = [
            f"{loss.log.name} ends at {loss.log.size} in the backup, and a checkpoint for "
            f"{loss.witnessed.size} was given ({loss.witnessed.source})"
            for loss in found
            if loss.witnessed is not None
        ]
        lacks += [
            f"the backup holds nothing of the log {each.log_id}, of which a checkpoint for {each.size} was "
            f"given ({each.source})"
            for each in missing
        ]
        if lacks:
            raise LossNotDeclared("; ".join(lacks))

    # --- the transaction -----------------------------------------------------------------------------------
    @contextmanager
    def _transaction(self) -> Iterator[Connection]:
        """All of the restore or nothing: the tables too are made in it."""
        own = self.settings.signing_key_file
        if not self.settings.signing_key_is_given:
            make_file(own, new_private_key_pem(self.random_bytes(SEED_BYTES)), self.random_bytes)
        options: dict[str, Any] = {engines.WRITE: True} if self.settings.uses_sqlite else {}
        engine = self.store.engine.execution_options(**options)
        alone = self.store.alone() if self.settings.uses_sqlite else nullcontext()
        with translated(), alone, engine.begin() as connection:
            if not self.settings.uses_sqlite:
                connection.execute(select(func.pg_advisory_xact_lock(MIGRATION_LOCK)))
            self._refuse_logs(connection)
            if not schema.is_known(connection):
                raise ConfigurationError("The database was migrated by a newer version of the service.")
            config = schema.configuration()
            config.attributes["connection"] = connection
            command.upgrade(config, "head")
            yield connection

    def _load(self, connection: Connection, backup: Backup) -> None:
        for log in backup.manifest.logs:
            load_log(connection, backup, log, self.store.folds)
        for table in form.SIDE_TABLES:
            for rows in chunks(rows_of(backup, table)):
                connection.execute(insert(table), rows)

    def _declare(self, connection: Connection, found: Sequence[Loss], missing: Sequence[Witnessed]) -> None:
        """Begins the new origins, and lists the key that signs from now on."""
        by_log = {loss.log.plant: loss for loss in found}
        service = by_log.pop(None, None)
        self._begin(connection, service)
        writer = ServiceWriting(
            connection, self.store.head(connection, None), self.store.signing, self.clock, self.random_bytes
        )
        if service is not None:
            lost = [
                {"log_id": each.log_id, "origin": each.origin, "size": each.size, "root": each.root.hex()}
                for each in missing
            ]
            writer.append(self._event(service, "service/log", lost_logs=lost))
        list_keys_within(self.store, writer, self.random_bytes)
        writer.appender.finish()
        for plant, loss in by_log.items():
            self._begin(connection, loss)
            head = self.store.head(connection, plant)
            other: Writing = PlantWriting(
                connection, head, self.store.folds, self.store.signing, self.clock, self.random_bytes
            )
            other.append(self._event(loss, "plant"))
            other.appender.finish()

    def _begin(self, connection: Connection, loss: Loss | None) -> None:
        if loss is not None:
            connection.execute(
                update(logs).where(logs.c.log_id == loss.log.log_id).values(origin=loss.new_origin)
            )

    def _event(self, loss: Loss, subject: str, **more: Any) -> NewEvent:
        """What the log says of its loss, first of all under its new origin."""
        lost = loss.witnessed
        return NewEvent(
            type=LOSS,
            subject=subject,
            occurred_at=comparable(self.clock()),
            actor=OPERATOR,
            performed_by=OPERATOR,
            role="administrator",
            data={
                "origin": loss.log.origin,
                "size": loss.log.size,
                "root": loss.log.root.hex(),
                "lost_size": None if lost is None else lost.size,
                "lost_root": None if lost is None else lost.root.hex(),
                "new_origin": loss.new_origin,
                **more,
            },
            texts={"reason": self.wish.declared or ""},
            request_id=f"rq_{self.random_bytes(13).hex()}",
        )

    def _end(self, connection: Connection, log: BackedLog) -> StoredCheckpoint:
        head = self.store.locked_head(connection, log.plant)
        end = StoredLog(connection, head).checkpoint()
        if end is None or end.size != head.next_sequence:
            raise BackupRefused(f"the log of {log.name} has no checkpoint at its end")
        return end


def _of_other_logs(manifest: form.Manifest, witnesses: Sequence[Witnessed]) -> list[Witnessed]:
    """The last known checkpoint of each log that the backup does not hold."""
    held = {log.log_id for log in manifest.logs}
    last: dict[str, Witnessed] = {}
    for each in witnesses:
        if each.log_id not in held and not each.set_aside and each.size >= last.get(each.log_id, each).size:
            last[each.log_id] = each
    return list(last.values())
