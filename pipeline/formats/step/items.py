"""What goes into the STEP file: layer, name and shape of each item."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from OCP.BRepCheck import BRepCheck_Analyzer
from OCP.TopoDS import TopoDS_Shape

from pipeline.formats.datum_file import DatumFile, FeatureRecord
from pipeline.formats.step.faces import DrawnFlange, face_of, face_within, place_of
from pipeline.formats.step.shapes import circle, lifted, line, long_line, outline_wire, vertex, wide_plane, wire
from pipeline.geometry import undone
from pipeline.surfaces import KINDS, SituationFeature

Item = tuple[str, str, TopoDS_Shape]  # layer, name, shape

_PATTERN_NAMES = {"pitch_circle": "pitch circle", "coaxial": "common axis", "mid_plane": "mid plane"}
_OVERHANG = 0.15  # share of its length by which an axis stands out of its feature at each end


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
    """Layer, name and shape of everything that goes into the file, in its order."""
    reach = max(float(np.linalg.norm(np.ptp(seen.points, axis=0))), 1.0) if len(seen.points) else 100.0
    yield "FRAME", "part frame origin", vertex(np.zeros(3))
    for axis, direction in zip("xyz", np.eye(3), strict=True):
        yield "FRAME", f"part frame {axis} axis", line(np.zeros(3), direction, 0.0, reach / 4)
    yield from _datums(data, seen.points)
    matrix = np.array(data.frame.matrix)
    flanges = {f.feature: DrawnFlange(f, matrix @ undone(np.array(f.matrix))) for f in data.flanges}
    for index, feature in enumerate(data.features):
        for layer, name, shape in _feature_items(feature, seen, index, flanges.get(feature.id)):
            yield layer if feature.confidence == "good" else "UNSURE", name, shape
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
            yield "DATUMS", name, wide_plane(point, direction, points)
        elif found.kind == SituationFeature.POINT:
            yield "DATUMS", name, vertex(point)
        else:
            yield "DATUMS", name, long_line(point, direction, points)


def _feature_items(feature: FeatureRecord, seen: Seen, index: int, flange: DrawnFlange | None) -> Iterator[Item]:
    name = label_of(feature)
    point, direction = place_of(feature)
    faces = seen.faces[seen.labels == index]
    face = None if flange is None else face_within(flange, feature, point, direction)
    if face is None:
        face = face_of(feature, seen.points, faces)
    if face is not None and BRepCheck_Analyzer(face).IsValid():
        yield "FACES", f"{name} face", face
    if KINDS[feature.kind].axial:
        reach = feature.radius or 0.0
        low, high = feature.extent.along or (-reach, reach)
        out = max(_OVERHANG * (high - low), 1.0)
        yield "AXES", f"{name} axis", line(point, direction, low - out, high + out)
    if not KINDS[feature.kind].flat:
        yield "POINTS", f"{name} centre", vertex(point)


def _pattern_items(data: DatumFile, points: NDArray[np.float64]) -> Iterator[Item]:
    """Pitch circles, common axes and mid-planes, numbered by kind."""
    numbers = {"pitch_circle": 0, "coaxial": 0, "mid_plane": 0}
    for pattern in data.patterns:
        place, kind = pattern.in_part_frame, pattern.kind
        if kind not in numbers or place is None or place.normal is None or not len(points):
            continue
        numbers[kind] += 1
        centre, normal = np.array(place.centre), np.array(place.normal)
        name = f"{_PATTERN_NAMES[kind]} {numbers[kind]}"
        if kind == "pitch_circle" and pattern.diameter is not None:
            yield "PITCH", name, wire([circle(centre, normal, pattern.diameter / 2)])
            yield "POINTS", f"{name} centre", vertex(centre)
        elif kind == "coaxial":
            yield "AXES", name, long_line(centre, normal, points)
        else:
            yield "MIDDLES", name, wide_plane(centre, normal, points)


def _flange_items(flange: DrawnFlange) -> Iterator[Item]:
    data, to_part = flange.data, flange.to_part
    name = f"flange {data.feature}"
    if data.outer is not None:
        yield "OUTLINE", f"{name} outline", outline_wire(data.outer, to_part)
    for number, inner in enumerate(data.inner, 1):
        yield "OPENINGS", f"{name} opening {number}", outline_wire(inner, to_part)
    for hole in data.holes:
        yield "POINTS", f"{name} hole {hole.feature}", vertex(lifted(to_part, hole.place))
