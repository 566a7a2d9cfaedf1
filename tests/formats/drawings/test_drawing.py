"""DXF and print of a flange: opened again by ezdxf and by a PDF renderer, and measured.

The print is rendered by PDFium (pypdfium2) and, where it is installed, by Poppler (pdftoppm): two engines
that know nothing of the one that wrote it.

Covers: pipeline.formats.drawings.dxf, pipeline.formats.drawings.print_sheet, pipeline.formats.drawings.sheet
Covers: pipeline.formats.drawings.items, pipeline.formats.drawings.dimensions, pipeline.formats.drawings.room
Covers: pipeline.formats.drawings.nominal
"""

from __future__ import annotations

import json
import math
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pytest
from ezdxf import units as dxf_units
from PIL import Image

from pipeline.formats.datum_file import FlangeRecord, build
from pipeline.formats.drawings import dxf, items, print_sheet, sheet
from tests.outcomes import outcome

DATA = build(outcome())
DPI = 600
PIXEL = 25.4 / DPI


def slotted(**changes: Any) -> FlangeRecord:
    """A flange whose outline has arcs of both senses, a free piece, a slot as opening and a missing hole."""

    def line(a: tuple, b: tuple) -> dict:
        return dict(kind="line", start=a, end=b, centre=None, radius=None, ccw=True, points=None, feature=None)

    def arc(a: tuple, b: tuple, centre: tuple, radius: float, ccw: bool) -> dict:
        return line(a, b) | dict(kind="arc", centre=centre, radius=radius, ccw=ccw)

    wave = [(50 - t, 30 + math.sin(t / 5)) for t in np.linspace(0, 80, 30)]
    wave = [(50.0, 30.0), *wave[1:-1], (-30.0, 30.0)]
    outer = [
        line((-50, -30), (40, -30)),
        arc((40, -30), (50, -20), (40, -20), 10.0, True),
        line((50, -20), (50, 30)),
        line((50, 30), (-30, 30)) | dict(kind="free", points=wave),
        arc((-30, 30), (-50, 10), (-50, 30), 20.0, False),
        line((-50, 10), (-50, -30)),
    ]
    slot = [
        line((-5, 4), (5, 4)),
        arc((5, 4), (5, -4), (5, 0), 4.0, False),
        line((5, -4), (-5, -4)),
        arc((-5, -4), (-5, 4), (-5, 0), 4.0, False),
    ]
    loop = dict(rms=0.01, rounding=0.3, tolerance=0.05, broken=False)
    holes = [
        dict(
            feature=f"cylinder-{k}", place=[25 * math.cos(t), 25 * math.sin(t)], diameter=6.6, depth_seen=9.0, tilt=0.0
        )
        for k, t in enumerate(np.radians([0, 120]))
    ]
    pattern = dict(
        kind="pitch_circle",
        members=["cylinder-0", "cylinder-1"],
        centre=[0.0, 0.0],
        rms=0.0,
        diameter=50.0,
        count=3,
        missing=1,
        phase=0.0,
        size=None,
        gaps_at=[[-12.5, -21.65]],
    )
    flange = dict(
        feature="plane-9",
        matrix=np.eye(4).tolist(),
        origin_at="the pitch circle's centre",
        outer=dict(segments=outer, **loop),
        inner=[dict(segments=slot, **loop)],
        holes=holes,
        patterns=[pattern],
        cautions=["A stretch of the outline lies on a gap of the scan."],
    )
    return FlangeRecord.model_validate_json(json.dumps(flange | changes))


def drawn(flange: FlangeRecord, unit: str = "mm") -> tuple[items.Item, ...]:
    made = sheet.sheet_of(flange, DATA, unit)
    return (*made.front, *made.below)


def written(tmp_path: Path, flange: FlangeRecord, unit: str = "mm") -> ezdxf.document.Drawing:
    dxf.write_dxf(tmp_path / "a.dxf", drawn(flange, unit), unit)
    return ezdxf.readfile(tmp_path / "a.dxf")


