"""The structured log: one JSON object a line, with the request's id and without any secret.

Headers, query strings and bodies are never logged. Of the path only the template and the parts
that the route takes are; a token is named by its id.
"""

from __future__ import annotations

import logging
import sys
from datetime import UTC, datetime
from typing import Any, Final

import orjson

ACCESS: Final = "service.access"
FAULTS: Final = "service.faults"
_MARK: Final = "service_structured"


class JsonLines(logging.Formatter):
    """A record as one line of JSON; what a call adds stands in its `fields`."""

    def format(self, record: logging.LogRecord) -> str:
        """The line."""
        document: dict[str, Any] = {
            "at": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "log": record.name,
            "message": record.getMessage(),
        }
        document.update(getattr(record, "fields", {}))
        if record.exc_info:
            document["trace"] = self.formatException(record.exc_info)
        return orjson.dumps(document, default=str).decode("utf-8", "replace")


def configure(level: str) -> None:
    """Let the service's loggers write to standard error, once a process."""
    logger = logging.getLogger("service")
    logger.setLevel(level.upper())
    if any(getattr(handler, _MARK, False) for handler in logger.handlers):
        return
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(JsonLines())
    setattr(handler, _MARK, True)
    logger.addHandler(handler)
    logger.propagate = False
