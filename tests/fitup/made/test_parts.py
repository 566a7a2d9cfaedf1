"""Spigots, caps, holders, covers and gaskets laid out on a made-up casting: sizes, closed forms, solids, drawings; and
wishes that can't be had.

Covers: pipeline.fitup.made.registers, pipeline.fitup.made.spigot, pipeline.fitup.made.holder
Covers: pipeline.fitup.made.plates
Covers: pipeline.formats.made_drawings.sheet, pipeline.formats.made_drawings.views
Covers: pipeline.formats.made_drawings.beside
"""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pytest
import trimesh
from OCP.BRepCheck import BRepCheck_Analyzer

from pipeline.errors import SettingsError
from pipeline.fitup import Body, Placed, placed, turned_body
from pipeline.fitup.made import MadePart, Prism, Step, Turned, made
from pipeline.formats.made_drawings import drawing_files, write_made_drawing
from pipeline.formats.made_parts import solid_of, write_made
from pipeline.formats.made_parts.build import built
from pipeline.formats.solid import body_of_shape, read_solid
from pipeline.making import MakeQuestion
from pipeline.values import Flange, Hole, Outline, Segment

W, H, R = 140.0, 120.0, 12.0  # of the flange, rounded
HOLES = ((-56.0, -46.0), (56.0, -46.0), (56.0, 46.0), (-56.0, 46.0))
PLATE_AREA = W * H - (4 - math.pi) * R**2


def _flange(bore: float, place_uncertainty: float = 0.005) -> Flange:
    """A rounded rectangle about a bore, with four holes D9."""
    x, y = W / 2, H / 2
    ends = [((x - R, -y), (x, R - y)), ((x, y - R), (x - R, y)), ((R - x, y), (-x, y - R)), ((-x, R - y), (R - x, -y))]
    middles = [(x - R, R - y), (x - R, y - R), (R - x, y - R), (R - x, R - y)]
    segments = []
    for k, (start, end) in enumerate(ends):
        before, s, e = (np.array(p, float) for p in (ends[k - 1][1], start, end))
        segments += [Segment("line", before, s), Segment("arc", s, e, np.array(middles[k], float), R, True)]
    rim = Segment("circle", np.array([bore, 0.0]), np.array([bore, 0.0]), np.zeros(2), bore, False, feature="step 1")
    inner = Outline((rim,), 0.0, 0.0, 0.1, what="opening")
    holes = tuple(Hole(f"H{k}", np.array(p), 9.0, 10.0, 0.0, place_uncertainty) for k, p in enumerate(HOLES, 1))
    matrix = np.eye(4)
    matrix[2, 3] = -50.0
    return Flange("end", matrix, "middle", Outline(tuple(segments), 0.0, 0.0, 0.1), (inner,), holes)


def _casting(side: str, uncertainty: float = 0.004, **flange: Any) -> dict[str, Placed]:
    """A body whose one cylinder, D85 and 50 long below its face at z = 50, is a bore or an outside diameter."""
    body = turned_body("casting", [(0, 85), (50, 85)], uncertainty)
    features = tuple(replace(f, side=side) if f.id == "step 1" else f for f in body.features)
    return {"casting": Placed(replace(body, features=features, flanges=(_flange(42.5, **flange),)), placed([]))}


SPIGOT = {"on": "casting: step 1", "fit": "H7/f7", "length": 20, "face": "casting: end"}
HEAD = {"diameter": 120, "thickness": 8, "bolts": "M6 medium", "count": 6, "pitch_circle": 104}


def _wanted(kind: str, wish: dict[str, Any], side: str = "bore", **more: Any) -> MadePart:
    casting = _casting(side, **{k: more.pop(k) for k in ("uncertainty", "place_uncertainty") if k in more})
    return made(MakeQuestion.model_validate({"name": "it", kind: wish, **more}), casting)


def _figure(part: MadePart, name: str) -> float:
    return next(f.value for f in part.figures if f.name == name)


