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


def position_tolerance(hole: float, fastener: float, fixed: bool) -> float:
    """Diameter, mm, of the zone in which each of two parts' holes may lie, so that a fastener always goes in.

    hole, fastener  mm, the least of the hole and the most of the fastener
    fixed           one of the parts holds the fastener, as a thread does; else both have clearance holes

    T = H - F of a floating fastener, T = (H - F) / 2 of a fixed one whose thread stands square or whose zone is
    projected: ASME Y14.5, appendix B, and ISO 5458; from memory.

    >>> position_tolerance(11.0, 10.0, False), position_tolerance(11.0, 10.0, True)
    (1.0, 0.5)
    """
    room = hole - fastener
    return 0.5 * room if fixed else room
