"""The datum file's text."""

from __future__ import annotations

import json
import re
from typing import Any

from pipeline.formats.datum_file.records import Record
from pipeline.geometry import MM_PER_INCH

_LENGTH = re.compile(r"\b(\d+(?:\.\d+)?) mm\b")


def plain_data(record: Record) -> dict[str, Any]:
    """A record as what JSON knows: dicts, lists, numbers, texts; mm and degrees.

    >>> from pipeline.formats.datum_file.records import Units
    >>> plain_data(Units(length="mm", angle="deg"))
    {'length': 'mm', 'angle': 'deg'}
    """
    return record.model_dump(mode="json")


def lengths_in(text: str, unit: str) -> str:
    """A sentence of the file with its lengths in `unit`, "mm" as they stand there or "in".

    >>> lengths_in("0.09 mm over 72 H7: the ring would creep", "in")
    '0.0035 in over 72 H7: the ring would creep'
    """
    if unit == "mm":
        return text
    return _LENGTH.sub(lambda found: f"{float(found[1]) / MM_PER_INCH:.4f} in", text)


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