@pytest.mark.parametrize("unit", ["mm", "in"])
def test_the_audit_is_clean_and_the_units_are_stated(tmp_path: Path, unit: str) -> None:
    document = written(tmp_path, slotted(), unit)
    audit = document.audit()
    assert not audit.errors
    assert not audit.fixes
    assert document.units == {"mm": dxf_units.MM, "in": dxf_units.IN}[unit]
    assert document.header["$INSUNITS"] == {"mm": 4, "in": 1}[unit]  # DXF reference, header variables
    assert document.header["$MEASUREMENT"] == {"mm": 1, "in": 0}[unit]
    for entity in document.modelspace():
        assert entity.dxf.layer in items.LAYERS
        assert entity.dxf.layer in document.layers


@pytest.mark.parametrize(("unit", "scale"), [("mm", 1.0), ("in", 1 / 25.4)])
def test_holes_and_openings_are_true_circles_of_the_datum_file(tmp_path: Path, unit: str, scale: float) -> None:
    for flange in DATA.flanges:
        space = written(tmp_path, flange, unit).modelspace()
        holes = {(round(c.dxf.center.x, 7), round(c.dxf.center.y, 7)): c for c in space.query("CIRCLE[layer=='HOLES']")}
        assert len(holes) == len(flange.holes) == 6
        for hole in flange.holes:
            near = min(holes.values(), key=lambda c: math.dist(c.dxf.center.vec2, np.multiply(hole.place, scale)))
            assert math.dist(near.dxf.center.vec2, np.multiply(hole.place, scale)) < 1e-6
            assert 2 * near.dxf.radius == pytest.approx(hole.diameter * scale, abs=1e-6)
        (mouth,) = space.query("CIRCLE[layer=='OPENINGS']")
        assert mouth.dxf.radius == pytest.approx(flange.inner[0].segments[0].radius * scale, abs=1e-6)
        (pitch,) = space.query("CIRCLE[layer=='PITCH']")
        assert pitch.dxf.radius == pytest.approx(31 * scale, abs=1e-6)
        assert len(space.query("LINE[layer=='OUTLINE']")) == 4
        # Two for each hole and the mouth, and the drawing's own x and y.
        assert len(space.query("LINE[layer=='CENTRE']")) == 2 * 6 + 2 + 2
        (table,) = {t.dxf.text for t in space.query("TEXT")} & {"hole"}
        assert table


def test_arcs_of_both_senses_begin_and_end_where_the_outline_says(tmp_path: Path) -> None:
    flange = slotted()
    space = written(tmp_path, flange).modelspace()
    wanted = [s for s in (*flange.outer.segments, *flange.inner[0].segments) if s.kind == "arc"]
    arcs = list(space.query("ARC"))
    assert len(arcs) == len(wanted) == 4
    for segment, found in zip(wanted, arcs, strict=True):
        assert math.dist(found.dxf.center.vec2, segment.centre) < 1e-6
        assert found.dxf.radius == pytest.approx(segment.radius, abs=1e-6)
        ends = [found.start_point.vec2, found.end_point.vec2]
        if not segment.ccw:
            ends.reverse()
        assert math.dist(ends[0], segment.start) < 1e-6
        assert math.dist(ends[1], segment.end) < 1e-6
        # The middle tells the arc from the other way round the circle: 90 and 180 degrees here, never 270.
        sweep = (found.dxf.end_angle - found.dxf.start_angle) % 360
        assert sweep == pytest.approx(90 if segment.radius >= 10 else 180)
    (free,) = space.query("LWPOLYLINE")
    np.testing.assert_allclose([p[:2] for p in free.get_points()], flange.outer.segments[3].points, atol=1e-6)


