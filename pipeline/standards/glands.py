"""Grooves for O-rings: round-bottomed ones, and housings with flat walls cut into a bore, a shaft or a face."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np

from pipeline.geometry import rejection
from pipeline.standards.tables import table
from pipeline.surfaces import kind_of
from pipeline.values import Feature, SizeSuggestion

# Static seals, common practice, no source: a round-bottomed groove holds a ring of its own mean diameter, whose section
# fills so much of its width.
_MEAN, _FILLS = 0.02, (0.70, 0.95)
# How a ring is stretched on the bottom of a groove in a shaft (ISO 3601-2:2016 allows 5 %, from memory; a little for
# where the bottom was measured), how its inside is to the rod in a bore, and its outside to the outer wall in a face:
# common practice, no source.
_STRETCH, _ON_ROD, _IN_FACE = (0.0, 0.06), (0.96, 1.01), (0.99, 1.03)
_COAXIAL, _PARALLEL = 0.3, np.radians(1.0)  # mm and rad: parts of one groove
_BESIDE = 1.5  # mm between a groove's wall and what was seen of the cylinder beside it, its broken edge


class Gland(NamedTuple):
    """A groove with flat walls: ids of its features, where it is cut, and mm: bottom and beside diameters (in a face:
    outer and inner wall), depth, width."""

    features: tuple[str, ...]
    where: str
    bottom: float
    beside: float
    depth: float
    width: float


def round_groove(feature: str, mean_diameter: float, width: float) -> list[SizeSuggestion]:
    """O-rings for a round-bottomed groove (mm), the nearest first."""
    out = []
    for name, inside, section, source in o_rings():
        mean = inside + section
        if abs(mean_diameter - mean) <= _MEAN * mean and _FILLS[0] <= section / width <= _FILLS[1]:
            out.append(SizeSuggestion(feature, "O-ring groove", name, mean, mean_diameter - mean, None, source))
    return sorted(out, key=lambda s: abs(s.off))


def glands(features: Sequence[Feature]) -> list[Gland]:
    """Grooves whose depth and width are those of an O-ring housing, of coaxial cylinders; angles in radians, mm."""
    short = [f for f in features if _is_wall(f) and (f.extent.length or 0.0) <= _widest()]
    round_ones = [f for f in features if _is_wall(f)]
    out = []
    for one in short:
        near = [f for f in round_ones if f is not one and _coaxial(one, f)]
        found = _in_face(one, near) or _radial(one, near)
        if found is not None:
            out.append(found)
    return out


def rings_for(gland: Gland) -> list[SizeSuggestion]:
    """O-rings for a groove with flat walls, the nearest first."""
    out = []
    for name, inside, section, source in o_rings():
        if not any(r["section_least"] <= section <= r["section_most"] for r in _fitting(gland.depth, gland.width)):
            continue
        if gland.where == "shaft":
            wanted, fits = gland.bottom, _STRETCH[0] <= gland.bottom / inside - 1.0 <= _STRETCH[1]
            standard = inside
        elif gland.where == "bore":
            wanted, fits = gland.beside, _ON_ROD[0] <= inside / gland.beside <= _ON_ROD[1]
            standard = inside
        else:
            standard = inside + 2.0 * section
            wanted, fits = gland.bottom, _IN_FACE[0] <= standard / gland.bottom <= _IN_FACE[1]
        if fits:
            off = wanted - standard
            out.append(SizeSuggestion(gland.features[0], "O-ring groove", name, standard, off, None, source))
    return sorted(out, key=lambda s: abs(s.off))


def o_rings() -> Iterator[tuple[str, float, float, str]]:
    """Name, inside diameter and section in mm, and standard of every ring."""
    t = table("o_rings")
    for row in t.rows:
        inside, section = row["inside"] * t.to_mm, row["section"] * t.to_mm
        yield f"AS568-{row['dash']} ({inside:.2f} x {section:.2f})", inside, section, "SAE AS568"
    for row in table("o_rings_metric").rows:
        yield f"{row['inside']:g} x {row['section']:g}", row["inside"], row["section"], "ISO 3601-1"


def _fitting(depth: float, width: float) -> list[dict[str, float]]:
    return [
        row
        for row in table("o_ring_glands").rows
        if row["depth_least"] <= depth <= row["depth_most"] and row["width_least"] <= width <= row["width_most"]
    ]


def _widest() -> float:
    return float(max(row["width_most"] for row in table("o_ring_glands").rows))


def _is_wall(feature: Feature) -> bool:
    return kind_of(feature).cylindrical and feature.radius is not None and feature.extent.along is not None


def _coaxial(one: Feature, other: Feature) -> bool:
    assert one.direction is not None
    assert other.direction is not None
    if np.linalg.norm(np.cross(one.direction, other.direction)) > np.sin(_PARALLEL):
        return False
    return bool(np.linalg.norm(rejection(other.point - one.point, one.direction)) <= _COAXIAL)


def _span(feature: Feature, along: Feature) -> tuple[float, float]:
    """From where to where a feature was seen on another's axis, mm from that one's point."""
    assert feature.extent.along is not None
    assert feature.direction is not None
    assert along.direction is not None
    at = float((feature.point - along.point) @ along.direction)
    sense = 1.0 if feature.direction @ along.direction > 0.0 else -1.0
    low, high = sorted(at + sense * a for a in feature.extent.along)
    return low, high


def _radial(one: Feature, near: Sequence[Feature]) -> Gland | None:
    """`one` as the bottom of a groove, with a cylinder of the same side beyond both its walls."""
    assert one.radius is not None
    low, high = _span(one, one)
    deeper = 1.0 if one.side == "bore" else -1.0
    before, after, beside = False, False, None
    for other in near:
        assert other.radius is not None
        depth = deeper * (one.radius - other.radius)
        if other.side != one.side or depth <= 0.0:
            continue
        start, end = _span(other, one)
        is_before = start < low and end >= low - _BESIDE
        is_after = end > high and start <= high + _BESIDE
        before, after = before or is_before, after or is_after
        if (is_before or is_after) and _fitting(depth, high - low):
            beside = other
    if beside is None or not before or not after:
        return None
    assert beside.radius is not None
    where = "bore" if one.side == "bore" else "shaft"
    depth = abs(one.radius - beside.radius)
    return Gland((one.id,), where, 2.0 * one.radius, 2.0 * beside.radius, depth, high - low)


def _in_face(one: Feature, near: Sequence[Feature]) -> Gland | None:
    """`one` as the outer wall of a groove in a face, with its inner wall inside it."""
    if one.side != "bore":
        return None
    assert one.radius is not None
    low, high = _span(one, one)
    for other in near:
        assert other.radius is not None
        start, end = _span(other, one)
        together = min(high, end) - max(low, start)
        width = one.radius - other.radius
        if other.side != "boss" or width <= 0.0:
            continue
        # The inner wall ends where the outer one does, or stands a little proud of the face.
        level = together >= 0.8 * (high - low) and end - start <= 1.5 * (high - low)
        if level and _fitting(high - low, width):
            return Gland((one.id, other.id), "face", 2.0 * one.radius, 2.0 * other.radius, high - low, width)
    return None
