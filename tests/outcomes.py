"""A small made-up outcome of a run, exact by construction: for tests of everything that writes or shows results.

The part, in its own coordinates (mm): a plate 120 x 80 x 30 with its foot on z = 0, a through bore D40 on the
z axis with a chamfer at the top, six holes D9 on a pitch circle D62, and beside the plate a ball D16 and a ring
(torus 24/8). The scan sees it in another pose.
"""

from __future__ import annotations

import dataclasses
from itertools import pairwise
from pathlib import Path

import numpy as np
from scipy.spatial import Delaunay
from scipy.spatial.transform import Rotation

from pipeline.features.naming import named
from pipeline.job import Job, make_job
from pipeline.output_folder import opened
from pipeline.progress import silent
from pipeline.values import (
    Audit,
    AuditResult,
    BudgetLine,
    Datum,
    Deviation,
    ExportResult,
    Extent,
    Feature,
    FeatureAudit,
    Flange,
    Form,
    Frame,
    FrameResult,
    Gap,
    Hole,
    HolePattern,
    InPart,
    LightenResult,
    NoiseModel,
    Outcome,
    Outline,
    Pattern,
    RecoverResult,
    Rejected,
    Relation,
    Removal,
    SecondOpinion,
    Segment,
    SizeCheck,
    SizeSuggestion,
    Source,
    SquareUp,
    ToMeasure,
    Uncertainty,
)
from pipeline.values.surface import FILLED, Surface

LENGTH, WIDTH, HEIGHT = 120.0, 80.0, 30.0
BORE, CHAMFER, HOLE, PITCH, HOLES = 20.0, 2.0, 4.5, 31.0, 6
BALL = (np.array([90.0, 0.0, 15.0]), 8.0)
RING = (np.array([-95.0, 0.0, 15.0]), 12.0, 4.0)
AROUND = 96
Z = np.array([0.0, 0.0, 1.0])

# Turned about no axis in particular, so that a mixed-up row, column or sign shows.
POSE = np.eye(4)
POSE[:3, :3] = Rotation.from_rotvec([0.3, -0.7, 1.1]).as_matrix()
POSE[:3, 3] = (12.5, -40.25, 310.0)


