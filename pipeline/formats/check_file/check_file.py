"""Records of check.json: millimetres and degrees, places in the part's own coordinates."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

from pydantic import Field

from pipeline.fitup import Walls
from pipeline.fitup.rescan import AgainstPlan, HeldFace, MovedFeature
from pipeline.formats.datum_file import Record, schema_of
from pipeline.formats.fit_file import WallRecord, rows, wall_record

SCHEMA_VERSION = "1.0"
_Row = tuple[float, float, float, float]


class FaceRecord(Record):
    """A planned face, and what is there."""

    number: str = Field(description="Of the planned face.")
    name: str = Field(description="Of the planned face.")
    found: str | None = Field(description="Number of the rescan's feature there; null: none.")
    seen: float = Field(description="Share of the planned face that it shows.")
    verdict: Literal["as planned", "off the plan", "not found", "can't be said"] = Field(
        description="At 95 %, corrected over all planned faces (Holm 1979)."
    )
    why: str = Field(description='In words; "" of one that is as planned.')
    off: float | None = Field(description="mm: of a plane along its normal, metal left standing positive; else across.")
    off_expanded: float | None = Field(description="What that is known within, mm, 95 %.")
    tilt: float | None = Field(description="Degrees.")
    tilt_expanded: float | None = Field(description="What that is known within, degrees, 95 %.")
    size: float | None = Field(description="mm by which its diameter is larger than planned; null: it has none.")
    size_expanded: float | None = Field(description="What that is known within, mm, 95 %.")


class MovedRecord(Record):
    """A feature that no cut was to touch, and that doesn't lie where the others put it."""

    number: str = Field(description="In the plan.")
    found: str = Field(description="In the rescan.")
    off: float = Field(description="mm.")
    off_expanded: float = Field(description="95 %, mm.")
    tilt: float = Field(description="Degrees.")
    tilt_expanded: float = Field(description="95 %, degrees.")


class CheckFile(Record):
    """All of check.json."""

    schema_version: str = Field(description="Of this shape; 1.x only adds keys.")
    layout: str = Field(description="Name of the layout file.")
    part: str = Field(description="Which of its parts the rescan shows.")
    matrix: tuple[_Row, _Row, _Row, _Row] = Field(description="4x4, row-major: place in the plan = matrix * rescan.")
    standard: tuple[float, float, float, float, float, float] = Field(
        description="Standard uncertainties (k = 1) of that: shift at the origin, mm, and turn, degrees, x y z each."
    )
    by: tuple[str, ...] = Field(description="Numbers of the features that it was laid on.")
    faces: tuple[FaceRecord, ...] = Field(description="The planned ones.")
    walls: tuple[WallRecord, ...] = Field(
        description="What is left behind the faces of each cut that a wall was asked of, places as the rescan has them."
    )
    moved: tuple[MovedRecord, ...] = Field(description="Features that lie elsewhere, though no cut was to touch them.")
    held: bool = Field(description="Whether all is there, as planned, with its walls, and nothing has moved.")


def check_record(layout: str, part: str, found: AgainstPlan, walls: Sequence[tuple[str, Walls]]) -> CheckFile:
    """What was found of a rescan of a part of a layout file, as a record.

    walls  by the name of the cut that they were asked of

    >>> import numpy as np
    >>> from pipeline.features.joining import Joined
    >>> lies = Joined(np.eye(4), np.eye(6) * 1e-6, (), ())
    >>> check_record("turbine.toml", "housing", AgainstPlan(lies, ("H1",), (), ()), ()).held
    True
    """
    deviations = [math.sqrt(v) for v in found.joined.covariance.diagonal().tolist()]
    x, y, z, a, b, c = deviations[:3] + [math.degrees(v) for v in deviations[3:]]
    return CheckFile(
        schema_version=SCHEMA_VERSION, layout=layout, part=part, matrix=rows(found.joined.motion),
        standard=(x, y, z, a, b, c), by=found.by, faces=tuple(map(_face, found.faces)),
        walls=tuple(wall_record(part, [cut], wall) for cut, wall in walls), moved=tuple(map(_moved, found.moved)),
        held=found.held and all(wall.verdict == "holds" for _, wall in walls),
    )  # fmt: skip


def check_schema_text() -> str:
    """The published schema of check.json, as text; the same version gives the same bytes.

    >>> import json
    >>> json.loads(check_schema_text())["$id"]
    'urn:datumlift:check:1.0'
    """
    return schema_of(CheckFile, "check", SCHEMA_VERSION, "a rescan held against the plan")


def _face(face: HeldFace) -> FaceRecord:
    there = face.found is not None
    off, tilt, size = face.expanded
    return FaceRecord(
        number=face.number, name=face.name, found=face.found, seen=face.seen, verdict=face.verdict, why=face.why,
        off=face.off if there else None, off_expanded=off if there else None,
        tilt=math.degrees(face.tilt) if there else None, tilt_expanded=math.degrees(tilt) if there else None,
        size=face.size, size_expanded=size,
    )  # fmt: skip


def _moved(one: MovedFeature) -> MovedRecord:
    off, tilt = one.expanded
    return MovedRecord(
        number=one.number, found=one.found, off=one.off, off_expanded=off, tilt=math.degrees(one.tilt),
        tilt_expanded=math.degrees(tilt),
    )  # fmt: skip
