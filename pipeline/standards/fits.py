"""What may be fitted to a bore or a shaft: rolling bearings, lip seals, and the tolerance zones that hold its size."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import NamedTuple

from pipeline.lengths import mm, um
from pipeline.standards.sizes import Leaves, Size, noted, suggestion
from pipeline.standards.tables import table, zone, zones_of
from pipeline.values import SizeSuggestion

# The tightest and the loosest zone that bearing makers advise for a seat: common practice, no source.
SEATS = {"bore": ("P7", "H7"), "boss": ("r6", "g6")}
# mm: a seat that is further than this from its zone is taken for something else: common practice, no source.
WORN = 0.25
# What was seen of a bore or shaft, in widths of the bearing or seal that it carries: common practice, no source.
_SEAT_LENGTHS = (0.5, 2.2)
_SEAL_LENGTHS = (0.6, 2.0)
WHOLE = 0.15  # how far from a whole millimetre a machined diameter is still taken as meant to be it
_FINE = {"IT5", "IT6", "IT7", "IT8", "IT9"}  # of half millimetres and inches: a wide zone about one holds anything
SEAT, WORN_SEAT, TIGHT_SEAT = "bearing seat", "worn bearing seat", "bearing seat, tight"


class _Ring(NamedTuple):
    """How a bearing's ring is called that sits in a bore or on a shaft, and what becomes of it outside the zone."""

    column: str
    name: str
    loose: str
    tight: str


_RINGS = {
    "bore": _Ring("outer", "outer ring", "the ring would creep", "the ring would be squeezed"),
    "boss": _Ring("bore", "inner ring", "the ring would creep", "the ring would be stretched"),
}


def seats(size: Size, side: str) -> list[SizeSuggestion]:
    """Rolling bearings whose ring goes into a bore or onto a shaft (side "boss"): those whose width fits the length
    seen best come first. Where the size is outside the usual zones the suggestion says so in what it is called and in
    its note: such a seat is told, not offered."""
    ring = _RINGS[side]
    tightest, loosest = SEATS[side]
    found = []
    for row in table("bearings").rows:
        standard, width = row[ring.column], row["width"]
        off = size.diameter - standard
        if abs(off) > 2.0 * WORN or not _long_enough(size.length, width, *_SEAT_LENGTHS):
            continue
        tight, loose = zone(tightest, standard), zone(loosest, standard)
        if tight is None or loose is None:
            continue
        leaves = Leaves(min(tight[0], loose[0]), max(tight[1], loose[1]))
        alike = f"; also {', '.join(row['alike'].split())}" if row["alike"] else ""
        name = f"{row['bearing']} {ring.name} ({row['bore']:g} x {row['outer']:g} x {width:g}{alike})"
        source = "ISO 355" if row["bearing"].startswith("3") and len(row["bearing"]) == 5 else "ISO 15"
        made = suggestion(size, SEAT, name, standard, leaves, source)
        beyond = off - leaves.high if off > leaves.high else off - leaves.low if off < leaves.low else 0.0
        if abs(beyond) > WORN:
            continue
        if abs(beyond) > size.slack:
            worn = (beyond > 0.0) == (side == "bore")
            fit = loosest if worn else tightest
            digits = ".2f" if abs(beyond) >= 0.02 else ".3f"
            told = f"{mm(abs(beyond), digits)} {'over' if beyond > 0.0 else 'under'} {standard:g} {fit}"
            made = replace(
                made,
                what=WORN_SEAT if worn else TIGHT_SEAT,
                note=f"{told}: {ring.loose if worn else ring.tight}",
            )
        miss = 0.0 if size.length is None else abs(size.length - width)
        found.append((miss, made))
    found.sort(key=lambda pair: (pair[0], pair[1].name))
    return [s for _, s in found]


def lip_seals(size: Size, side: str) -> list[SizeSuggestion]:
    """Rotary shaft lip seals whose bore (H8) or shaft (h11) has this diameter, the best fitting length first."""
    what, column, fit = ("lip seal bore", "outer", "H8") if side == "bore" else ("lip seal shaft", "shaft", "h11")
    found = []
    for row in table("lip_seals").rows:
        standard, width = row[column], row["width"]
        limits = zone(fit, standard)
        if limits is None or not Leaves(*limits).holds(size.diameter - standard, size.slack):
            continue
        if side == "bore" and not _long_enough(size.length, width, *_SEAL_LENGTHS):
            continue
        if side == "boss" and size.length is not None and size.length < width:
            continue
        name = f"{row['shaft']:g} x {row['outer']:g} x {width:g}"
        miss = 0.0 if size.length is None or side == "boss" else abs(size.length - width)
        found.append((miss, suggestion(size, what, name, standard, Leaves(*limits), "ISO 6194-1")))
    found.sort(key=lambda pair: pair[0])
    return [s for _, s in found]


def zones(size: Size, side: str) -> list[SizeSuggestion]:
    """The usual tolerance zones that hold the diameter: about the nearest whole millimetre, and those of fine grades
    about the nearest half millimetre and the nearest size in inches; the narrowest first."""
    out = []
    for nominal, inch in _nominals(size.diameter):
        for name, it in zones_of(side):
            limits = zone(name, nominal)
            if limits is None or (nominal != round(nominal) and it not in _FINE):
                continue
            leaves = Leaves(*limits)
            if not leaves.holds(size.diameter - nominal, size.slack):
                continue
            text = f"{nominal:g} {name} ({um(limits[0], '+g')} to {um(limits[1], '+g')}{inch})"
            found = suggestion(size, "tolerance zone", text, nominal, leaves, "ISO 286-1")
            out.append((nominal != round(nominal), limits[1] - limits[0], found))
    out.sort(key=lambda row: (row[0], row[1], row[2].name))
    return noted([s for _, _, s in out], "one part does not show the zone it was made to")


def _nominals(diameter: float) -> Iterator[tuple[float, str]]:
    """Sizes that may have been meant, mm, and how to say it where that is in inches."""
    whole = float(round(diameter))
    if whole >= 1.0 and abs(diameter - whole) <= WHOLE:
        yield whole, ""
    half = round(2.0 * diameter) / 2.0
    if half != whole and abs(diameter - half) <= WHOLE:
        yield half, ""
    # Machined sizes in inches go by sixteenths up to one, by eighths beyond: common practice, no source.
    parts = 16 if diameter <= 25.4 else 8
    sixteenths = round(diameter / 25.4 * parts) * (16 // parts)
    nominal = round(sixteenths * 25.4 / 16.0, 4)
    if sixteenths > 0 and nominal not in (whole, half) and abs(diameter - nominal) <= WHOLE:
        yield nominal, f"; {_fraction(sixteenths)} in"


def _fraction(sixteenths: int) -> str:
    whole, part = divmod(sixteenths, 16)
    if not part:
        return str(whole)
    below = 16
    while part % 2 == 0:
        part, below = part // 2, below // 2
    return f"{whole}-{part}/{below}" if whole else f"{part}/{below}"


def _long_enough(length: float | None, width: float, least: float, most: float) -> bool:
    return length is None or least * width < length <= most * width
