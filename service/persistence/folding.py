"""The pure folds by which an event changes the facts of its subject, chosen by the subject's kind."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from service.domain.events import Event
from service.domain.facts import Changes, Facts

Fold = Callable[[Facts, Event], Changes]
Refold = Callable[[Sequence[Event]], Facts]


@dataclass(frozen=True)
class Folds:
    """The folds of one kind of subject. step: what one more event changes. whole: all facts anew."""

    step: Fold
    whole: Refold


@dataclass(frozen=True)
class FoldTable:
    """Folds for hangers and for lines; other subjects have no facts."""

    hanger: Folds
    line: Folds

    def of(self, subject: str) -> Folds | None:
        """The folds for a subject, or None where it has no facts."""
        kind, separator, _ = subject.partition("/")
        if not separator:
            return None
        return {"hanger": self.hanger, "line": self.line}.get(kind)


def release_folds() -> FoldTable:
    """The folds of the release domain."""
    from service.domain.release import fold

    return FoldTable(
        hanger=Folds(fold.fold_hanger, fold.refold_hanger), line=Folds(fold.fold_line, fold.refold_line)
    )
