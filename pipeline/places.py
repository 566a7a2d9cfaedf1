"""Points and sizes that the user writes in a job, and which coordinates and unit they are in.

A report, a drawing or a table of a run shows part coordinates, so a point that stands bare is in those; "scan: [x, y,
z]" says that it is in the scan's own, and "in: [x, y, z]" or "mm: [x, y, z]" which unit part coordinates were copied
in. A run puts every point into scan coordinates before a stage sees it (`pipeline.part_frame`).
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, model_serializer, model_validator

from pipeline.errors import SettingsError

Point = tuple[float, float, float]
# mm, or degrees. No part is larger, no size smaller: beyond, figures overflow or vanish against each other.
_FAR, _SMALL = 1e6, 1e-3
Finite = Annotated[float, Field(ge=-_FAR, le=_FAR, allow_inf_nan=False)]
Extent = Annotated[float, Field(ge=0, le=_FAR, allow_inf_nan=False)]
Size = Annotated[float, Field(ge=_SMALL, le=_FAR, allow_inf_nan=False)]
_TINY = 1e-6  # mm, for what is the difference of two sizes

_MARKED = r"(?:(?P<mark>scan|mm|in)\s*:\s*)?\[(?P<numbers>[^\[\]]*)\]"
_TEXT = re.compile(_MARKED, re.I)
_LIKE_PLACE = re.compile(r"\s*(\w+\s*:\s*)?\[")
_LENGTH = re.compile(r"([-+]?(?:\d+\.?\d*|\.\d+)(?:e[-+]?\d+)?)\s*(mm|in)", re.I)
# A place among the words for a datum; a name that has brackets is none.
_IN_WORDS = re.compile(rf"(?P<before>\b(?:nearest(?:\s+to)?|point)\s*)(?P<place>{_MARKED})", re.I)


class Place(BaseModel):
    """A point in a job, mm: [x, y, z] in part coordinates, "scan: [x, y, z]" in scan coordinates, "in: [x, y, z]" or
    "mm: [x, y, z]" in part coordinates of that unit.

    at           mm
    coordinates  what `at` is in
    unit_said    whether the unit of part coordinates was written

    >>> Place.model_validate("in: [1, 0, -2]").at
    (25.4, 0.0, -50.8)
    >>> Place.model_validate([1, 0, -2]).coordinates, Place.model_validate("scan: [1, 0, -2]").coordinates
    ('part', 'scan')
    >>> Place.model_validate("scan: [1, 0, -2]").text
    'scan: [1.0, 0.0, -2.0]'
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    at: Point
    coordinates: Literal["part", "scan"] = "part"
    unit_said: bool = False

    @model_validator(mode="before")
    @classmethod
    def _from_text(cls, data: Any) -> Any:
        if isinstance(data, str):
            return _read(data)
        return {"at": _numbers(data)} if isinstance(data, (list, tuple)) else data

    @model_serializer
    def _written(self) -> Any:
        return list(self.at) if self.coordinates == "part" and not self.unit_said else self.text

    @property
    def text(self) -> str:
        """As it may stand in a job."""
        mark = "scan: " if self.coordinates == "scan" else "mm: " if self.unit_said else ""
        return f"{mark}{list(self.at)}"

    @property
    def in_scan(self) -> Point:
        """The point in scan coordinates, mm. Raises SettingsError for one that no run has put there."""
        if self.coordinates == "part":
            raise SettingsError(
                f"The place {self.text} is in part coordinates, which only a run after another one knows; "
                f'write "scan: [x, y, z]" for scan coordinates.'
            )
        return self.at


class Length(BaseModel):
    """A size in a job, mm: a number, or "2.4411 in" and "62.01 mm" where the unit is to be said.

    mm         the size
    unit_said  whether the unit was written

    >>> Length.model_validate("2.5 in").mm, Length.model_validate(62.01).mm
    (63.5, 62.01)
    >>> Length.model_validate("62.01mm").text
    '62.01 mm'
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    mm: Annotated[float, Field(ge=_TINY, le=_FAR, allow_inf_nan=False)]
    unit_said: bool = False

    @model_validator(mode="before")
    @classmethod
    def _from_text(cls, data: Any) -> Any:
        if isinstance(data, str):
            found = _LENGTH.fullmatch(data.strip())
            if found is None:
                raise ValueError(f'{data!r} needs a number, or one with its unit as "2.4411 in" or "62.01 mm"')
            return {"mm": _in_mm((float(found[1]), 0.0, 0.0), found[2].lower())[0], "unit_said": True}
        return {"mm": data} if isinstance(data, int | float) and not isinstance(data, bool) else data

    @model_serializer
    def _written(self) -> Any:
        return self.text if self.unit_said else self.mm

    @property
    def text(self) -> str:
        """As it may stand in a job, its unit said."""
        return f"{self.mm!r} mm"


def place_or_name(data: Any) -> Any:
    """What stands for a feature in a job: a place where it is written as one, else a number or a name.

    >>> place_or_name([1, 2, 3]).at, place_or_name("scan: [1, 2, 3]").coordinates, place_or_name("seat A")
    ((1.0, 2.0, 3.0), 'scan', 'seat A')
    """
    if isinstance(data, str) and _LIKE_PLACE.match(data) is None:
        return data
    return Place.model_validate(data)


def in_words(text: str, change: Callable[[Place], Place]) -> str:
    """Words for a datum with each place in them changed. Raises ValueError where one is not three numbers.

    >>> in_words("middle of bore nearest [0, 0, 5] and H2", lambda p: Place(at=(1, 2, 3), coordinates="scan"))
    'middle of bore nearest scan: [1.0, 2.0, 3.0] and H2'
    """
    return _IN_WORDS.sub(lambda found: found["before"] + change(Place(**_read(found["place"], text))).text, text)


def _read(text: str, whole: str | None = None) -> dict[str, Any]:
    found = _TEXT.fullmatch(text.strip())
    if found is None:
        raise ValueError(f'{whole or text!r:.80} needs a place as [x, y, z] or "scan: [x, y, z]"')
    mark = None if found["mark"] is None else found["mark"].lower()
    try:
        numbers = _numbers(found["numbers"].replace("\u2212", "-").split(","))
    except ValueError:
        raise ValueError(f"{whole or text!r:.80} needs a place of three numbers, as [x, y, z]") from None
    if mark == "scan":
        return {"at": numbers, "coordinates": "scan"}
    return {"at": _in_mm(numbers, mark), "unit_said": mark is not None}


def _in_mm(numbers: Point, unit: str | None) -> Point:
    if unit != "in":
        return numbers
    from pipeline.geometry import MM_PER_INCH

    x, y, z = (MM_PER_INCH * figure for figure in numbers)
    return (x, y, z)


def _numbers(data: Any) -> Point:
    try:
        x, y, z = (float(part) + 0.0 for part in data)
    except (TypeError, ValueError):
        raise ValueError("a place is three numbers, as [x, y, z]") from None
    if not all(map(math.isfinite, (x, y, z))):
        raise ValueError("a place is three finite numbers, as [x, y, z]")
    return (x, y, z)
