"""What a round hole, or a pin that stands in one, may have been made for: bolts, threads, drills, dowels."""

from __future__ import annotations

from pipeline.standards.sizes import Leaves, Size, suggestion, told_apart
from pipeline.standards.tables import grade, table, zone
from pipeline.values import SizeSuggestion

# Common practice, no source: a drill cuts up to 0.1 mm over its size (0.2 mm above 13 mm), hardly ever under it.
UNDER, OVER, OVER_LARGE, LARGE = 0.03, 0.10, 0.20, 13.0
LARGEST_DRILL = 50.8
# mm: castings of a size that is scanned on a bench have no larger bolts: common practice, no source.
LARGEST_BOLT_HOLE = 30.0
LARGEST_DOWEL = 20.0
APART = 0.02  # sizes nearer to one another than this no hole can tell apart, mm

_CLEARANCE = {"fine": "IT12", "medium": "IT13", "coarse": "IT14", "close": "IT12", "normal": "IT13", "loose": "IT14"}


def hole_sizes(size: Size) -> list[SizeSuggestion]:
    """Clearance holes, tapping holes and drills that a round hole may be."""
    over = OVER if size.diameter <= LARGE else OVER_LARGE
    drill = Leaves(-UNDER, over)
    tapped, drilled = [], []
    if size.diameter <= LARGEST_DRILL:
        for name, source in (
            ("tapping_metric", "ISO 2306"),
            ("tapping_inch", "common practice, 75 % of thread"),
            ("tapping_pipe", "common practice for ISO 228-1 and ASME B1.20.1 threads"),
        ):
            tapped += _from_table(size, "tapping hole", name, "thread", drill, source)
        for name, source in (("drills_metric", "ISO 235"), ("drills_inch", "ASME B94.11M")):
            drilled += _from_table(size, "drill", name, "drill", drill, source)
    apart = max(APART, size.slack)
    sorts = (clearances(size), tapped, drilled)
    return [s for sort in sorts for s in told_apart(sort, apart)]


def clearances(size: Size) -> list[SizeSuggestion]:
    """Bolts, screws and studs that a hole clears by a table."""
    if size.diameter > LARGEST_BOLT_HOLE:
        return []
    out = []
    for name, standard in (("clearance_metric", "ISO 273"), ("clearance_inch", "ASME B18.2.8")):
        t = table(name)
        for row in t.rows:
            for fit in list(row)[1:]:
                least = row[fit] * t.to_mm
                leaves = Leaves(-UNDER, grade(_CLEARANCE[fit], least) or 0.0)
                if leaves.holds(size.diameter - least, size.slack):
                    bolt = row["bolt"] if name == "clearance_metric" else _inch(row["bolt"])
                    out.append(suggestion(size, "clearance hole", f"{bolt} {fit}", least, leaves, standard))
    return out


def dowels(size: Size, side: str) -> list[SizeSuggestion]:
    """Dowel pins whose hole (side "bore", H7) or whose own diameter (m6) this is."""
    what, fit = ("dowel pin hole", "H7") if side == "bore" else ("dowel pin", "m6")
    out = []
    for row in table("dowels").rows:
        pin = row["pin"]
        limits = zone(fit, pin)
        if limits is None or pin > LARGEST_DOWEL or (size.length is not None and size.length < 0.5 * pin):
            continue
        leaves = Leaves(*limits)
        if leaves.holds(size.diameter - pin, size.slack):
            out.append(suggestion(size, what, f"{pin:g} mm, {fit}", pin, leaves, row["standard"]))
    return out


def _from_table(size: Size, what: str, name: str, column: str, leaves: Leaves, source: str) -> list[SizeSuggestion]:
    t = table(name)
    out = []
    for row in t.rows:
        standard = row.get("size", row["drill"]) * t.to_mm
        if leaves.holds(size.diameter - standard, size.slack):
            out.append(suggestion(size, what, row[column], standard, leaves, source))
    return out


def _inch(bolt: str) -> str:
    return bolt if bolt.startswith("#") else f"{bolt} in"