def test_a_spigot_with_its_groove_and_bolts() -> None:
    """85 H7/f7 clears 36 to 106 um (ISO 286, f7 -36 -71, H7 0 +35): the spigot is 35 um wide about 84.929. Its volume:
    cylinders, less the groove, the chamfer's ring (a frustum less a cylinder), six holes."""
    part = _wanted("spigot", SPIGOT | {"ring": "auto", "bore": 50, "head": HEAD})
    assert _figure(part, "spigot, least") == pytest.approx(84.912, abs=6e-4)
    assert _figure(part, "spigot, most") == pytest.approx(84.946, abs=6e-4)
    r = 0.25 * (_figure(part, "spigot, least") + _figure(part, "spigot, most"))
    low, high = (0.5 * _figure(part, f"groove bottom, {end}") for end in ("least", "most"))
    bottom, width = 0.5 * (low + high), _figure(part, "groove width") + 0.125
    frustum = math.pi / 3 * (r**2 + r * (r - 1) + (r - 1) ** 2)
    volume = math.pi * (19 * r**2 + 8 * 60**2 - 28 * 25**2) + frustum - math.pi * width * (r**2 - bottom**2)
    assert part.volume == pytest.approx(volume - 6 * 8 * math.pi * 3.3**2, rel=1e-9)
    assert part.matrix[:3, 3] == pytest.approx([0, 0, 50])
    assert part.gauges[0].lines.startswith("[[measured]]")
    assert not part.doubts


def test_a_cap_goes_over_an_outside_diameter() -> None:
    part = _wanted("spigot", SPIGOT | {"around": 110, "head": {"diameter": 110, "thickness": 8}}, side="boss")
    least, most = _figure(part, "bore of the made part, least"), _figure(part, "bore of the made part, most")
    assert 0.5 * (least + most) - 85.0 == pytest.approx(0.071, abs=1e-9)
    r = 0.25 * (least + most)
    frustum = math.pi / 3 * (r**2 + r * (r + 1) + (r + 1) ** 2)
    assert part.volume == pytest.approx(math.pi * (28 * 55**2 - 19 * r**2) - frustum, rel=1e-9)


def test_a_pressed_holder_and_its_bearing() -> None:
    """6206: 62 x 16, H7 of 62 is 0 to +30 um; 85 H7/p6 interferes 2 to 59 um."""
    part = _wanted("holder", SPIGOT | {"fit": "H7/p6", "length": 30, "bearing": "6206", "press": {"wall": 8}})
    assert (_figure(part, "seat, least"), _figure(part, "seat, most")) == pytest.approx((62.0, 62.03))
    assert -0.059 <= _figure(part, "clearance, least (95 %)") < _figure(part, "clearance, most (95 %)") <= -0.002
    assert 0 < _figure(part, "press force, least") < _figure(part, "press force, most")
    assert _figure(part, "hoop stress of what is inside") < 0
    assert any("bore the seat after it is pressed in" in text for text in part.cautions)
    opened = _wanted("holder", SPIGOT | {"length": 30, "bearing": "6206", "open": True})
    assert opened.volume is not None
    assert part.volume is not None
    assert opened.volume < part.volume
    hard = _wanted("holder", SPIGOT | {"fit": "H7/s6", "length": 30, "bearing": "6206", "press": {"wall": 3}})
    assert any("more than half its strength" in text or "more than its strength" in text for text in hard.doubts)


def test_a_cover_and_a_gasket() -> None:
    """Areas: Steiner's formula for the outline moved by d, A + L d + pi d^2; circles."""
    length = 2 * (W + H) - (8 - 2 * math.pi) * R
    register = {"on": "casting: step 1", "fit": "H7/f7", "length": 6}
    part = _wanted(
        "cover", {"on": "casting: end", "thickness": 8, "offset": -2, "holes": "M8", "spigot": register, "web": 1}
    )
    r = 0.25 * (_figure(part, "spigot, least") + _figure(part, "spigot, most"))
    frustum = math.pi / 3 * (r**2 + r * (r - 1) + (r - 1) ** 2)
    plate = PLATE_AREA - 2 * length + 4 * math.pi - 4 * math.pi * 4.5**2
    assert part.volume == pytest.approx(8 * plate + 5 * math.pi * r**2 + frustum, rel=1e-9)
    # Bolt M8 in 9 over 9: floating fastener, T = H - F = 1 (ASME Y14.5, from memory); both holes' room together 1 mm.
    assert _figure(part, "room of a bolt, radially") == pytest.approx(1.0)
    assert any("T = H - F = 1.00" in text for text in part.facts)
    # From the hole's middle straight to the nearest side, 70 - 56, which was moved in by 2.
    assert _figure(part, "least web") == pytest.approx(14.0 - 2.0 - 4.5, abs=1e-6)
    seal = _wanted("gasket", {"on": "casting: end", "thickness": 1, "opening": 1, "web": 10})
    assert seal.volume == pytest.approx(PLATE_AREA - 4 * math.pi * 4.5**2 - math.pi * 43.5**2, rel=1e-9)
    assert _figure(seal, "least web") == pytest.approx(14.0 - 4.5, abs=1e-6)
    assert len(seal.doubts) == 4
    assert "9.50 mm between H1 and edge" in " ".join(seal.doubts)


