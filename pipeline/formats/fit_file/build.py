"""The record of placed parts and of what was asked of them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.fitup import Placed
from pipeline.formats.datum_file import Record
from pipeline.formats.fit_file.plain import rows
from pipeline.formats.fit_file.records import SCHEMA_VERSION, FitFile, LeftRecord, PartRecord


def fit_record(
    layout: str, parts: Mapping[str, Placed], records: Mapping[str, Sequence[Record]], held: bool
) -> FitFile:
    """What was found of the parts of a layout file, as a record; mm and degrees.

    records  of the answers, by the field of `FitFile` that holds them
    held     whether all that was asked for is held for certain

    >>> from pipeline.fitup import Placed, placed, turned_body
    >>> rod = Placed(turned_body("rod", [(0, 20), (50, 20)], 0.01), placed([]))
    >>> fit_record("rods.toml", {"rod": rod}, {"clearances": ()}, True).parts[0].free[0]
    'turn about x'
    """
    answers: dict[str, Any] = {field: tuple(each) for field, each in records.items()}
    described = tuple(_part(name, part) for name, part in parts.items())
    return FitFile(schema_version=SCHEMA_VERSION, layout=layout, parts=described, held=held, **answers)


def _part(name: str, part: Placed) -> PartRecord:
    left = tuple(LeftRecord(words=one.words, shift=one.shift, angle=math.degrees(one.angle)) for one in part.pose.left)
    return PartRecord(
        name=name, matrix=rows(part.pose.matrix), closed=part.body.closed, facets=part.body.surface.facets,
        taken=part.pose.taken, free=part.pose.free, left=left,
    )  # fmt: skip
