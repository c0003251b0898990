"""OpenSees as its wheel ships it: the libraries that it needs lie beside it and are loaded first."""

from __future__ import annotations

import ctypes
import importlib.util
from pathlib import Path
from types import ModuleType

_LIBRARIES = ("libquadmath.so.0", "libgfortran.so.4", "libgomp.so.1", "libblas.so.3", "liblapack.so.3")


def load_opensees() -> ModuleType | None:
    """The module `opensees` of the wheel, or None where no wheel of it is installed."""
    found = importlib.util.find_spec("openseespylinux")
    if found is None or found.origin is None:
        return None
    for name in _LIBRARIES:
        library = Path(found.origin).parent / "lib" / name
        if library.exists():
            ctypes.CDLL(str(library), mode=ctypes.RTLD_GLOBAL)
    return importlib.import_module("openseespylinux.opensees")
