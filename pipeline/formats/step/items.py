"""What goes into the STEP file: sub-assembly, layer, name and shape of each item."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from OCP.BRepCheck import BRepCheck_Analyzer
from OCP.TopoDS import TopoDS_Shape

from pipeline.formats.datum_file import DatumFile, FeatureRecord
from pipeline.formats.step.faces import DrawnFlange, face_of, face_within, place_of
from pipeline.formats.step.shapes import circle, lifted, line, long_line, outline_wire, vertex, wide_plane, wire
from pipeline.geometry import undone
from pipeline.surfaces import KINDS, SituationFeature

_PATTERN_NAMES = {"pitch_circle": "pitch circle", "coaxial": "common axis", "mid_plane": "median plane"}
# The sub-assembly of each layer; what belongs to a flange is in one of the flange's own.
_ASSEMBLIES = {
    "FRAME": "part frame",
    "DATUMS": "datums",
    "FACES": "faces",
    "AXES": "axes",
    "POINTS": "points",
    "PITCH": "pitch circles",
    "MEDIAN_PLANES": "median planes",
    "DOUBTFUL": "doubtful",
}
_OVERHANG = 0.15  # share of its length by which an axis stands out of its feature at each end


class Item(NamedTuple):
    """One product of the file, and the sub-assembly that it is in."""

    layer: str
    name: str
    shape: TopoDS_Shape
    flange: str | None = None

    @property
    def assembly(self) -> str:
        return _ASSEMBLIES[self.layer] if self.flange is None else self.flange


@dataclass(frozen=True)
class Seen:
    """What of the features was measured, as the light mesh has it, filled facets left out.

    points  (n, 3) mm, part coordinates
    faces   (m, 3)
    labels  (m,): index of the feature in the datum file, -1 none
    """

    points: NDArray[np.float64]
    faces: NDArray[np.int32]
    labels: NDArray[np.int32]


def items(data: DatumFile, seen: Seen) -> Iterator[Item]:
    """Everything that goes into the file, in its order."""
    reach = max(float(np.linalg.norm(np.ptp(seen.points, axis=0))), 1.0) if len(seen.points) else 100.0
    yield Item("FRAME", "part frame origin", vertex(np.zeros(3)))
    for axis, direction in zip("xyz", np.eye(3), strict=True):
        yield Item("FRAME", f"part frame {axis} axis", line(np.zeros(3), direction, 0.0, reach / 4))
    yield from _datums(data, seen.points)
    matrix = np.array(data.frame.matrix)
    flanges = {f.feature: DrawnFlange(f, matrix @ undone(np.array(f.matrix))) for f in data.flanges}
    for index, feature in enumerate(data.features):
        for item in _feature_items(feature, seen, index, flanges.get(feature.id)):
            yield item if feature.confidence == "good" else item._replace(layer="DOUBTFUL")
    yield from _pattern_items(data, seen.points)
    for flange in flanges.values():
        yield from _flange_items(flange)


def label_of(feature: FeatureRecord) -> str:
    """A feature's number, and its name where the user gave one, in plain ASCII.

    >>> from types import SimpleNamespace
    >>> label_of(SimpleNamespace(id="H1", name="Lagersitz für A"))
    'H1 Lagersitz fur A'
    """
    name = unicodedata.normalize("NFKD", feature.name or "").encode("ascii", "ignore").decode("ascii")
    return " ".join([feature.id, *name.replace("'", "").split()])


def _datums(data: DatumFile, points: NDArray[np.float64]) -> Iterator[Item]:
    """Each datum as the plane, axis or point that it stands for, as large as the part."""
    if not len(points):
        return
    for datum in data.frame.datums:
        name = f"datum {datum.letter} {datum.feature}"
        found = datum.situation
        if found is None:
            continue
        point, direction = np.array(found.point), np.array(found.direction or (0.0, 0.0, 1.0))
        if found.kind == SituationFeature.PLANE:
            yield Item("DATUMS", name, wide_plane(point, direction, points))
        elif found.kind == SituationFeature.POINT:
            yield Item("DATUMS", name, vertex(point))
        else:
            yield Item("DATUMS", name, long_line(point, direction, points))


def _feature_items(feature: FeatureRecord, seen: Seen, index: int, flange: DrawnFlange | None) -> Iterator[Item]:
    name = label_of(feature)
    point, direction = place_of(feature)
    faces = seen.faces[seen.labels == index]
    face = None if flange is None else face_within(flange, feature, point, direction)
    if face is None:
        face = face_of(feature, seen.points, faces)
    if face is not None and BRepCheck_Analyzer(face).IsValid():
        yield Item("FACES", f"{name} face", face)
    if KINDS[feature.kind].axial:
        reach = feature.radius or 0.0
        low, high = feature.extent.along or (-reach, reach)
        out = max(_OVERHANG * (high - low), 1.0)
        yield Item("AXES", f"{name} axis", line(point, direction, low - out, high + out))
    if not KINDS[feature.kind].flat:
        yield Item("POINTS", f"{name} centre", vertex(point))


def _pattern_items(data: DatumFile, points: NDArray[np.float64]) -> Iterator[Item]:
    """Pitch circles, common axes and median planes, numbered by kind."""
    numbers = {"pitch_circle": 0, "coaxial": 0, "mid_plane": 0}
    for pattern in data.patterns:
        place, kind = pattern.in_part_frame, pattern.kind
        if kind not in numbers or place is None or place.normal is None or not len(points):
            continue
        numbers[kind] += 1
        centre, normal = np.array(place.centre), np.array(place.normal)
        name = f"{_PATTERN_NAMES[kind]} {numbers[kind]}"
        if kind == "pitch_circle" and pattern.diameter is not None:
            yield Item("PITCH", name, wire([circle(centre, normal, pattern.diameter / 2)]))
            yield Item("POINTS", f"{name} centre", vertex(centre))
        elif kind == "coaxial":
            yield Item("AXES", name, long_line(centre, normal, points))
        else:
            yield Item("MEDIAN_PLANES", name, wide_plane(centre, normal, points))


def _flange_items(flange: DrawnFlange) -> Iterator[Item]:
    data, to_part = flange.data, flange.to_part
    name = f"flange {data.feature}"
    if data.outer is not None:
        yield Item("OUTLINE", f"{name} outline", outline_wire(data.outer, to_part), name)
    for what, layer in (("opening", "OPENINGS"), ("spigot", "SPIGOTS"), ("piece", "OUTLINE")):
        for number, inner in enumerate((o for o in data.inner if o.means == what), 1):
            yield Item(layer, f"{name} {what} {number}", outline_wire(inner, to_part), name)
    for hole in data.holes:
        yield Item("POINTS", f"{name} hole {hole.feature}", vertex(lifted(to_part, hole.place)), name)
