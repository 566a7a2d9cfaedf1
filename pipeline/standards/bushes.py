"""Drill bushes, dowels, and the holes that screws go through."""

from __future__ import annotations

from typing import NamedTuple

from pipeline.standards.tables import grade, table, zone


class Bush(NamedTuple):
    """A headless drill bush, mm: `play` of a drill of its nominal size in its bore, at most, of the diameters."""

    outer: float
    lengths: tuple[float, ...]
    play: float


def drill_bush(drill: float) -> Bush | None:
    """The press-fit bush, DIN 179, for a drill, mm; None where there is none so large.

    Its bore is F7, drills are h8 (ISO 235, from memory): the play is that of the largest bore and the smallest drill.

    >>> drill_bush(10.0)
    Bush(outer=15.0, lengths=(12.0, 20.0, 25.0), play=0.05)
    """
    row = next((r for r in table("drill_bushes").rows if r["bore"] >= drill), None)
    # All F begin where F8 does.
    low, bore, shank = zone("F8", drill), grade("IT7", drill), grade("IT8", drill)
    if row is None or low is None or bore is None or shank is None:
        return None
    lengths = tuple(sorted({row["short"], row["medium"], row["long"]}))
    return Bush(row["outer"], lengths, round(low[0] + bore + shank, 4))


def screw_hole(thread: float) -> float | None:
    """Diameter, mm, of a hole of ISO 273, medium, for a metric thread of `thread` mm; None where there is none.

    >>> screw_hole(8.0), screw_hole(8.3)
    (9.0, None)
    """
    name = f"M{thread:g}"
    return next((float(r["medium"]) for r in table("clearance_metric").rows if r["bolt"] == name), None)


def dowel_up_to(most: float) -> float | None:
    """Diameter, mm, of the thickest dowel pin of ISO 8734 up to `most` mm; None where all are thicker.

    >>> dowel_up_to(3.5), dowel_up_to(0.5)
    (3.0, None)
    """
    pins = [float(r["pin"]) for r in table("dowels").rows if "8734" in r["standard"] and r["pin"] <= most]
    return max(pins, default=None)