def test_a_tapped_hole_carries_the_screw() -> None:
    """D9 found takes the thread of an M10 (tapping drill 8.5; less than 10): fixed fastener, T = (H - F) / 2 of 11 over
    10 (ASME Y14.5, ISO 5458)."""
    part = _wanted("cover", {"on": "casting: end", "thickness": 8, "holes": "M10", "web": 1})
    assert any("fixed fastener, position tolerance Ø T = (H - F) / 2 = 0.50 mm" in text for text in part.facts)
    assert _figure(part, "room of a bolt, radially") == pytest.approx(0.5)


def test_a_holder_that_its_face_alone_holds() -> None:
    """Its volume: head and barrel less the seat, its mouth, the shoulder's hole, the bolts' holes; closed forms."""
    head = {"diameter": 120, "thickness": 8, "bolts": "M6", "count": 6, "pitch_circle": 106}
    wish = {
        "on": "casting: step 1",
        "face": "casting: end",
        "fit": "none",
        "bearing": "6206",
        "length": 24,
        "head": head,
    }
    part = _wanted("holder", wish | {"around": 90, "shoulder": 50})
    seat = 0.25 * (_figure(part, "seat, least") + _figure(part, "seat, most"))
    mouth = math.pi * 0.5 / 3 * (seat**2 + seat * (seat + 0.5) + (seat + 0.5) ** 2)
    outside = math.pi * (8 * 60**2 + 16 * 45**2) - 6 * 8 * math.pi * 3.3**2
    assert part.volume == pytest.approx(outside - math.pi * (8 * 25**2 + 15.5 * seat**2) - mouth, rel=1e-9)
    assert [seat.face for seat in part.seats] == ["head under"]
    assert any("with an indicator" in text for text in part.cautions)
    solid_of(part, MakeQuestion.model_validate({"name": "it", "holder": wish}))
    for wrong, said in (
        (wish, "say how large it is there"),
        (wish | {"around": 90, "head": {"diameter": 120, "thickness": 8}}, "give its head bolts"),
        (wish | {"around": 90, "ring": "auto"}, "leave ring and press out"),
    ):
        with pytest.raises(SettingsError, match=said):
            _wanted("holder", wrong)


def test_the_wall_of_a_press_fit_is_what_the_part_has() -> None:
    """A ring of 85 in 105: 10 mm of wall, less what it isn't known by, gives what a wall of that size that is told does
    (Lamé)."""
    body = bored_ring(85.0, 105.0, 40.0)
    ring = {"ring": Placed(body, placed([]))}
    wish = {"on": "ring: bore", "fit": "H7/p6", "length": 20, "face": "ring: top"}
    found = made(MakeQuestion.model_validate({"name": "it", "spigot": wish | {"press": {}}}), ring)
    told = next(text for text in found.facts if text.startswith("wall behind"))
    thin, left = (float(found) for found in re.findall(r"(?:: |; )([\d.]+)", told))
    assert thin == pytest.approx(10.0, abs=0.02)
    assert 9.9 < left < 10.0
    again = made(MakeQuestion.model_validate({"name": "it", "spigot": wish | {"press": {"wall": left}}}), ring)
    assert _figure(found, "press force, most") == pytest.approx(_figure(again, "press force, most"), rel=2e-3)


