"""Units: the one registry, the allow-list, and the door between quantities and SI floats."""

from service.units.documents import System, convert_document
from service.units.door import (
    FACTORS,
    OFFSETS,
    UCUM_CODES,
    accepted_units,
    dimension_of,
    from_si,
    quantity_from_si,
    quantity_to_si,
    rounded,
    to_si,
)
from service.units.symbols import PREFERRED, SYMBOLS, Dimension, Symbol

__all__ = [
    "FACTORS",
    "OFFSETS",
    "PREFERRED",
    "SYMBOLS",
    "UCUM_CODES",
    "Dimension",
    "Symbol",
    "System",
    "accepted_units",
    "convert_document",
    "dimension_of",
    "from_si",
    "quantity_from_si",
    "quantity_to_si",
    "rounded",
    "to_si",
]
