"""Tables of standards: one TOML file each in data/, with its source, read when it is first asked for."""

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
    "dowels",
    "drill_bushes",
    "drills_inch",
    "drills_metric",
    "flatness",
    "lip_seals",
    "o_ring_glands",
    "o_rings",
    "o_rings_metric",
    "tapping_inch",
    "tapping_metric",
    "tapping_pipe",
    "tolerance_grades",
    "tolerance_zones",
    "tolerance_zones_narrow",
)
ZONES = ("tolerance_zones", "tolerance_zones_narrow")


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


@cache
def grade(name: str, size: float) -> float | None:
    """Standard tolerance in mm of a grade such as "IT7" for a nominal size in mm; None beyond 500 mm."""
    return _banded("tolerance_grades", "grade", name, size)


@cache
def zone(name: str, size: float) -> tuple[float, float] | None:
    """Lower and upper deviation in mm of a zone such as "H7" for a nominal size in mm; None beyond 500 mm."""
    within, row = next((t, r) for t in ZONES for r in table(t).rows if r["zone"] == name)
    low, width = _banded(within, "zone", name, size), grade(row["grade"], size)
    return None if low is None or width is None else (low, low + width)


def zones_of(side: str) -> tuple[tuple[str, str], ...]:
    """The usual zones of holes (side "bore") or of shafts, and the grade of each."""
    rows = [row for name in ZONES for row in table(name).rows]
    return tuple((r["zone"], r["grade"]) for r in rows if r["zone"][0].isupper() == (side == "bore"))


def angle_of(name: str, length: float) -> float:
    """General tolerance, degrees either way, of an angle whose shorter side is `length` mm; class "v" of ISO 2768-1.

    >>> angle_of("v", 80.0)
    1.0
    """
    within = _banded("angular_tolerances", "class", name, length)
    if within is not None:
        return within
    return float(next(r for r in table("angular_tolerances").rows if r["class"] == name)["beyond"])


@cache
def flatness(name: str, length: float) -> float | None:
    """General tolerance, mm, of the flatness of a face whose longer side is `length` mm; class "L" of ISO 2768-2; None
    beyond 3 m.

    >>> flatness("L", 150.0)
    0.8
    """
    return _banded("flatness", "class", name, length)


def _banded(name: str, key: str, wanted: str, size: float) -> float | None:
    found = table(name)
    row = next(r for r in found.rows if r[key] == wanted)
    bands = sorted(float(column) for column in row if column.replace(".", "").isdigit())
    band = next((b for b in bands if 0.0 < size <= b), None)
    return None if band is None else float(row[f"{band:g}"]) * found.to_mm