def test_what_is_missing_and_what_is_uncertain_is_written_on_it(tmp_path: Path) -> None:
    texts = [t.dxf.text for t in written(tmp_path, slotted()).modelspace().query("TEXT")]
    assert "cylinder-0" in texts
    assert "2 x %%c6.6 on PCD %%c50.0" in shown_in_dimensions(written(tmp_path, slotted()))
    assert "no hole seen here" in texts
    joined = " ".join(texts)
    assert "lies on a gap of the scan" in joined
    assert "1 of the pattern not seen" in joined
    assert "PCD %%c50.0" in joined
    assert "No substitute for measuring" in joined
    assert "Overall 100.0 x 61.0." in joined  # the wave rises to just under 31
    assert "2 x %%c0.26 on PCD %%c1.97" in shown_in_dimensions(written(tmp_path, slotted(), "in"))
    assert "for checking, not for locating a bearing bore" in joined


def test_the_same_flange_gives_the_same_bytes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import time

    made_of = sheet.sheet_of(slotted(), DATA)
    pages = print_sheet.pages_for(*made_of)
    assert pages is not None
    made = []
    for name in "ab":
        dxf.write_dxf(tmp_path / f"{name}.dxf", (*made_of.front, *made_of.below))
        print_sheet.write_print(tmp_path / f"{name}.pdf", pages, "Flange")
        made.append(((tmp_path / f"{name}.dxf").read_bytes(), (tmp_path / f"{name}.pdf").read_bytes()))
        later = time.time() + 1e7
        monkeypatch.setattr(time, "time", lambda later=later: later)
    assert made[0] == made[1]
    assert not ezdxf.options.write_fixed_meta_data_for_testing


# ---------------------------------------------------------------------------------------------------------------
# The print


def pages(path: Path, engine: str) -> list[np.ndarray]:
    """Pages as grey images, row 0 at the top, DPI dots per inch."""
    if engine == "pdfium":
        pypdfium2 = pytest.importorskip("pypdfium2")
        document = pypdfium2.PdfDocument(path)
        return [np.array(page.render(scale=DPI / 72).to_pil().convert("L")) for page in document]
    if shutil.which("pdftoppm") is None:
        pytest.skip("pdftoppm (Debian: poppler-utils) is not installed")
    subprocess.run(["pdftoppm", "-r", str(DPI), "-gray", str(path), str(path.with_suffix(""))], check=True)
    return [np.array(Image.open(p)) for p in sorted(path.parent.glob(f"{path.stem}-*.pgm"))]


def longest_run(dark: np.ndarray) -> tuple[int, int, int]:
    """Line, first pixel and length of the longest unbroken stretch of dark pixels along the second axis."""
    best = (0, 0, 0)
    for number, row in enumerate(dark):
        edges = np.flatnonzero(np.diff(np.r_[0, row.astype(np.int8), 0]))
        if len(edges):
            lengths = edges[1::2] - edges[::2]
            k = int(np.argmax(lengths))
            if lengths[k] > best[2]:
                best = (number, int(edges[2 * k]), int(lengths[k]))
    return best


def print_of(
    tmp_path: Path, flange: FlangeRecord, engine: str, unit: str = "mm"
) -> tuple[np.ndarray, print_sheet.Sheet]:
    made = print_sheet.pages_for(*sheet.sheet_of(flange, DATA, unit), unit)
    assert made is not None
    print_sheet.write_print(tmp_path / "a.pdf", made, "Flange", unit)
    found = pages(tmp_path / "a.pdf", engine)
    assert len(found) == len(made.pages)
    return found[0], made.sheet


@pytest.mark.parametrize("engine", ["pdfium", "poppler"])
@pytest.mark.parametrize(("unit", "bar"), [("mm", 100.0), ("in", 101.6)])
def test_the_scale_bars_are_true_to_a_tenth(tmp_path: Path, engine: str, unit: str, bar: float) -> None:
    page, sheet = print_of(tmp_path, DATA.flanges[0], engine, unit)
    height, width = page.shape
    assert width * PIXEL == pytest.approx(sheet.width, abs=0.1)
    assert height * PIXEL == pytest.approx(sheet.height, abs=0.1)
    dark = page < 128
    # The lying bar is the longest run in the lowest 40 mm, the upright one in the leftmost 15 mm.
    _, _, lying = longest_run(dark[-int(40 / PIXEL) :])
    _, _, upright = longest_run(dark[:, : int(15 / PIXEL)].T)
    assert lying * PIXEL == pytest.approx(bar, abs=0.1)
    assert upright * PIXEL == pytest.approx(bar, abs=0.1)