def bored_ring(inside: float, outside: float, high: float) -> Body:
    """A ring as a drawn part, its bore and top faces named."""
    profile = Turned(((0.0, 0.5 * inside), (0.0, 0.5 * outside), (high, 0.5 * outside), (high, 0.5 * inside)),
                     names=("bottom", "outside", "top", "bore"))  # fmt: skip
    return body_of_shape("ring", built([Step("add", profile, "ring")], "ring"), 0.003, 0.002)


def test_holes_that_a_bolt_may_miss_are_told() -> None:
    """M8 in 9 over 9 has 1 mm of room: with places known to 0.4 mm each way, 2.45 x 0.4 (95 % in a plane) takes it."""
    part = _wanted("cover", {"on": "casting: end", "thickness": 8, "holes": "M8"}, place_uncertainty=0.4)
    assert len(part.doubts) == 4
    assert "M8 may not go into H1" in part.doubts[0]


WISHES: list[tuple[str, dict[str, Any]]] = [
    ("spigot", SPIGOT | {"ring": "auto", "bore": 50, "head": HEAD}),
    ("holder", SPIGOT | {"length": 30, "bearing": "6206"}),
    ("cover", {"on": "casting: end", "thickness": 8, "spigot": {"on": "casting: step 1", "fit": "H7/f7", "length": 6}}),
    ("gasket", {"on": "casting: end", "thickness": 1}),
    ("spacer", {"on": "casting: end", "thickness": 5, "offset": -2}),
]


@pytest.mark.parametrize(("kind", "wish"), WISHES, ids=[kind for kind, _ in WISHES])
def test_solids_read_again_and_drawings(kind: str, wish: dict[str, Any], tmp_path: Path) -> None:
    """STEP: valid for the kernel, faces named, the closed form's volume. STL and 3MF: watertight. DXF: its dimensions
    are dimensions, and say the sizes; arcs are arcs."""
    part = _wanted(kind, wish)
    question = MakeQuestion.model_validate({"name": "it", kind: wish})
    solid = solid_of(part, question)
    write_made(tmp_path, part, solid, question)
    body = read_solid(tmp_path / "it.step")
    assert BRepCheck_Analyzer(body.shape).IsValid()
    assert body.volume == pytest.approx(part.volume, rel=1e-9)
    names = {face.name for face in body.faces}
    assert all(names)
    assert {seat.face for seat in part.seats} <= names
    mesh = trimesh.load(tmp_path / "it.stl")
    assert mesh.is_watertight
    assert mesh.volume == pytest.approx(part.volume, rel=2e-3)
    assert trimesh.load(tmp_path / "it.3mf", force="mesh").is_watertight
    if kind in ("gasket", "spacer"):
        thickness = next(s.solid.high - s.solid.low for s in part.steps if isinstance(s.solid, Prism))
        assert solid.wall == pytest.approx(thickness, abs=1e-5)
    assert write_made_drawing(tmp_path, part) == drawing_files(part) == ("it.dxf", "it.pdf")
    document = ezdxf.readfile(tmp_path / "it.dxf")
    assert not document.audit().errors
    space = document.modelspace()
    said = {entity.dxf.text for entity in space.query("DIMENSION")}
    for size in part.sizes:
        if any(isinstance(step.solid, Turned) for step in part.steps):
            assert size.text.replace("Ø", "%%c").replace("±", "%%p") in said
    if kind not in ("spigot", "holder"):
        assert len(space.query("ARC")) == 4
        # The corners of the flange, moved by what its offset is.
        inset = 2 if kind == "spacer" else 0
        assert any(f"4 x R{R - inset:g} mm" in entity.dxf.text for entity in space.query("TEXT"))
        assert not space.query("LWPOLYLINE")
        rings = [e for e in space.query("CIRCLE") if e.dxf.layer == "HOLES" and abs(e.dxf.radius - 4.5) < 1e-9]
        assert sorted((round(e.dxf.center.x), round(e.dxf.center.y)) for e in rings) == sorted(HOLES)