def part_mesh() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """vertices (n, 3), faces (m, 3), labels (m,): closed, outward, in part coordinates."""
    corners: list[np.ndarray] = []
    labels: list[np.ndarray] = []

    def add(triangles: np.ndarray, label: int) -> None:
        corners.append(triangles)
        labels.append(np.full(len(triangles), label, np.int32))

    add(_plate(BORE, 0.0)[:, ::-1], 1)
    add(_plate(BORE + CHAMFER, HEIGHT), 0)
    edge = _rectangle()
    for k in range(len(edge)):
        a, b = edge[k], edge[(k + 1) % len(edge)]
        middle = (a + b) / 2
        label = 2 if middle[1] < -39.999 else 3 if middle[0] > 59.999 else 4 if middle[1] > 39.999 else 5
        add(_wall(a, b, 0.0, HEIGHT), label)
    rim = HEIGHT - CHAMFER
    add(_tube((0.0, 0.0), [(BORE, 0.0), (BORE, 10.0), (BORE, 20.0), (BORE, rim)], AROUND), 6)
    add(_tube((0.0, 0.0), [(BORE, rim), (BORE + CHAMFER, HEIGHT)], AROUND), 7)
    for k, centre in enumerate(_holes()):
        add(_tube(centre, [(HOLE, 0.0), (HOLE, 15.0), (HOLE, HEIGHT)], AROUND // 2), 8 + k)
    add(_revolved(BALL[0], [(BALL[1] * np.sin(t), -BALL[1] * np.cos(t)) for t in np.linspace(0, np.pi, 25)]), 14)
    turn = np.linspace(0, 2 * np.pi, 25)
    add(_revolved(RING[0], [(RING[1] + RING[2] * np.cos(t), RING[2] * np.sin(t)) for t in turn]), 15)
    flat = np.concatenate(corners).reshape(-1, 3)
    _, first, faces = np.unique(np.round(flat, 6), axis=0, return_index=True, return_inverse=True)
    return flat[first], faces.reshape(-1, 3).astype(np.int32), np.concatenate(labels)


def _holes() -> list[tuple[float, float]]:
    turn = 2 * np.pi * np.arange(HOLES) / HOLES
    return [(float(PITCH * np.cos(t)), float(PITCH * np.sin(t))) for t in turn]


def _rectangle() -> np.ndarray:
    x, y = np.arange(-60, 60, 2.0), np.arange(-40, 40, 2.0)
    ones = np.ones
    return np.concatenate(
        [
            np.c_[x, -40 * ones(len(x))],
            np.c_[60 * ones(len(y)), y],
            np.c_[-x, 40 * ones(len(x))],
            np.c_[-60 * ones(len(y)), -y],
        ]
    )


def _circle(centre: tuple[float, float], radius: float, count: int) -> np.ndarray:
    turn = 2 * np.pi * np.arange(count) / count
    return np.asarray(centre) + radius * np.c_[np.cos(turn), np.sin(turn)]


def _plate(bore: float, z: float) -> np.ndarray:
    """A flat face with its openings, as corners (m, 3, 3), seen from above counter-clockwise."""
    circles = [((0.0, 0.0), bore, AROUND), *((c, HOLE, AROUND // 2) for c in _holes())]
    inner = np.stack(np.meshgrid(np.arange(-56, 57, 4.0), np.arange(-36, 37, 4.0)), -1).reshape(-1, 2)
    for centre, radius, _ in circles:
        inner = inner[np.hypot(*(inner - centre).T) > radius + 1.0]
    points = np.concatenate([_rectangle(), *(_circle(*c) for c in circles), inner])
    triangles = Delaunay(points).simplices
    keep = np.ones(len(triangles), bool)
    for centre, radius, _ in circles:
        keep &= ~(np.hypot(*(points - centre).T) < radius + 1e-6)[triangles].all(1)
    flat = points[triangles[keep]]
    a, b = flat[:, 1] - flat[:, 0], flat[:, 2] - flat[:, 0]
    area = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    flat = np.where(area[:, None, None] < 0, flat[:, ::-1], flat)[np.abs(area) > 1e-9]
    return np.concatenate([flat, np.full((*flat.shape[:2], 1), z)], 2)


def _wall(a: np.ndarray, b: np.ndarray, low: float, high: float) -> np.ndarray:
    p, q, r, s = (*a, low), (*b, low), (*b, high), (*a, high)
    return np.array([[p, q, r], [p, r, s]])


def _tube(centre: tuple[float, float], rings: list[tuple[float, float]], count: int) -> np.ndarray:
    """The wall of a hole, rings (radius, z) from below; its normals point to the axis."""
    made = []
    for (r0, z0), (r1, z1) in pairwise(rings):
        low, high = _circle(centre, r0, count), _circle(centre, r1, count)
        for k in range(count):
            n = (k + 1) % count
            p, q, r, s = (*low[k], z0), (*low[n], z0), (*high[n], z1), (*high[k], z1)
            made += [[p, r, q], [p, s, r]]
    return np.array(made)


def _revolved(centre: np.ndarray, profile: list[tuple[float, float]]) -> np.ndarray:
    """Corners of a profile (radius, z) turned about z through `centre`; outward for a profile that runs upwards."""
    made = []
    count = 48
    for (r0, z0), (r1, z1) in pairwise(profile):
        low, high = _circle((0, 0), r0, count), _circle((0, 0), r1, count)
        for k in range(count):
            n = (k + 1) % count
            p, q, r, s = (*low[k], z0), (*low[n], z0), (*high[n], z1), (*high[k], z1)
            made += [[p, q, r], [p, r, s]]
    corners = np.array(made) + centre
    a, b = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    return corners[np.linalg.norm(np.cross(a, b), axis=1) > 1e-9]


def part_features() -> list[dict[str, object]]:
    """The features as keyword arguments of Feature, in part coordinates, in the order of the labels."""
    x, y = np.array([1.0, 0, 0]), np.array([0, 1.0, 0])
    top = HEIGHT
    middle = top / 2
    half = (LENGTH / 2, WIDTH / 2)
    planes = [
        ("plane-1", np.array([1.0, 0.5, top]), Z, 6000.0),
        ("plane-2", np.array([0.0, 0.0, 0.0]), -Z, 7900.0),
        ("plane-3", np.array([0.0, -half[1], middle]), -y, LENGTH * top),
        ("plane-4", np.array([half[0], 0.0, middle]), x, WIDTH * top),
        ("plane-5", np.array([0.0, half[1], middle]), y, LENGTH * top),
        ("plane-6", np.array([-half[0], 0.0, middle]), -x, WIDTH * top),
    ]
    rows: list[dict[str, object]] = [
        {"id": i, "kind": "plane", "side": None, "point": p, "direction": d, "radius": None, "extent": Extent(a, 100)}
        for i, p, d, a in planes
    ]
    rim = top - CHAMFER
    rows.append(_round("cylinder-1", "cylinder", "bore", np.array([0, 0, rim / 2]), BORE, rim))
    rows.append(
        _round("cone-1", "cone", "bore", np.array([0, 0, rim + CHAMFER / 2]), BORE + CHAMFER / 2, CHAMFER)
        | {"half_angle": np.pi / 4}
    )
    for k, centre in enumerate(_holes()):
        rows.append(_round(f"cylinder-{k + 2}", "cylinder", "bore", np.array([*centre, middle]), HOLE, top))
    rows.append(
        _round("sphere-1", "sphere", "boss", BALL[0], BALL[1], None)
        | {"direction": None, "uncertainty": _spread(False)}
    )
    rows.append(_round("torus-1", "torus", "boss", RING[0], RING[2], 2 * RING[2]) | {"major_radius": RING[1]})
    return rows


def _round(
    name: str, kind: str, side: str, point: np.ndarray, radius: float, length: float | None
) -> dict[str, object]:
    along = None if length is None else (-length / 2, length / 2)
    area = 2 * np.pi * radius * (length or 2 * radius)
    extent = Extent(area, 400, length, 2 * np.pi, along)
    return {"id": name, "kind": kind, "side": side, "point": point, "direction": Z, "radius": radius, "extent": extent}


def _spread(direction: bool = True, radius: bool = True) -> Uncertainty:
    return Uncertainty(0.0015, 2.5e-5 if direction else None, 0.0008 if radius else None, "made up for the tests")


def features(matrix: np.ndarray = POSE) -> tuple[Feature, ...]:
    """The part's features in scan coordinates; `matrix` is scan -> part."""
    back = np.linalg.inv(matrix)
    made = []
    for row in part_features():
        point = np.asarray(row["point"], float) @ back[:3, :3].T + back[:3, 3]
        direction = row["direction"]
        turned = None if direction is None else np.asarray(direction, float) @ back[:3, :3].T
        round_kind = row["kind"] != "plane"
        spread = row.get("uncertainty", _spread(radius=round_kind))
        standard = {"plane": "flatness", "cylinder": "cylindricity"}.get(str(row["kind"]), "form")
        form = Form(0.008, 0.045, 0.991, standard, minimum_zone=0.042, noise_share=0.04)
        made.append(Feature(**{**row, "point": point, "direction": turned, "uncertainty": spread, "form": form}))
    # One bore too short for its axis: its figures are withheld, as the recover stage would withhold them.
    weak = made[-3]
    spread = dataclasses.replace(weak.uncertainty, position=None, direction=None)
    made[-3] = dataclasses.replace(weak, uncertainty=spread, confidence="low", reasons=("only 2 mm of it were seen",))
    made[6] = dataclasses.replace(made[6], name="main bore")
    return tuple(made)


def _loop(*corners: tuple[float, float]) -> tuple[Segment, ...]:
    points = [np.array(c, float) for c in corners]
    return tuple(Segment("line", a, b) for a, b in pairwise([*points, points[0]]))


def _ring(centre: tuple[float, float], radius: float, feature: str | None) -> Outline:
    start = np.add(centre, (radius, 0.0))
    return Outline(
        (Segment("circle", start, start, np.array(centre, float), radius, False, feature=feature),), 0.004, 0.0, 0.05
    )


def flanges(matrix: np.ndarray = POSE) -> tuple[Flange, ...]:
    """Top and foot of the plate. The foot's sketch looks up at it: its y is the part's -y."""
    x, y = LENGTH / 2, WIDTH / 2
    corners = ((-x, -y), (x, -y), (x, y), (-x, y))
    lift, flip = np.eye(4), np.diag([1.0, -1.0, -1.0, 1.0])
    lift[2, 3] = -HEIGHT
    made = []
    for name, bore, to_sketch, side in (("plane-1", BORE + CHAMFER, lift, 1.0), ("plane-2", BORE, flip, -1.0)):
        places = [(px, side * py) for px, py in _holes()]
        holes = tuple(
            Hole(f"cylinder-{k + 2}", np.array(p), 2 * HOLE, HEIGHT, 1e-4, 0.003, 0.0016) for k, p in enumerate(places)
        )
        inner = (
            _ring((0.0, 0.0), bore, "cone-1" if side > 0 else "cylinder-1"),
            *(_ring(p, HOLE, hole.feature) for p, hole in zip(places, holes, strict=True)),
        )
        pattern = HolePattern(
            "pitch_circle",
            tuple(h.feature for h in holes),
            np.zeros(2),
            0.004,
            2 * PITCH,
            HOLES,
            0,
            0.0,
            size_sigma=0.0033,
            phase_sigma=0.0033 / (2 * PITCH),
        )
        outer = Outline(_loop(*corners), 0.006, 0.35, 0.05)
        made.append(Flange(name, to_sketch @ matrix, "the part's origin", outer, inner, holes, (pattern,)))
    return tuple(made)


def outcome(scan: Path | str = "plate.stl", matrix: np.ndarray = POSE, **settings: object) -> Outcome:
    """An outcome whose light mesh is the part itself; keyword arguments are the job's sections."""
    job: Job = make_job({"scan": scan, "title": "Test plate", **settings})
    vertices, faces, labels = part_mesh()
    back = np.linalg.inv(matrix)
    placed = vertices @ back[:3, :3].T + back[:3, 3]
    origin = np.zeros(len(faces), np.uint8)
    origin[labels == 1] = np.where(np.arange((labels == 1).sum()) < 20, FILLED, 0)
    found = tuple(named(features(matrix), job.names))
    low, high = placed.min(0), placed.max(0)
    source = Source(
        str(scan), "ab" * 32, 200_000, 100_002, "mm", 1.0, 0.012, 0.8, (tuple(low.tolist()), tuple(high.tolist()))
    )
    centre = back[:3, 3] + back[:3, :3] @ np.array([0, 0, HEIGHT])
    normal = back[:3, :3] @ Z
    bolts = tuple(f"cylinder-{k + 2}" for k in range(HOLES))
    recover = RecoverResult(
        found,
        labels,
        NoiseModel(0.012, 0.013, np.array([[0.012, 0.0], [0.005, 2.5]]), "made up for the tests"),
        rejected=(
            Rejected(
                "plane",
                placed[0],
                normal,
                None,
                80.0,
                "form: bowed by 400 um over 80 mm",
                True,
                fits=False,
                number=2,
                place=placed[0],
                facets=np.arange(2, dtype=np.int32),
            ),
            Rejected(
                "cylinder",
                placed[1],
                normal,
                9.0,
                64.0,
                "only 40 degrees of arc seen",
                side="bore",
                arc=np.radians(40.0),
                length=10.0,
                number=1,
                place=placed[1],
                facets=np.arange(2, 5, dtype=np.int32),
            ),
            Rejected("plane", placed[2], normal, None, 20.0, "a strip 0.9 mm wide, which is 1.2 of the scan's edges"),
        ),
        patterns=(
            Pattern("pitch_circle", bolts, centre, normal, 2 * PITCH, HOLES, 0, 0.1, 0.004),
            Pattern("coaxial", ("cylinder-1", "cone-1"), back[:3, 3], normal, rms=0.002, note="two steps"),
            Pattern("mid_plane", ("plane-3", "plane-5"), back[:3, 3], back[:3, 1], note="80.000 mm apart"),
        ),
        measured=(SizeCheck("cylinder-1", 40.01, 0.01, 40.0, 0.0016, True),),
    )
    datums = (
        Datum("A", "plane-1", ("tz", "rx", "ry")),
        Datum("B", "cylinder-1", ("tx", "ty")),
        Datum("C", "plane-3", ("rz",)),
    )
    frame = Frame(matrix, datums, True, ("A is the largest machined face",), np.diag([4e-6] * 3 + [1e-10] * 3))
    far = Deviation(0.004, 0.009, 0.02, 0.028, 0.09, placed[5], 100_000)
    audit = Audit(
        far,
        dataclasses.replace(far, rms=0.008),
        tuple(_feature_audit(f) for f in found),
        (BudgetLine("largest deviation", 0.1, 0.09, "mm", True),),
        True,
        source.facets,
        len(faces),
        40_000.0,
        125.0,
        310.0,
        0.012,
        0.004,
        second_opinion=SecondOpinion(dataclasses.replace(far, rms=0.0091), dataclasses.replace(far, rms=0.0078)),
    )
    return Outcome(
        job,
        source,
        (Removal("debris", 3, 12.5),),
        40_435.0,
        recover,
        (Gap("gap-1", "face", placed[3], 31.0, 60.0, 40, ("plane-2",), "closed", 20, 125.0),),
        (),
        FrameResult(
            frame,
            flanges=flanges(matrix),
            suggestions=(
                SizeSuggestion("cylinder-2", "clearance hole", "M8 fine", 8.4, 0.6, 3.1, "ISO 273:1979"),
                SizeSuggestion("cylinder-2", "clearance hole", "M8 medium", 9.0, 0.0, 0.0, "ISO 273:1979"),
            ),
            to_measure=(
                ToMeasure(
                    ("cylinder-1",),
                    "diameter",
                    "datum A",
                    "bore gauge at 3 depths, 2 directions: taper and ovality",
                    40.0,
                    0.0016,
                    0.25,
                    "bore gauge",
                    ("near the mouth", "middle", "far end"),
                    ("direction 1", "direction 2"),
                ),
                ToMeasure(
                    ("plane-1", "plane-2"),
                    "distance",
                    "the scanner's own scale",
                    "height gauge at 3 places: parallelism",
                    30.0,
                    None,
                    None,
                    "height gauge",
                    ("place 1", "place 2", "place 3"),
                    ("height",),
                ),
            ),
            in_part=tuple(
                InPart(f.id, f.point, f.direction, 0.0025 if f.uncertainty.position else None, 3e-5) for f in found
            ),
            square_up=(
                SquareUp("cylinder-1", "A", "square", 2e-5, 3e-5, 0.0006, 28.0, within=7e-5, p=0.8, p_adjusted=1.0),
            ),
            relations=(
                Relation("perpendicular", ("plane-1", "cylinder-1"), 2e-5, 3e-5, 1.0),
                Relation("parallel", ("plane-1", "plane-2"), 1e-5, None),
                Relation("coaxial", ("cylinder-1", "cone-1"), 0.002, 0.003, 0.8),
                Relation(
                    "distance", ("plane-3", "cylinder-1"), WIDTH / 2, 0.003, None, (WIDTH / 2 - 0.2, WIDTH / 2 + 0.2)
                ),
                Relation("distance", ("plane-1", "plane-2"), HEIGHT, 0.002),
            ),
            tests=3,
        ),
        LightenResult(Surface(placed, faces, origin), labels, "the facet count"),
        AuditResult(audit, np.zeros(len(placed), np.float32)),
        ("The scan states no unit; millimetres were taken.",),
    )


def _feature_audit(feature: Feature) -> FeatureAudit:
    tilt = None if feature.kind == "sphere" else 1e-5
    change = None if feature.kind == "plane" else -0.0004
    return FeatureAudit(feature.id, 0.0006, tilt, change, 120)


def written(made: Outcome, out: Path, keep: tuple[str, ...] = ()) -> ExportResult:
    """What the export stage writes of an outcome into a folder."""
    from pipeline.stages.export import write_outputs

    with opened(out) as folder:
        return write_outputs(made, folder, keep, silent)
