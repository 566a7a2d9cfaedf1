"""The datum file's text."""

from __future__ import annotations

import json
import re
from typing import Any, TypeVar

from pipeline.formats.datum_file.records import Record
from pipeline.lengths import in_unit

_R = TypeVar("_R", bound=Record)


def plain_data(record: Record) -> dict[str, Any]:
    """A record as what JSON knows: dicts, lists, numbers, texts; mm and degrees, in its sentences too.

    >>> from pipeline.formats.datum_file.records import Units
    >>> plain_data(Units(length="mm", angle="deg"))
    {'length': 'mm', 'angle': 'deg'}
    """
    return lengths_in(record, "mm").model_dump(mode="json")


def lengths_in(record: _R, unit: str) -> _R:
    """A record with the lengths of its sentences in `unit`, "mm" as the file has them or "in"; its figures stay in mm.

    >>> from pipeline.formats.datum_file.records import RemovalRecord
    >>> from pipeline.lengths import mm
    >>> lengths_in(RemovalRecord(what="spikes", count=2, area=0.5, note=f"over {mm(0.05, '.3f')} high"), "in").note
    'over 0.00197 in high'
    """
    found: _R = _with_lengths_in(record, unit)
    return found


def _with_lengths_in(value: Any, unit: str) -> Any:
    """The very same where nothing in it changes."""
    if isinstance(value, str):
        return in_unit(value, unit)
    if isinstance(value, Record):
        old = {name: getattr(value, name) for name in type(value).model_fields}
        made = {name: _with_lengths_in(part, unit) for name, part in old.items()}
        changed = {name: part for name, part in made.items() if part is not old[name]}
        return value.model_copy(update=changed) if changed else value
    if isinstance(value, tuple) and not (value and isinstance(value[0], float)):
        parts = tuple(_with_lengths_in(part, unit) for part in value)
        return value if all(a is b for a, b in zip(parts, value, strict=True)) else parts
    return value


def text_of(record: Record) -> str:
    """A record as JSON text, vectors on one line each; the same record gives the same bytes.

    >>> from pipeline.formats.datum_file.records import Units
    >>> print(text_of(Units(length="mm", angle="deg")), end="")
    {
     "length": "mm",
     "angle": "deg"
    }
    """
    text = json.dumps(plain_data(record), indent=1, ensure_ascii=False, allow_nan=False)
    # A raw line break can't stand inside a JSON string, so this touches lists only.
    return re.sub(r"\[\n[-+0-9.eE,\s]*\]", lambda found: f"[{' '.join(found[0][1:-1].split())}]", text) + "\n"
