"""Every file for CAD opened again by the library that made its format's readers, and held against datums.json.

STEP: Open CASCADE (cadquery-ocp), its own reader and its own validity check.

Covers: pipeline.formats.step.faces, pipeline.formats.step.items, pipeline.formats.step.shapes
Covers: pipeline.formats.step.document, pipeline.formats.step.write
"""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.formats import step
from pipeline.formats.datum_file import DatumFile, FeatureRecord, build
from pipeline.formats.step.items import label_of
from pipeline.geometry import transformed
from pipeline.values.surface import FILLED
from tests.outcomes import BALL, RING, outcome

LENGTH_BAR = 1e-6  # mm
ANGLE_BAR = 1e-9  # rad


def seen_of(made: Any) -> step.Seen:
    surface = made.lighten.surface
    keep = surface.origin != FILLED
    points = transformed(made.frame.frame.matrix, surface.vertices)
    return step.Seen(points, surface.faces[keep], made.lighten.labels[keep])


@dataclass
class Model:
    """What a STEP file holds, by product name, and the names in each sub-assembly."""

    shapes: dict[str, Any]
    tree: dict[str, tuple[str, ...]]
    text: str


def read_step(path: Path) -> Model:
    from OCP.collections import Sequence_TDF_Label
    from OCP.STEPCAFControl import STEPCAFControl_Reader
    from OCP.TCollection import TCollection_ExtendedString
    from OCP.TDataStd import TDataStd_Name
    from OCP.TDF import TDF_Label
    from OCP.TDocStd import TDocStd_Document
    from OCP.XCAFApp import XCAFApp_Application
    from OCP.XCAFDoc import XCAFDoc_DocumentTool, XCAFDoc_ShapeTool

    document = TDocStd_Document(TCollection_ExtendedString("BinXCAF"))
    XCAFApp_Application.GetApplication_s().NewDocument(TCollection_ExtendedString("BinXCAF"), document)
    reader = STEPCAFControl_Reader()
    reader.SetNameMode(True)
    reader.ReadFile(str(path))
    assert reader.Transfer(document)
    tool = XCAFDoc_DocumentTool.ShapeTool_s(document.Main())
    roots = Sequence_TDF_Label()
    tool.GetFreeShapes(roots)
    assert len(roots) == 1, "one assembly"
    shapes, tree = {}, {}

    def name_of(label: Any) -> str:
        name = TDataStd_Name()
        assert label.FindAttribute(TDataStd_Name.GetID_s(), name)
        return name.Get().ToExtString()

    def product(component: Any) -> Any:
        label = TDF_Label()
        assert XCAFDoc_ShapeTool.GetReferredShape_s(component, label)
        assert name_of(label) == name_of(component)
        return label

    def below(assembly: Any) -> list[Any]:
        found = Sequence_TDF_Label()
        XCAFDoc_ShapeTool.GetComponents_s(assembly, found)
        return [product(component) for component in found]

    for root in roots:
        for assembly in below(root):
            inside = below(assembly)
            assert name_of(assembly) not in tree, "two sub-assemblies of one name"
            tree[name_of(assembly)] = tuple(name_of(label) for label in inside)
            for label in inside:
                assert name_of(label) not in shapes, "two products of one name"
                shapes[name_of(label)] = XCAFDoc_ShapeTool.GetShape_s(label)
    return Model(shapes, tree, path.read_text("ascii"))


def parts(shape: Any, kind: str) -> list[Any]:
    from OCP import TopAbs
    from OCP.TopExp import TopExp_Explorer
    from OCP.TopoDS import TopoDS

    explorer = TopExp_Explorer(shape, getattr(TopAbs, f"TopAbs_{kind.upper()}"))
    found = []
    while explorer.More():
        found.append(getattr(TopoDS, kind.capitalize())(explorer.Current()))
        explorer.Next()
    return found


def xyz(item: Any) -> np.ndarray:
    return np.array([item.X(), item.Y(), item.Z()])


