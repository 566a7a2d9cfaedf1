"""Handbook tables: one TOML file each in data/, with its source, read when it is first asked for."""

from __future__ import annotations

import importlib.resources
import tomllib
from dataclasses import dataclass
from functools import cache
from typing import Any

MM = {"mm": 1.0, "in": 25.4, "um": 0.001, "deg": 1.0}
TABLES = (
    "angular_tolerances",
    "bearings",
    "clearance_inch",
    "clearance_metric",
    "drills_inch",
    "drills_metric",
    "o_rings",
    "tapping_inch",
    "tapping_metric",
    "tolerance_grades",
    "tolerance_zones",
)


@dataclass(frozen=True)
class Table:
    """rows as dictionaries by column; `to_mm` turns the table's unit into mm; 1 where that is degrees."""

    title: str
    source: tuple[str, ...]
    to_mm: float
    rows: tuple[dict[str, Any], ...]
    note: str = ""


@cache
def table(name: str) -> Table:
    """The table of that name; KeyError when there is none."""
    if name not in TABLES:
        raise KeyError(name)
    text = (importlib.resources.files("pipeline.standards") / "data" / f"{name}.toml").read_text("utf-8")
    data = tomllib.loads(text)
    columns = data["columns"]
    rows = tuple(dict(zip(columns, row, strict=True)) for row in data["rows"])
    return Table(data["title"], tuple(data["source"]), MM[data["unit"]], rows, data.get("note", ""))


def grade(name: str, size: float) -> float | None:
    """Standard tolerance in mm of a grade such as "IT7" for a nominal size in mm; None beyond 500 mm."""
    return _banded("tolerance_grades", "grade", name, size)


def zone(name: str, size: float) -> tuple[float, float] | None:
    """Lower and upper deviation in mm of a zone such as "H7" for a nominal size in mm; None beyond 500 mm."""
    row = next(r for r in table("tolerance_zones").rows if r["zone"] == name)
    low, width = _banded("tolerance_zones", "zone", name, size), grade(row["grade"], size)
    return None if low is None or width is None else (low, low + width)


def angle_of(name: str, length: float) -> float:
    """General tolerance, degrees either way, of an angle whose shorter side is `length` mm; class "v" of ISO 2768-1.

    >>> angle_of("v", 80.0)
    1.0
    """
    within = _banded("angular_tolerances", "class", name, length)
    if within is not None:
        return within
    return float(next(r for r in table("angular_tolerances").rows if r["class"] == name)["beyond"])


def _banded(name: str, key: str, wanted: str, size: float) -> float | None:
    found = table(name)
    row = next(r for r in found.rows if r[key] == wanted)
    bands = sorted(float(column) for column in row if column.replace(".", "").isdigit())
    band = next((b for b in bands if 0.0 < size <= b), None)
    return None if band is None else float(row[f"{band:g}"]) * found.to_mm
