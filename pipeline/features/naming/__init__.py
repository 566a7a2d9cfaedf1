"""What features and gaps are called: short numbers, carried over to another scan; the user's names; old ids; a
shop's words for what they are."""

from __future__ import annotations

from pipeline.features.naming.carrying import carried_over, entry_of, order_of
from pipeline.features.naming.gap_numbers import number_gaps
from pipeline.features.naming.numbering import numbers_for
from pipeline.features.naming.old_ids import old_ids
from pipeline.features.naming.trade_terms import (
    BY_DEFINITION,
    DATUM_SYSTEM,
    NOISE_REMOVED,
    OUTSIDE,
    PATTERNS,
    RELATIONS,
    SIDES,
    counted,
    form_in_words,
    freedoms_in_words,
    term_of,
    term_of_look,
)
from pipeline.features.naming.user_names import named, nameless

__all__ = [
    "BY_DEFINITION",
    "DATUM_SYSTEM",
    "NOISE_REMOVED",
    "OUTSIDE",
    "PATTERNS",
    "RELATIONS",
    "SIDES",
    "carried_over",
    "counted",
    "entry_of",
    "form_in_words",
    "freedoms_in_words",
    "named",
    "nameless",
    "number_gaps",
    "numbers_for",
    "old_ids",
    "order_of",
    "term_of",
    "term_of_look",
]
