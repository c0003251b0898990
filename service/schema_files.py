"""The JSON Schemas of the project: read once from the folder that is their one truth."""

from __future__ import annotations

import functools
import json
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

FOLDER = Path(__file__).resolve().parent.parent / "schemas"
SUFFIX = ".schema.json"


@functools.cache
def load_schemas() -> Mapping[str, Mapping[str, Any]]:
    """All schemas by name (`hanger-record`), in order of name."""
    found = {
        path.name.removesuffix(SUFFIX): json.loads(path.read_text(encoding="utf-8"))
        for path in sorted(FOLDER.glob(f"*{SUFFIX}"))
    }
    return MappingProxyType(found)
