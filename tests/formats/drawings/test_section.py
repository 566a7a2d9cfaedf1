"""The half-section of a plate with a bore, held against the sizes that it is made of, and read by ezdxf and as XML.

Covers: pipeline.formats.drawings.cut, pipeline.formats.drawings.svg
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from pathlib import Path

import ezdxf
import numpy as np
import pytest

from pipeline.formats.datum_file import build
from pipeline.formats.drawings import Body, section_of, svg_of, write_dxf
from pipeline.formats.drawings.cut import HATCH, cut_through, outline_below
from pipeline.formats.drawings.items import Dimension, Item
from pipeline.values.surface import FILLED
from tests.outcomes import BORE, CHAMFER, HEIGHT, WIDTH, outcome, part_mesh

DATA = build(outcome())
X, Y, Z = np.eye(3)


def plate() -> Body:
    """The plate without the ball and the ring beside it."""
    vertices, faces, labels = part_mesh()
    keep = labels < 14
    return Body(vertices, faces[keep], labels[keep], np.zeros(int(keep.sum()), np.uint8))


def test_the_cut_is_the_plates_own() -> None:
    cut = cut_through(plate(), np.zeros(3), Z, Y)
    points = np.vstack(cut.measured)
    assert cut.filled == ()
    assert points[:, 0].min() == pytest.approx(0.0, abs=1e-9)
    assert points[:, 0].max() == pytest.approx(HEIGHT)
    # Any of the plate's corners: the bore (a polygon of 96 sides), its chamfer, the outside.
    reach = WIDTH / 2 if abs(cut.up @ Y) > 0.9 else 60.0
    for corner in ((0.0, BORE), (HEIGHT - CHAMFER, BORE), (HEIGHT, BORE + CHAMFER), (HEIGHT, reach), (0.0, reach)):
        assert np.linalg.norm(points - corner, axis=1).min() < 0.03, corner


def test_hatching_covers_the_material_and_nothing_else() -> None:
    """Lines a distance apart stand for an area of their length times that distance, the ends apart."""
    cut = cut_through(plate(), np.zeros(3), Z, Y)
    lengths = np.linalg.norm(cut.hatching[:, 1] - cut.hatching[:, 0], axis=1)
    points = np.vstack(cut.measured)
    area = HEIGHT * (points[:, 1].max() - BORE) - CHAMFER**2 / 2
    holes = 9.0 * HEIGHT if abs(cut.up @ X) > 0.9 else 0.0  # two of the six holes D9 lie along x
    assert lengths.sum() * HATCH == pytest.approx(area - holes, rel=0.08)
    middles = cut.hatching.mean(axis=1)
    assert middles[:, 1].min() > BORE - 0.1
    assert outline_below(plate(), cut)[0][:, 1].min() == pytest.approx(-points[:, 1].max())


def test_what_was_invented_is_told_apart() -> None:
    body = plate()
    origin = body.origin.copy()
    origin[body.labels == 0] = FILLED  # the plate's top
    cut = cut_through(Body(body.vertices, body.faces, body.labels, origin), np.zeros(3), Z, Y)
    assert all(run[:, 0] == pytest.approx(HEIGHT) for run in cut.filled)
    assert cut.filled


def section(unit: str = "mm") -> tuple[Item, ...]:
    return section_of(DATA, plate(), unit)


def test_diameters_and_shoulders_with_their_range(tmp_path: Path) -> None:
    dimensions = {d.kind: d for d in section() if isinstance(d, Dimension)}
    across = dimensions["linear"]
    assert across.value == pytest.approx(2 * BORE)
    assert across.text.startswith("cylinder-1 Ø40.00")
    assert "±" in across.text
    running = [d for d in section() if isinstance(d, Dimension) and d.kind == "ordinate"]
    assert {round(abs(d.value), 3) for d in running} == {0.0, HEIGHT}
    write_dxf(tmp_path / "a.dxf", section("in"), "in")
    document = ezdxf.readfile(tmp_path / "a.dxf")
    assert not document.audit().errors
    found = {d.dxf.dimtype & 7: d for d in document.modelspace().query("DIMENSION")}
    assert found[0].dxf.actual_measurement == pytest.approx(2 * BORE / 25.4)
    assert "1.57" in found[0].dxf.text
    assert found[6].dxf.dimtype & 64  # the DXF reference: an ordinate along x


def test_the_svg_is_one_and_has_no_colour_of_its_own() -> None:
    text = svg_of(section(), "Half-section & more")
    root = ET.fromstring(text)
    assert root.tag.endswith("svg")
    assert root.get("aria-label") == "Half-section & more"
    used = {e.get(name) for e in root.iter() for name in ("fill", "stroke")}
    assert used <= {None, "none", "currentColor"}
    left, top, wide, high = map(float, (root.get("viewBox") or "").split())
    for e in root.iter():
        if e.tag.endswith("text"):
            assert left < float(e.get("x") or 0) < left + wide
            assert top < float(e.get("y") or 0) < top + high


def test_a_part_without_a_common_axis_has_no_section() -> None:
    assert section_of(DATA.model_copy(update={"patterns": ()}), plate()) == ()
