"""Conditional writes: which revision the caller believes to be current."""

from __future__ import annotations

from dataclasses import dataclass

from service.domain.ports import Record
from service.errors import PreconditionFailed, PreconditionRequired


@dataclass(frozen=True)
class Precondition:
    """if_match: revisions named, or None; any_revision: If-Match is *; must_be_absent: If-None-Match is *."""

    if_match: tuple[int, ...] | None = None
    any_revision: bool = False
    must_be_absent: bool = False

    def judge(self, current: Record | None) -> None:
        """Pass, or refuse the write.

        An existing resource wants If-Match, a new one If-None-Match: *. Errors:
        PreconditionRequired (none was sent), PreconditionFailed (it does not hold).
        """
        sent = self.any_revision or self.if_match is not None
        if current is None:
            if sent:
                raise PreconditionFailed("There is nothing here yet that If-Match could name.", revision=None)
            if not self.must_be_absent:
                raise PreconditionRequired(
                    "Creating wants the header If-None-Match: *.", header="If-None-Match"
                )
            return
        if self.must_be_absent:
            raise PreconditionFailed(
                f"It exists already, at revision {current.revision}.", revision=current.revision
            )
        if not sent:
            raise PreconditionRequired(
                "Changing wants the header If-Match with the ETag that was read.",
                header="If-Match",
                revision=current.revision,
            )
        if not self.any_revision and current.revision not in (self.if_match or ()):
            raise PreconditionFailed(
                f"The current revision is {current.revision}.", revision=current.revision
            )
