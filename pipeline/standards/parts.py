"""Bought parts by their names: clearance holes of bolts, rolling bearings."""

from __future__ import annotations

from typing import NamedTuple

from pipeline.errors import SettingsError
from pipeline.standards.tables import table


class BoltHole(NamedTuple):
    """A bolt, its nominal diameter and that of its clearance hole, mm, and the row of ISO 273."""

    bolt: str
    thread: float
    hole: float
    fit: str


class Bearing(NamedTuple):
    """A rolling bearing: its name, bore, outside diameter and width, mm."""

    name: str
    bore: float
    outer: float
    width: float


def bolt_hole(words: str) -> BoltHole:
    """The clearance hole of "M10 medium", by ISO 273; medium where no row is said.

    Raises SettingsError where the table has none.

    >>> bolt_hole("M10 medium").hole, bolt_hole("M8").hole
    (11.0, 9.0)
    """
    bolt, _, fit = words.strip().partition(" ")
    fit = fit.strip() or "medium"
    rows = table("clearance_metric").rows
    row = next((r for r in rows if r["bolt"] == bolt), None)
    if row is None or fit not in ("fine", "medium", "coarse"):
        raise SettingsError(f'there is no bolt hole {words!r} in ISO 273; write "M10 medium", or fine, or coarse.')
    return BoltHole(bolt, float(bolt[1:]), row[fit], fit)


def bearing(name: str) -> Bearing:
    """A rolling bearing by its name, ISO 15 and ISO 355.

    Raises SettingsError where the table has none.

    >>> bearing("6206")
    Bearing(name='6206', bore=30.0, outer=62.0, width=16.0)
    """
    wanted = name.strip()
    for row in table("bearings").rows:
        if wanted == row["bearing"] or wanted in row["alike"].split():
            return Bearing(wanted, row["bore"], row["outer"], row["width"])
    raise SettingsError(f"the bearing {name!r} is not in the tables; give its plain number, as 6206, without endings.")