@pytest.mark.parametrize("engine", ["pdfium", "poppler"])
def test_the_flange_itself_is_at_full_size(tmp_path: Path, engine: str) -> None:
    page, _ = print_of(tmp_path, DATA.flanges[0], engine)
    dark = page < 160
    # The outline is 120 x 80: its sides are the longest runs above the title block, which is 180 wide, and right of the
    # upright bar.
    title = next(k for k in range(len(dark)) if longest_run(dark[k : k + 1])[2] * PIXEL > 150)
    body = dark[: title - 1, int(20 / PIXEL) :]
    _, left, across = longest_run(body)
    _, top, down = longest_run(body.T)
    assert across * PIXEL == pytest.approx(120.25, abs=0.1)  # with the line's own width of 0.25
    assert down * PIXEL == pytest.approx(80.25, abs=0.1)
    # A hole's two walls on the row through its centre: x 31 right of the plate's middle, on its mid-height.
    middle_row, middle_column = top + down // 2 - int(1.0 / PIXEL), left + across // 2
    walls = np.flatnonzero(body[middle_row]) - middle_column
    right = walls[(walls * PIXEL > 31 - 6) & (walls * PIXEL < 31 + 6)] * PIXEL
    half_chord = math.sqrt(4.5**2 - 1.0**2)
    assert right.min() == pytest.approx(31 - half_chord, abs=0.25)
    assert right.max() == pytest.approx(31 + half_chord, abs=0.25)


def square(side: float) -> tuple[items.Item, ...]:
    corners = [(0.0, 0.0), (side, 0.0), (side, side), (0.0, side)]
    return tuple(items.Line("OUTLINE", a, b) for a, b in zip(corners, [*corners[1:], corners[0]], strict=True))


@pytest.mark.parametrize(
    ("side", "unit", "name"),
    [
        (50, "mm", "A4"),
        (180, "mm", "A4"),
        (190, "mm", "A3"),
        (300, "mm", "A2"),
        (780, "mm", "A0"),
        (900, "mm", None),
        (180, "in", "Letter"),
        (240, "in", "Tabloid (B)"),
    ],
)
def test_the_smallest_sheet_that_holds_it(side: float, unit: str, name: str | None) -> None:
    found = print_sheet.sheet_for(square(side), unit)
    assert (None if found is None else found.name) == name
    if found is not None:
        assert found.common == (name in ("A4", "Letter"))


def test_a_wide_flange_lies_and_a_tall_one_stands() -> None:
    wide = (items.Line("OUTLINE", (0.0, 0.0), (260.0, 20.0)),)
    tall = (items.Line("OUTLINE", (0.0, 0.0), (20.0, 225.0)),)
    lying, standing = (print_sheet.sheet_for(drawn) for drawn in (wide, tall))
    assert lying is not None
    assert standing is not None
    assert (lying.name, lying.width > lying.height) == ("A4", True)
    assert (standing.name, standing.width < standing.height) == ("A4", True)


def test_bounds_of_arcs_reach_over_the_quarters_they_pass() -> None:
    quarter = items.Arc("OUTLINE", (0.0, 0.0), 10.0, 350.0, 100.0)
    (x0, y0), (x1, y1) = items.bounds((quarter,))
    assert (x1, y1) == pytest.approx((10, 10))
    assert (x0, y0) == pytest.approx((10 * math.cos(math.radians(100)), -10 * math.sin(math.radians(10))))