@pytest.fixture(scope="module", params=["AP242", "AP214"])
def written(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[DatumFile, Model, str]:
    made = outcome()
    data = build(made)
    path = tmp_path_factory.mktemp("step") / "datums.step"
    step.write_step(path, data, seen_of(made), request.param)
    return data, read_step(path), request.param


def surfaces(model: Model, name: str) -> list[Any]:
    from OCP.BRepAdaptor import BRepAdaptor_Surface

    return [BRepAdaptor_Surface(face) for face in parts(model.shapes[name], "face")]


def test_the_schema_is_the_one_asked_for(written: tuple[DatumFile, Model, str]) -> None:
    _, model, schema = written
    # ISO 10303-242 and ISO 10303-214 schema names.
    expected = {"AP242": "AP242_MANAGED_MODEL_BASED_3D_ENGINEERING", "AP214": "AUTOMOTIVE_DESIGN"}[schema]
    assert expected in model.text[:1500]
    assert "MANIFOLD_SOLID_BREP" not in model.text
    assert "SI_UNIT(.MILLI.,.METRE.)" in model.text


def test_every_feature_is_there_by_name_with_its_kind_and_parameters(written: tuple[DatumFile, Model, str]) -> None:
    from OCP import GeomAbs

    data, model, _ = written
    kinds = {
        "plane": GeomAbs.GeomAbs_Plane,
        "cylinder": GeomAbs.GeomAbs_Cylinder,
        "cone": GeomAbs.GeomAbs_Cone,
        "sphere": GeomAbs.GeomAbs_Sphere,
        "torus": GeomAbs.GeomAbs_Torus,
    }
    for feature in data.features:
        found = surfaces(model, f"{label_of(feature)} face")
        assert found
        for surface in found:
            assert surface.GetType() == kinds[feature.kind]
            hold_parameters(surface, feature)


def hold_parameters(surface: Any, feature: FeatureRecord) -> None:
    place = feature.in_part_frame
    point = np.array(place.point)
    if feature.kind == "plane":
        plane = surface.Plane()
        direction = xyz(plane.Axis().Direction())
        assert abs(np.dot(xyz(plane.Location()) - point, place.direction)) < LENGTH_BAR
    else:
        shape = getattr(surface, feature.kind.capitalize())()
        np.testing.assert_allclose(xyz(shape.Location()), point, atol=LENGTH_BAR)
        if feature.kind == "torus":
            assert shape.MinorRadius() == pytest.approx(feature.radius, abs=LENGTH_BAR)
            assert shape.MajorRadius() == pytest.approx(feature.major_radius, abs=LENGTH_BAR)
        elif feature.kind == "cone":
            assert shape.RefRadius() == pytest.approx(feature.radius, abs=LENGTH_BAR)
            assert shape.SemiAngle() == pytest.approx(math.radians(feature.half_angle), abs=ANGLE_BAR)
        else:
            assert shape.Radius() == pytest.approx(feature.radius, abs=LENGTH_BAR)
        if feature.kind == "sphere":
            return
        direction = xyz(shape.Axis().Direction())
    assert np.linalg.norm(np.cross(direction, place.direction)) < ANGLE_BAR
    assert np.dot(direction, place.direction) > 0


def test_faces_look_out_of_the_material(written: tuple[DatumFile, Model, str]) -> None:
    from OCP.BRepGProp import BRepGProp_Face
    from OCP.BRepTools import BRepTools
    from OCP.gp import gp_Pnt, gp_Vec

    data, model, _ = written
    for feature in data.features:
        (face,) = parts(model.shapes[f"{label_of(feature)} face"], "face")
        view = BRepGProp_Face(face)
        u0, u1, v0, v1 = BRepTools.UVBounds_s(face)
        at, normal = gp_Pnt(), gp_Vec()
        view.Normal((0.7 * u0 + 0.3 * u1), (0.7 * v0 + 0.3 * v1), at, normal)
        place = feature.in_part_frame
        if feature.kind == "plane":
            assert np.dot(xyz(normal), place.direction) > 0
            continue
        away = xyz(at) - place.point
        if feature.kind != "sphere":
            away -= np.dot(away, place.direction) * np.array(place.direction)
        if feature.kind == "torus":
            away = xyz(at) - place.point - away / np.linalg.norm(away) * feature.major_radius
        assert (np.dot(xyz(normal), away) > 0) == (feature.side == "boss"), feature.id


def test_faces_are_trimmed_to_what_was_seen(written: tuple[DatumFile, Model, str]) -> None:
    from OCP.BRepGProp import BRepGProp
    from OCP.GProp import GProp_GProps

    data, model, _ = written

    def area(name: str) -> float:
        properties = GProp_GProps()
        BRepGProp.SurfaceProperties_s(model.shapes[name], properties)
        return properties.Mass()

    # By hand: 120 x 80 less the bore's mouth D44 and six holes D9; walls of bore, chamfer, hole, ball and ring.
    # The light mesh's polygons are a little smaller than the circles they stand for.
    assert area("plane-1 face") == pytest.approx(9600 - math.pi * (22**2 + 6 * 4.5**2), rel=1e-6)
    assert area("plane-3 face") == pytest.approx(3600, rel=1e-9)
    assert area("cylinder-1 main bore face") == pytest.approx(2 * math.pi * 20 * 28, rel=1e-6)
    assert area("cone-1 face") == pytest.approx(math.pi * (20 + 22) * math.hypot(2, 2), rel=1e-6)
    assert area("cylinder-3 face") == pytest.approx(2 * math.pi * 4.5 * 30, rel=1e-6)
    assert area("sphere-1 face") == pytest.approx(4 * math.pi * BALL[1] ** 2, rel=1e-6)
    assert area("torus-1 face") == pytest.approx(4 * math.pi**2 * RING[1] * RING[2], rel=1e-6)
    assert {f.id for f in data.features} >= {"plane-1", "torus-1"}


def test_axes_points_and_datums_lie_where_the_datum_file_says(written: tuple[DatumFile, Model, str]) -> None:
    from OCP.BRep import BRep_Tool
    from OCP.BRepAdaptor import BRepAdaptor_Curve

    data, model, _ = written

    def line(name: str) -> tuple[np.ndarray, np.ndarray]:
        (edge,) = parts(model.shapes[name], "edge")
        found = BRepAdaptor_Curve(edge).Line()
        return xyz(found.Location()), xyz(found.Direction())

    def point(name: str) -> np.ndarray:
        (vertex,) = parts(model.shapes[name], "vertex")
        return xyz(BRep_Tool.Pnt_s(vertex))

    for feature in data.features:
        place, name = feature.in_part_frame, label_of(feature)
        if feature.kind in ("cylinder", "cone", "torus"):
            at, along = line(f"{name} axis")
            assert np.linalg.norm(np.cross(along, place.direction)) < ANGLE_BAR
            assert np.linalg.norm(np.cross(at - place.point, along)) < LENGTH_BAR
        if feature.kind != "plane":
            np.testing.assert_allclose(point(f"{name} centre"), place.point, atol=LENGTH_BAR)
    np.testing.assert_allclose(point("part frame origin"), 0, atol=LENGTH_BAR)
    for axis, direction in zip("xyz", np.eye(3), strict=True):
        np.testing.assert_allclose(line(f"part frame {axis} axis")[1], direction, atol=ANGLE_BAR)
    (plane,) = surfaces(model, "datum A plane-1")
    np.testing.assert_allclose(xyz(plane.Plane().Axis().Direction()), [0, 0, 1], atol=ANGLE_BAR)
    np.testing.assert_allclose(line("datum B cylinder-1")[1], [0, 0, 1], atol=ANGLE_BAR)
    assert surfaces(model, "datum C plane-3")
    (circle,) = parts(model.shapes["pitch circle 1"], "edge")
    found = BRepAdaptor_Curve(circle).Circle()
    assert 2 * found.Radius() == pytest.approx(data.patterns[0].diameter, abs=LENGTH_BAR)
    np.testing.assert_allclose(xyz(found.Location()), data.patterns[0].in_part_frame.centre, atol=LENGTH_BAR)


def test_common_axes_and_median_planes(written: tuple[DatumFile, Model, str]) -> None:
    from OCP.BRepAdaptor import BRepAdaptor_Curve

    _, model, _ = written
    (edge,) = parts(model.shapes["common axis 1"], "edge")
    found = BRepAdaptor_Curve(edge).Line()
    assert np.linalg.norm(np.cross(xyz(found.Direction()), [0, 0, 1])) < ANGLE_BAR
    assert np.linalg.norm(xyz(found.Location())[:2]) < LENGTH_BAR
    (plane,) = surfaces(model, "median plane 1")
    np.testing.assert_allclose(np.abs(xyz(plane.Plane().Axis().Direction())), [0, 1, 0], atol=ANGLE_BAR)
    assert abs(plane.Plane().Location().Y()) < LENGTH_BAR


def test_a_plane_with_more_than_its_flange_shows_all_of_it(tmp_path: Path) -> None:
    from OCP.BRepGProp import BRepGProp
    from OCP.GProp import GProp_GProps

    made = outcome()
    data = build(made)
    flange = data.flanges[0]
    assert flange.outer is not None
    cut = tuple(
        s.model_copy(update={end: (max(getattr(s, end)[0], 40.0), getattr(s, end)[1]) for end in ("start", "end")})
        for s in flange.outer.segments
    )
    outer = flange.outer.model_copy(update={"segments": cut})
    small = flange.model_copy(update={"outer": outer, "inner": ()})
    data = data.model_copy(update={"flanges": (small, *data.flanges[1:])})
    step.write_step(tmp_path / "a.step", data, seen_of(made))
    properties = GProp_GProps()
    BRepGProp.SurfaceProperties_s(read_step(tmp_path / "a.step").shapes["plane-1 face"], properties)
    # The whole plate, as the light mesh has it: polygons of 96 and 48 sides in place of the circles.
    assert properties.Mass() == pytest.approx(9600 - math.pi * (22**2 + 6 * 4.5**2), rel=0.01)


def test_flange_outlines_are_wires_on_their_face(written: tuple[DatumFile, Model, str]) -> None:
    from OCP import GeomAbs
    from OCP.BRepAdaptor import BRepAdaptor_Curve

    _, model, _ = written
    for name, z in (("flange plane-1", 30.0), ("flange plane-2", 0.0)):
        edges = parts(model.shapes[f"{name} outline"], "edge")
        assert len(edges) == 4
        corners = [xyz(BRepAdaptor_Curve(e).Value(BRepAdaptor_Curve(e).FirstParameter())) for e in edges]
        assert {tuple(np.round(np.abs(c), 6)) for c in corners} == {(60.0, 40.0, z)}
        # Six holes and the bore; the pitch is 60 deg, so in the part they lie at the same places from both sides.
        places = []
        for number in range(2, 8):
            (edge,) = parts(model.shapes[f"{name} opening {number}"], "edge")
            curve = BRepAdaptor_Curve(edge)
            assert curve.GetType() == GeomAbs.GeomAbs_Circle
            assert curve.Circle().Radius() == pytest.approx(4.5, abs=LENGTH_BAR)
            places.append(xyz(curve.Circle().Location()))
        places.sort(key=lambda p: round(math.degrees(math.atan2(p[1], p[0])), 6) % 360)
        expected = [(31 * math.cos(t), 31 * math.sin(t), z) for t in np.radians(np.arange(0, 360, 60))]
        np.testing.assert_allclose(places, expected, atol=LENGTH_BAR)


def test_the_kernel_finds_every_shape_valid_and_no_solid(written: tuple[DatumFile, Model, str]) -> None:
    from OCP.BRepCheck import BRepCheck_Analyzer

    _, model, _ = written
    for name, shape in model.shapes.items():
        assert BRepCheck_Analyzer(shape).IsValid(), name
        assert not parts(shape, "solid"), name
        assert name.isascii()


def test_names_are_plain_ascii_whatever_the_user_calls_them(tmp_path: Path) -> None:
    made = outcome()
    features = list(made.recover.features)
    features[6] = replace(features[6], name="Lagersitz Ø40 'groß' 轴")
    made = replace(made, recover=replace(made.recover, features=tuple(features)))
    step.write_step(tmp_path / "a.step", build(made), seen_of(made))
    assert "cylinder-1 Lagersitz 40 gro face" in read_step(tmp_path / "a.step").shapes


def test_partly_seen_faces_are_not_drawn_whole(tmp_path: Path) -> None:
    """A third of the bore hidden, and of the ball all but a cap: the faces cover what is left."""
    from OCP.BRepCheck import BRepCheck_Analyzer
    from OCP.BRepGProp import BRepGProp
    from OCP.GProp import GProp_GProps

    made = outcome()
    seen = seen_of(made)
    middles = seen.points[seen.faces].mean(axis=1)
    turn = np.degrees(np.arctan2(middles[:, 1], middles[:, 0])) % 360
    hidden = (seen.labels == 6) & (turn > 240) | (seen.labels == 14) & (middles[:, 2] < BALL[0][2] + 4.0)
    seen = step.Seen(seen.points, seen.faces[~hidden], seen.labels[~hidden])
    features = list(made.recover.features)
    features[6] = replace(features[6], extent=replace(features[6].extent, arc=math.radians(240)))
    made = replace(made, recover=replace(made.recover, features=tuple(features)))
    step.write_step(tmp_path / "a.step", build(made), seen)
    model = read_step(tmp_path / "a.step")

    def area(name: str) -> float:
        properties = GProp_GProps()
        BRepGProp.SurfaceProperties_s(model.shapes[name], properties)
        assert BRepCheck_Analyzer(model.shapes[name]).IsValid()
        return properties.Mass()

    assert area("cylinder-1 main bore face") == pytest.approx(2 / 3 * 2 * math.pi * 20 * 28, rel=0.01)
    # Archimedes: a cap of height h has the area 2 pi r h; the facets' rim lies within one row of z = 4.
    assert area("sphere-1 face") == pytest.approx(2 * math.pi * 8 * 4, rel=0.15)


def test_the_same_data_give_the_same_bytes(tmp_path: Path) -> None:
    made = outcome()
    data = build(made)
    step.write_step(tmp_path / "a.step", data, seen_of(made))
    step.write_step(tmp_path / "b.step", data, seen_of(made), "AP214")
    step.write_step(tmp_path / "c.step", data, seen_of(made))
    assert (tmp_path / "a.step").read_bytes() == (tmp_path / "c.step").read_bytes()


def test_nothing_is_printed(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    made = outcome()
    step.write_step(tmp_path / "a.step", build(made), seen_of(made))
    assert capfd.readouterr() == ("", "")


def test_four_hundred_features_take_seconds(tmp_path: Path) -> None:
    """25 copies of the part side by side; processor time, so that a busy machine does not decide."""
    import time

    made = outcome()
    data, seen = build(made), seen_of(made)
    features, points, faces, labels = [], [], [], []
    for copy in range(25):
        off = np.array([300.0 * (copy % 5), 200.0 * (copy // 5), 0.0])
        for feature in data.features:
            place = feature.in_part_frame
            beside = place.model_copy(update={"point": tuple(np.array(place.point) + off)})
            features.append(feature.model_copy(update={"id": f"{feature.id}-{copy}", "in_part_frame": beside}))
        points.append(seen.points + off)
        faces.append(seen.faces + copy * len(seen.points))
        labels.append(seen.labels + 16 * copy)
    frame = data.frame.model_copy(update={"datums": ()})
    many = data.model_copy(update={"features": tuple(features), "flanges": (), "frame": frame})
    everything = step.Seen(np.concatenate(points), np.concatenate(faces).astype(np.int32), np.concatenate(labels))
    begun = time.process_time()
    step.write_step(tmp_path / "a.step", many, everything)
    assert time.process_time() - begun < 10.0
    text = (tmp_path / "a.step").read_text("ascii")
    assert len(features) == 400
    assert len(re.findall(r"= PRODUCT\('[^']+ face'", text)) == 400
    assert text.count("CYLINDRICAL_SURFACE(") == 25 * 7


def random_feature(rng: np.random.Generator, kind: str, number: int) -> tuple[FeatureRecord, np.ndarray]:
    """A feature of a random pose and size, as the datum file has it, and points (n, 3) on a patch of it."""
    direction = rng.normal(size=3)
    direction /= np.linalg.norm(direction)
    first = np.cross(direction, np.eye(3)[np.argmin(np.abs(direction))])
    first /= np.linalg.norm(first)
    second = np.cross(direction, first)
    point = rng.uniform(-300, 300, 3)
    radius = float(np.exp(rng.uniform(np.log(0.5), np.log(150))))
    arc = rng.uniform(0.3, 2 * np.pi)
    turn = rng.uniform(0, 2 * np.pi) + np.linspace(0, arc, 60, endpoint=arc < 6.2)[:, None]
    out = np.cos(turn)[..., None] * first + np.sin(turn)[..., None] * second
    half, major, along, height = None, None, None, float(rng.uniform(1, 60))
    t = np.linspace(0, 1, 9)[None, :, None]
    if kind == "plane":
        points = point + radius * t * out
    elif kind == "cylinder":
        points, along = point + radius * out + height * (t - 0.5) * direction, [-height / 2, height / 2]
    elif kind == "cone":
        half = float(rng.uniform(2, 75))
        grows = math.tan(math.radians(half))
        low = -radius / grows if rng.random() < 0.5 else -min(height, 0.9 * radius / grows)
        z = low + t * (height - low)
        points, along = point + (radius + z * grows) * out + z * direction, [low, height]
    elif kind == "sphere":
        points = point + radius * (np.cos(1.2 * t - 0.6) * out + np.sin(1.2 * t - 0.6) * direction)
    else:
        major = radius * float(rng.uniform(1.5, 8))
        tube = rng.uniform(0, 2 * np.pi) + t * rng.uniform(0.3, 6.0)
        points = point + (major + radius * np.cos(tube)) * out + radius * np.sin(tube) * direction
    side = None if kind == "plane" else str(rng.choice(["bore", "boss"]))
    place = {"point": point.tolist(), "direction": None if kind == "sphere" else direction.tolist()}
    feature = {
        "id": f"{kind}-{number}",
        "kind": kind,
        "side": side,
        **place,
        "radius": None if kind == "plane" else radius,
        "half_angle": half,
        "major_radius": major,
        "in_part_frame": place,
        "extent": {"area": 1.0, "length": None, "arc": math.degrees(arc), "along": along},
        "uncertainty": {"position": None, "direction": None, "radius": None, "method": "none"},
        "form": {"rms": None, "peak_to_valley": None, "inliers": None, "standard": "form"},
        "audit": None,
    }
    return FeatureRecord.model_validate_json(json.dumps(feature)), points.reshape(60, 9, 3)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_surfaces_of_any_size_pose_and_extent(tmp_path: Path, seed: int) -> None:
    from OCP.BRepCheck import BRepCheck_Analyzer

    rng = np.random.default_rng(seed)
    features, points, faces, labels = [], [], [], []
    for number, kind in enumerate(["plane", "cylinder", "cone", "sphere", "torus"] * 8):
        feature, grid = random_feature(rng, kind, number)
        k = np.arange(59 * 9).reshape(59, 9)[:, :8].ravel()
        cells = np.concatenate([np.c_[k, k + 9, k + 10], np.c_[k, k + 10, k + 1]]) + number * 540
        features.append(feature)
        points.append(grid.reshape(-1, 3))
        faces.append(cells)
        labels.append(np.full(len(cells), number))
    made = build(outcome())
    frame = made.frame.model_copy(update={"datums": (), "matrix": np.eye(4).tolist()})
    only = {"features": tuple(features), "frame": frame, "patterns": (), "flanges": ()}
    data = made.model_copy(update=only)
    seen = step.Seen(np.concatenate(points), np.concatenate(faces).astype(np.int32), np.concatenate(labels))
    step.write_step(tmp_path / "a.step", data, seen)
    model = read_step(tmp_path / "a.step")
    for feature in features:
        name = f"{feature.id} face"
        assert name in model.shapes, name
        assert BRepCheck_Analyzer(model.shapes[name]).IsValid(), (name, feature)
        for surface in surfaces(model, name):
            hold_parameters(surface, feature)


def test_items_lie_on_layers_by_meaning(written: tuple[DatumFile, Model, str]) -> None:
    _, model, _ = written
    layers = set(re.findall(r"PRESENTATION_LAYER_ASSIGNMENT\('(\w+)'", model.text))
    assert layers == {
        "FRAME", "DATUMS", "FACES", "AXES", "POINTS", "PITCH", "MEDIAN_PLANES", "OUTLINE", "OPENINGS", "DOUBTFUL",
    }  # fmt: skip


def test_what_stands_proud_and_further_pieces_are_called_so(tmp_path: Path) -> None:
    made = outcome()
    data = build(made)
    flange = data.flanges[0]
    meant = ("spigot", "piece")
    inner = tuple(o.model_copy(update={"what": what}) for o, what in zip(flange.inner[:2], meant, strict=True))
    data = data.model_copy(update={"flanges": (flange.model_copy(update={"inner": inner}),)})
    step.write_step(tmp_path / "a.step", data, seen_of(made))
    model = read_step(tmp_path / "a.step")
    assert {"flange plane-1 spigot 1", "flange plane-1 piece 1"} <= set(model.tree["flange plane-1"])
    layers = set(re.findall(r"PRESENTATION_LAYER_ASSIGNMENT\('(\w+)'", model.text))
    assert "SPIGOTS" in layers
    assert "OPENINGS" not in layers
    # The face still has all of the plate: a further piece is no hole in it.
    assert "plane-1 face" in model.shapes


def test_it_is_one_assembly_with_a_sub_assembly_for_each_sort(written: tuple[DatumFile, Model, str]) -> None:
    data, model, _ = written
    sorts = {"part frame", "datums", "faces", "axes", "points", "pitch circles", "median planes", "doubtful"}
    assert set(model.tree) == sorts | {f"flange {f.feature}" for f in data.flanges}
    assert model.tree["datums"] == tuple(f"datum {d.letter} {d.feature}" for d in data.frame.datums)
    assert set(model.tree["doubtful"]) == {
        name
        for f in data.features
        if f.confidence == "low"
        for name in model.shapes
        if name.startswith(label_of(f) + " ")
    }
    assert "flange plane-1 outline" in model.tree["flange plane-1"]
