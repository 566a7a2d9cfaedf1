"""Standard sizes that a measured one may have been meant as: suggestions, nothing is snapped to them.

A candidate is listed where the measured size, give or take its uncertainty, lies within what the way of making
it usually leaves; several are listed where they can't be told apart.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from pipeline.standards.tables import grade, table, zone
from pipeline.surfaces import kind_of
from pipeline.values import Feature, SizeSuggestion

# Common practice, no source: a drill cuts up to 0.1 mm over its size (0.2 mm above 13 mm), hardly ever under it.
UNDER, OVER, OVER_LARGE = 0.03, 0.10, 0.20
SEAT = 0.10  # a worn or proud bearing seat, common practice, no source
WHOLE = 0.15  # how far from a whole millimetre a machined diameter is still taken as meant to be it
LARGEST_DRILL = 50.8
SMALL = 20.0  # mm: a hole up to this that fits a drill is taken as drilled, and gets no tolerance zone
MOST = 4  # candidates of one sort for one feature
COVER = 1.96
APART = 0.02  # sizes nearer to one another than this no hole can tell apart, mm

_CLEARANCE = {"fine": "IT12", "medium": "IT13", "coarse": "IT14", "close": "IT12", "normal": "IT13", "loose": "IT14"}


def suggest(features: Sequence[Feature]) -> tuple[SizeSuggestion, ...]:
    """Suggestions for every bore, boss and groove, in the order of the features, the nearest of each sort first.

    >>> from tests.features.made import bore
    >>> seat = bore('seat', (0.0, 0.0, 0.0), (0.0, 0.0, 1.0), 31.0)
    >>> [s.name for s in suggest([seat]) if 'bearing' in s.what][2]
    '6206 outer ring (30 x 62 x 16)'
    """
    out: list[SizeSuggestion] = []
    for feature in features:
        if feature.radius is None or feature.confidence != "good":
            continue
        sigma = None if feature.uncertainty.radius is None else 2.0 * feature.uncertainty.radius
        kind = kind_of(feature)
        if kind.cylindrical and feature.side == "bore":
            drilled = hole_sizes(feature.id, 2.0 * feature.radius, sigma)
            out += drilled + seats(feature.id, 2.0 * feature.radius, sigma, feature.extent.length, "outer")
            if 2.0 * feature.radius > SMALL or not drilled:
                out += zones(feature.id, 2.0 * feature.radius, sigma, "bore")
        elif kind.cylindrical and feature.side == "boss":
            out += seats(feature.id, 2.0 * feature.radius, sigma, feature.extent.length, "bore")
            out += zones(feature.id, 2.0 * feature.radius, sigma, "boss")
        elif kind.tubular and feature.side == "bore" and feature.major_radius is not None:
            out += rings_for(feature.id, 2.0 * feature.major_radius, 2.0 * feature.radius)
    return tuple(out)


def hole_sizes(feature: str, diameter: float, sigma: float | None) -> list[SizeSuggestion]:
    """Clearance holes, tapping holes and drills that a round hole (mm) may be."""
    slack = COVER * (sigma or 0.0)
    clear = []
    for name, standard in (("clearance_metric", "ISO 273"), ("clearance_inch", "ASME B18.2.8")):
        t = table(name)
        for row in t.rows:
            for fit in list(row)[1:]:
                size = row[fit] * t.to_mm
                width = grade(_CLEARANCE[fit], size) or 0.0
                if -UNDER - slack <= diameter - size <= width + slack:
                    bolt = row["bolt"] if name == "clearance_metric" else _inch(row["bolt"])
                    clear.append(_made(feature, "clearance hole", f"{bolt} {fit}", size, diameter, sigma, standard))
    tapped, drilled = [], []
    if diameter <= LARGEST_DRILL:
        over = OVER if diameter <= 13.0 else OVER_LARGE
        for name, source in (("tapping_metric", "ISO 2306"), ("tapping_inch", "common practice, 75 % of thread")):
            t = table(name)
            for row in t.rows:
                size = row.get("size", row["drill"]) * t.to_mm
                if -UNDER - slack <= diameter - size <= over + slack:
                    tapped.append(_made(feature, "tapping hole", row["thread"], size, diameter, sigma, source))
        for name, source in (("drills_metric", "ISO 235"), ("drills_inch", "ASME B94.11M")):
            t = table(name)
            for row in t.rows:
                size = row["size"] * t.to_mm
                if -UNDER - slack <= diameter - size <= over + slack:
                    drilled.append(_made(feature, "drill", row["drill"], size, diameter, sigma, source))
    return [s for sort in (clear, tapped, drilled) for s in _told(sort)]


def seats(feature: str, diameter: float, sigma: float | None, length: float | None, side: str) -> list[SizeSuggestion]:
    """Rolling bearings whose outer ring (side "outer", for a bore) or bore (for a shaft) has this diameter, mm;
    those whose width fits the length seen best come first."""
    t = table("bearings")
    slack = COVER * (sigma or 0.0)
    found = []
    for row in t.rows:
        size = row[side] * t.to_mm
        if abs(diameter - size) <= SEAT + slack and (length is None or length > 0.5 * row["width"]):
            miss = 0.0 if length is None else abs(length - row["width"])
            ring = "outer ring" if side == "outer" else "inner ring"
            name = f"{row['bearing']} {ring} ({row['bore']:g} x {row['outer']:g} x {row['width']:g})"
            found.append((miss, _made(feature, "bearing seat", name, size, diameter, sigma, "ISO 15")))
    found.sort(key=lambda pair: (pair[0], pair[1].name))
    return [s for _, s in found[:MOST]]


def zones(feature: str, diameter: float, sigma: float | None, side: str) -> list[SizeSuggestion]:
    """The usual tolerance zones about the nearest whole millimetre that hold the measured diameter, mm."""
    nominal = round(diameter)
    if nominal < 1 or abs(diameter - nominal) > WHOLE:
        return []
    slack = COVER * (sigma or 0.0)
    out = []
    for row in table("tolerance_zones").rows:
        if row["zone"][0].isupper() != (side == "bore"):
            continue
        limits = zone(row["zone"], nominal)
        if limits is None or not limits[0] - slack <= diameter - nominal <= limits[1] + slack:
            continue
        name = f"{nominal} {row['zone']} ({1e3 * limits[0]:+g} to {1e3 * limits[1]:+g} um)"
        out.append(
            (limits[1] - limits[0], _made(feature, "tolerance zone", name, nominal, diameter, sigma, "ISO 286-1"))
        )
    out.sort(key=lambda pair: (pair[0], pair[1].name))
    return _noted([s for _, s in out[:MOST]], "one part does not show the zone it was made to")


def rings_for(feature: str, mean_diameter: float, width: float) -> list[SizeSuggestion]:
    """O-rings for a round-bottomed groove (mm): mean diameter within 2 %, section 0.70 to 0.95 of its width
    (common practice for static seals, no source)."""
    t = table("o_rings")
    out = []
    for row in t.rows:
        inside, section = row["inside"] * t.to_mm, row["section"] * t.to_mm
        mean = inside + section
        if abs(mean_diameter - mean) <= 0.02 * mean and 0.70 <= section / width <= 0.95:
            name = f"AS568-{row['dash']} ({inside:.2f} x {section:.2f})"
            out.append(_made(feature, "O-ring groove", name, mean, mean_diameter, None, "SAE AS568"))
    out.sort(key=lambda s: abs(s.off))
    return out[:MOST]


def _inch(bolt: str) -> str:
    return bolt if bolt.startswith("#") else f"{bolt} in"


def _made(
    feature: str, what: str, name: str, size: float, measured: float, sigma: float | None, source: str
) -> SizeSuggestion:
    off = measured - size
    return SizeSuggestion(feature, what, name, size, off, abs(off) / sigma if sigma else None, source)


def _told(found: list[SizeSuggestion]) -> list[SizeSuggestion]:
    """The candidates of one sort: those that the measured size can't be told from; if there are none, the nearest."""
    found = sorted(found, key=lambda s: (abs(s.off), s.name))
    near = [s for s in found if abs(s.off) <= UNDER + _unsure(s)]
    found = (near or found)[:MOST]
    if len(found) < 2:
        return found
    alike = [s for s in found if abs(s.size - found[0].size) <= max(APART, _unsure(found[0]))]
    if len(alike) < 2:
        return found
    names = ", ".join(s.name for s in alike)
    return _noted(alike, f"can't be told apart: {names}") + [s for s in found if s not in alike]


def _unsure(s: SizeSuggestion) -> float:
    """95 % of the measured size's error, mm, from how the suggestion counts it."""
    return 0.0 if not s.sigmas else COVER * abs(s.off) / s.sigmas


def _noted(found: Iterable[SizeSuggestion], note: str) -> list[SizeSuggestion]:
    return [replace(s, note=note) for s in found]