def boxes(drawn: tuple[items.Item, ...]) -> list[tuple[str, float, float, float, float]]:
    """Each text with its box: capitals of Helvetica are some 0.75 of their height wide on the average."""
    out = []
    for item in drawn:
        for part in item.strokes if isinstance(item, items.Dimension) else (item,):
            if isinstance(part, items.Text) and part.angle == 0.0:
                long = 0.75 * part.height * len(part.text)
                out.append((part.text, *part.at, part.at[0] + long, part.at[1] + part.height))
    return out


def overlapping(drawn: tuple[items.Item, ...]) -> list[tuple[str, str]]:
    found = boxes(drawn)
    return [
        (a[0], b[0])
        for k, a in enumerate(found)
        for b in found[:k]
        if a[1] < b[3] and b[1] < a[3] and a[2] < b[4] and b[2] < a[4]
    ]


def test_no_text_covers_another(tmp_path: Path) -> None:
    nested = [dict(feature=f"h{k}", place=[0.0, 0.0], diameter=40.0 + k) for k in range(5)]
    for flange in (*DATA.flanges, slotted(), slotted(holes=nested, patterns=[])):
        assert overlapping(drawn(flange)) == []


def shown_in_dimensions(document: ezdxf.document.Drawing) -> list[str]:
    """The texts that a reader shows for the dimensions: those in their blocks."""
    return [
        t.dxf.text
        for d in document.modelspace().query("DIMENSION")
        for t in d.virtual_entities()
        if t.dxftype() == "TEXT"
    ]


def test_dimensions_are_dimensions_that_show_what_they_measure(tmp_path: Path) -> None:
    """The DXF reference's groups: 10 and 15 opposite places of a circle, 13 and 14 what a distance is between, 42 its
    value; and a block that shows it, which readers draw."""
    for unit, scale in (("mm", 1.0), ("in", 1 / 25.4)):
        document = written(tmp_path, slotted(), unit)
        dimensions = list(document.modelspace().query("DIMENSION"))
        shown = shown_in_dimensions(document)
        assert len(shown) == len(dimensions) == 3
        for dimension, text in zip(dimensions, shown, strict=True):
            assert dimension.dxf.text == text
            assert dimension.dxf.geometry in document.blocks
        (hole,) = (d for d in dimensions if d.dxf.dimtype & 7 == 3)
        assert math.dist(hole.dxf.defpoint.vec2, hole.dxf.defpoint4.vec2) == pytest.approx(6.6 * scale)
        assert hole.dxf.actual_measurement == pytest.approx(6.6 * scale)
        across, up = (d for d in dimensions if d.dxf.dimtype & 7 == 0)
        assert (across.dxf.angle, up.dxf.angle) == (0.0, 90.0)
        assert across.dxf.actual_measurement == pytest.approx(100.0 * scale)


def test_clocking_angle_of_the_first_hole(tmp_path: Path) -> None:
    turned = [dict(feature=f"h{k}", place=[25 * math.cos(t), 25 * math.sin(t)], diameter=6.6) for k, t in
              enumerate(np.radians([30, 150, 270]))]  # fmt: skip
    pattern = dict(
        kind="pitch_circle", members=["h0", "h1", "h2"], centre=[0, 0], rms=0.0, diameter=50.0, count=3, phase=30.0
    )
    document = written(tmp_path, slotted(holes=turned, patterns=[pattern], inner=[]))
    (angle,) = (d for d in document.modelspace().query("DIMENSION") if d.dxf.dimtype & 7 == 5)
    assert angle.dxf.actual_measurement == pytest.approx(30.0)
    assert tuple(angle.dxf.defpoint4.vec2) == (0.0, 0.0)
    # A nominal place, drawn small, on each hole: 30 degrees and 50 mm are round.
    crosses = list(document.modelspace().query("LINE[layer=='NOMINAL']"))
    middles = {tuple(np.round((c.dxf.start + c.dxf.end).vec2 / 2, 9)) for c in crosses}
    assert middles == {tuple(np.round(h["place"], 9)) for h in turned}


