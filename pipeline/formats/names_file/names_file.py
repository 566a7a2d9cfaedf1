"""names.json as text and back: mm and degrees, in the coordinates of the scan that it names; one feature a line.

    {"schema_version": "1.0", "scan": SHA-256 of the scan's file,
     "features": [{"id": "H1", "kind": "cylinder", "side": "bore", "sure": true, "point": [x, y, z], "direction": ...,
                   "radius": ..., "seen": [[x, y, z], ...]}, ...],
     "gaps": [{"id": "gap-1", "centre": [x, y, z], "length": ...}, ...]}

An entry without `seen`, or a gap without `centre`, keeps its number from being given again; where it lies is not known.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from pipeline.errors import InputError
from pipeline.files import text_of
from pipeline.values import NameBook, NumberedFeature, NumberedGap

NAMES_FILE = "names.json"
SCHEMA_VERSION = "1.0"

_Vector = tuple[float, float, float]
_PLACES, _WAYS = 6, 9  # decimals of mm and degrees, and of unit vectors


class _Entry(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore", allow_inf_nan=False)


# Numbers stand in file names and tables.
_Id = Annotated[str, Field(pattern=r"^[A-Za-z][A-Za-z0-9-]{0,39}$")]


class _Feature(_Entry):
    id: _Id
    kind: Annotated[str, Field(max_length=80)]
    side: Literal["bore", "boss"] | None = None
    sure: bool = False
    point: _Vector | None = None
    direction: _Vector | None = None
    radius: float | None = None
    half_angle: float | None = None
    major_radius: float | None = None
    orientation: _Vector | None = None
    seen: Annotated[tuple[_Vector, ...], Field(min_length=1)] | None = None


class _Gap(_Entry):
    id: _Id
    centre: _Vector | None = None
    length: float = 0.0


class _File(_Entry):
    schema_version: Annotated[str, Field(pattern=r"^1\.[0-9]+$")]
    scan: str = ""
    features: tuple[_Feature, ...] = ()
    gaps: tuple[_Gap, ...] = ()


def names_text(book: NameBook) -> str:
    """The file's text.

    >>> book = NameBook("ab12", (NumberedFeature("F1", "plane", None),), (NumberedGap("gap-1", np.zeros(3), 9.5),))
    >>> print(names_text(book), end="")
    {"schema_version": "1.0", "scan": "ab12",
     "features": [
      {"id": "F1", "kind": "plane", "side": null, "sure": false}],
     "gaps": [
      {"id": "gap-1", "centre": [0.0, 0.0, 0.0], "length": 9.5}]}
    """
    features = ",".join(f"\n  {json.dumps(_feature(f))}" for f in book.features)
    gaps = ",".join(f"\n  {json.dumps(_gap(g))}" for g in book.gaps)
    head = f'{{"schema_version": "{SCHEMA_VERSION}", "scan": {json.dumps(book.scan)},'
    return f'{head}\n "features": [{features}],\n "gaps": [{gaps}]}}\n'


def read_names(path: Path) -> NameBook:
    """The numbers that the file at `path` holds, none where there is no such file.

    Raises InputError where it can't be read, isn't such a file, or gives a number twice.

    >>> read_names(Path("no such folder") / "names.json").features
    ()
    """
    remedy = "mend it, or take it away to count anew"
    try:
        made = _File.model_validate_json(text_of(path))
    except FileNotFoundError:
        return NameBook()
    except OSError as error:
        raise InputError(f"The file of names {path} can't be read ({error.strerror}); {remedy}.") from None
    except UnicodeDecodeError:
        raise InputError(f"The file of names {path} is not UTF-8 text; {remedy}.") from None
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"]) or "its text"
        raise InputError(f"The file of names {path} is not one ({place}: {first['msg'].lower()}); {remedy}.") from None
    for ids in ([f.id for f in made.features], [g.id for g in made.gaps]):
        # They stand in file names, which some systems don't tell apart by case.
        folded = [ident.casefold() for ident in ids]
        twice = next((ident for k, ident in enumerate(ids) if folded[k] in folded[:k]), None)
        if twice is not None:
            raise InputError(f"The file of names {path} has {twice} twice; {remedy}.")
    return NameBook(
        made.scan,
        tuple(_numbered(f) for f in made.features),
        tuple(NumberedGap(g.id, _array(g.centre), g.length) for g in made.gaps),
    )


def _feature(f: NumberedFeature) -> dict[str, Any]:
    out: dict[str, Any] = {"id": f.id, "kind": f.kind, "side": f.side, "sure": f.sure}
    figures = {
        "point": _plain(f.point),
        "direction": _plain(f.direction, _WAYS),
        "radius": None if f.radius is None else round(float(f.radius), _PLACES),
        "half_angle": None if f.half_angle is None else round(math.degrees(f.half_angle), _PLACES),
        "major_radius": None if f.major_radius is None else round(float(f.major_radius), _PLACES),
        "orientation": _plain(f.orientation, _WAYS),
        "seen": _plain(f.seen),
    }
    return {**out, **{key: value for key, value in figures.items() if value is not None}} if f.placed else out


def _gap(g: NumberedGap) -> dict[str, Any]:
    if g.centre is None:
        return {"id": g.id}
    return {"id": g.id, "centre": _plain(g.centre), "length": round(float(g.length), _PLACES)}


def _numbered(f: _Feature) -> NumberedFeature:
    if f.seen is None or f.point is None:
        return NumberedFeature(f.id, f.kind, f.side, f.sure)
    return NumberedFeature(
        f.id,
        f.kind,
        f.side,
        f.sure,
        _array(f.point),
        _unit(f.direction),
        f.radius,
        None if f.half_angle is None else math.radians(f.half_angle),
        f.major_radius,
        _unit(f.orientation),
        np.array(f.seen),
    )


def _plain(values: Any, decimals: int = _PLACES) -> Any:
    # Adding zero makes a zero of what is rounded to minus zero.
    return None if values is None else (np.round(np.asarray(values, dtype=float), decimals) + 0.0).tolist()


def _array(values: _Vector | None) -> Any:
    return None if values is None else np.array(values)


def _unit(values: _Vector | None) -> Any:
    size = 0.0 if values is None else float(np.linalg.norm(values))
    return None if values is None or size == 0.0 else np.array(values) / size