@pytest.mark.parametrize(
    ("kind", "wish", "sentence"),
    [
        ("spigot", SPIGOT | {"ring": "auto", "bore": 80}, "a smaller bore, or a thinner ring"),
        ("spigot", SPIGOT | {"ring": "auto", "length": 5}, "make it longer"),
        ("spigot", SPIGOT | {"length": 1}, "too short for a fit"),
        ("spigot", SPIGOT | {"bore": 90}, "leaves no wall at the fit"),
        ("spigot", SPIGOT | {"ring": "AS568-110"}, "would be stretched by 780.9 %"),
        ("spigot", SPIGOT | {"head": HEAD | {"bolts": "M7.5"}}, "no bolt hole"),
        ("spigot", SPIGOT | {"head": HEAD | {"pitch_circle": 88}}, "run by 1.76 mm into what is inside of them"),
        ("spigot", SPIGOT | {"bore": 84}, "leaves a wall of 0.46 mm"),
        ("spigot", SPIGOT | {"fit": "H7/q9"}, "not in the tables"),
        ("spigot", SPIGOT | {"face": "casting: step 1"}, "is an axis, where a face is wanted"),
        ("spigot", SPIGOT | {"on": "casing: step 1"}, "PART: WORDS"),
        ("spigot", SPIGOT | {"head": {"diameter": 80, "thickness": 5}}, "a larger head"),
        ("spigot", SPIGOT | {"head": HEAD | {"pitch_circle": 116}}, "to the head's edge"),
        ("spigot", SPIGOT | {"head": HEAD | {"count": 40}}, "into each other|to each other"),
        ("spigot", SPIGOT | {"around": 110}, "leave around out"),
        ("spigot", SPIGOT | {"press": {"wall": 5}}, "no interference"),
        ("spigot", SPIGOT | {"fit": "H7/p6", "press": {"wall": 5, "into": "wood"}}, "not in the table"),
        ("holder", SPIGOT | {"length": 17, "bearing": "6206"}, "for a shoulder"),
        ("holder", SPIGOT | {"length": 30, "bearing": "6210"}, "leaves no wall at the fit of"),
        ("holder", SPIGOT | {"length": 30, "bearing": "9999"}, "not in the tables"),
        ("holder", SPIGOT | {"length": 30, "bearing": "6206", "seat": "tight"}, "is no hole's zone"),
        ("holder", SPIGOT | {"length": 30, "bearing": "6206", "shoulder": 62}, "is no shoulder"),
        ("holder", SPIGOT | {"length": 30, "bearing": "6206", "seat": "h7"}, "is no hole's zone"),
        ("cover", {"on": "casting: start", "thickness": 5}, "no outline of start of casting was recovered"),
        ("cover", {"on": "casting: end", "thickness": 5, "offset": -80}, "nothing is left"),
        ("cover", {"on": "casting: end", "thickness": 5, "offset": -8}, "only 1.50 mm are left between H. and edge"),
        ("cover", {"on": "casting: end", "thickness": 5, "offset": -10}, "run into each other by 0.50 mm"),
        ("cover", {"on": "casting: end", "thickness": 5, "holes": "M16"}, "a thinner one"),
        ("gasket", {"on": "casting: end", "thickness": 1, "opening": -43}, "an opening closes"),
        ("gasket", {"on": "casting: end", "thickness": 1, "opening": 20}, "run into each other"),
    ],
)
def test_wishes_that_cannot_be_had(kind: str, wish: dict[str, Any], sentence: str) -> None:
    with pytest.raises(SettingsError, match=sentence) as told:
        _wanted(kind, wish)
    assert str(told.value).startswith("it: ")
    assert str(told.value).count(". ") == 0


def test_a_fit_that_the_scan_cannot_give() -> None:
    with pytest.raises(SettingsError, match="can't be given: step 1 of casting is known to 39 um"):
        _wanted("spigot", SPIGOT, uncertainty=0.01)


def test_a_spigot_that_meets_no_bore_squarely() -> None:
    casting = _casting("bore")
    body = casting["casting"].body
    lean = tuple(
        replace(f, direction=np.array([0.0, math.sin(0.02), math.cos(0.02)])) if f.id == "end" else f
        for f in body.features
    )
    leaning = {"casting": Placed(replace(body, features=lean), placed([]))}
    with pytest.raises(SettingsError, match=r"leans by 1\.15 degrees"):
        made(MakeQuestion.model_validate({"name": "it", "spigot": SPIGOT}), leaning)