def test_what_stands_proud_is_no_opening(tmp_path: Path) -> None:
    ring = dict(kind="circle", start=[30, 0], end=[30, 0], centre=[0.0, 0.0], radius=30.0, ccw=False, feature="S1")
    loop = dict(segments=[ring], rms=0.01, rounding=0.3, tolerance=0.05, broken=False, what="spigot")
    space = written(tmp_path, slotted(inner=[loop])).modelspace()
    (spigot,) = space.query("CIRCLE[layer=='SPIGOTS']")
    assert spigot.dxf.radius == 30.0
    assert not space.query("*[layer=='OPENINGS']")


def test_line_types_are_called_by_iso_128_2(tmp_path: Path) -> None:
    document = written(tmp_path, slotted())
    assert document.layers.get("CENTRE").dxf.linetype == "LONG_DASH_DOT"
    assert document.linetypes.get("LONG_DASH_DOT").dxf.description == "long-dashed dotted line"
    own = {line.dxf.name for line in document.linetypes} - {"ByLayer", "ByBlock", "Continuous"}
    assert own == {"LONG_DASH_DOT", "DASH"}


def test_the_hole_table_says_how_each_hole_ends(tmp_path: Path) -> None:
    first = dict(
        feature="h0", place=[25.0, 0.0], diameter=6.6, depth_seen=9.0, end="blind", depth=9.5, edge=14.96,
        thickness=12.04, place_uncertainty=0.004, diameter_uncertainty=0.01,
    )  # fmt: skip
    rest = dict(feature="h1", place=[-25.0, 0.0], diameter=6.6, depth_seen=9.0)
    texts = [t.text for t in drawn(slotted(holes=[first, rest], patterns=[])) if isinstance(t, items.Text)]
    start = texts.index("off nominal") + 1
    assert texts[start : start + 18] == [
        "h0", "25.000", "0.000", "6.60", "blind", "9.5", "15.0", "12.0", "-",
        "h1", "-25.0", "0.0", "6.6", "not seen", "9.0", "-", "-", "-",
    ]  # fmt: skip


def test_other_processes_write_the_same_bytes(tmp_path: Path) -> None:
    """Sets of texts are ordered by a hash that differs from process to process."""
    script = (
        "import sys; from pathlib import Path; from tests.formats.drawings.test_drawing import drawn, slotted;"
        "from pipeline.formats.drawings import write_dxf; write_dxf(Path(sys.argv[1]), drawn(slotted()))"
    )
    for seed in ("1", "2"):
        subprocess.run(
            [sys.executable, "-c", script, str(tmp_path / f"{seed}.dxf")],
            env=os.environ | {"PYTHONHASHSEED": seed}, cwd=Path(__file__).parents[3], check=True,
        )  # fmt: skip
    assert (tmp_path / "1.dxf").read_bytes() == (tmp_path / "2.dxf").read_bytes()


def test_the_part_axes_stand_in_the_view_as_they_lie() -> None:
    """Of the foot's sketch, which looks up at the part: its x the part's, its y and z the other way."""
    data = build(outcome())
    for flange in data.flanges:
        drawn = sheet.sheet_of(flange, data).front
        letters = {i.text: i.at for i in drawn if isinstance(i, items.Text) and i.text in ("X", "Y", "Z")}
        to_part = np.array(data.frame.matrix) @ np.linalg.inv(np.array(flange.matrix))
        eye = next(i for i in drawn if isinstance(i, items.Circle) and i.layer == items.SHEET)
        for name, axis in zip("XYZ", to_part[:3, :2], strict=True):
            away = np.subtract(letters[name], eye.centre) + 1.0
            if np.linalg.norm(axis) > 0.5:
                assert away @ axis / (np.linalg.norm(away) * np.linalg.norm(axis)) > 0.95
        towards = to_part[2, 2] > 0
        inside = [i for i in drawn if isinstance(i, items.Circle) and i.layer == items.SHEET and i is not eye]
        assert bool(inside) == towards
