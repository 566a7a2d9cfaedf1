"""Plates made from figures: their volumes, faces and holes by closed forms, and what makes no plate.

Covers: pipeline.fitup.figures
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import trimesh
from pydantic import ValidationError

from pipeline.errors import SettingsError
from pipeline.fitup import Placed, clearance, placed, plate_body, turned_body
from pipeline.formats.parts_in import placed_parts
from pipeline.layout import Layout, Plate
from pipeline.mesh.topology import facet_normals
from pipeline.surfaces import shape_of, signed_distance


def plate(**figures: Any) -> Plate:
    return Plate(thickness=8, **figures)


@pytest.mark.parametrize(
    ("figures", "area"),
    [
        ({"size": (60, 40), "holes": [{"at": (20, 5), "diameter": 9}]}, 2400 - np.pi * 4.5**2),
        (
            {"diameter": 90, "holes": [{"pitch_circle": 70, "count": 6, "diameter": 9}, {"at": (0, 0), "diameter": 9}]},
            np.pi * (45**2 - 7 * 4.5**2),
        ),
        # An angle, its corners clockwise and counter-clockwise.
        ({"outline": [(0, 0), (50, 0), (50, 10), (10, 10), (10, 40), (0, 40)]}, 800),
        ({"outline": [(0, 40), (10, 40), (10, 10), (50, 10), (50, 0), (0, 0)]}, 800),
    ],
)  # fmt: skip
def test_volume_faces_and_holes(figures: dict[str, Any], area: float) -> None:
    body = plate_body("wall", plate(**figures), 0.02)
    surface = body.surface
    mesh = trimesh.Trimesh(surface.vertices, surface.faces, process=False)
    assert mesh.is_watertight
    assert mesh.volume == pytest.approx(8 * area, rel=1e-4)
    assert (body.labels >= 0).all()
    normals = facet_normals(surface.vertices, surface.faces)
    for k, feature in enumerate(body.features):
        corners = surface.vertices[surface.faces[body.labels == k]].reshape(-1, 3)
        assert len(corners)
        assert np.abs(signed_distance(shape_of(feature), corners)).max() < 1e-9
        middles = corners.reshape(-1, 3, 3).mean(axis=1)
        out = feature.direction if feature.kind == "plane" else middles - feature.point
        sense = -1.0 if feature.side == "bore" else 1.0
        assert (sense * np.einsum("ij,ij->i", normals[body.labels == k], np.broadcast_to(out, middles.shape)) > 0).all()
    ids = [feature.id for feature in body.features]
    assert ids[:2] == ["bottom", "top"]
    assert len(set(ids)) == len(ids)


def test_sides_of_a_rectangle_look_along_x_y_and_back() -> None:
    sides = [f.direction.tolist() for f in plate_body("wall", plate(size=(60, 40)), 0.0).features[2:]]
    assert np.array(sides) == pytest.approx(np.array([[1, 0, 0], [0, 1, 0], [-1, 0, 0], [0, -1, 0]]))


def test_a_plate_stands_on_a_shaft_s_shoulder_by_its_hole() -> None:
    """A disc with a hole of 20.1 on a shaft of 20, its top level with the shoulder at 30, which is 50 mm below
    the shaft's end."""
    shaft = {"turned": [[0, 40], [30, 40], [30, 20], [80, 20]], "uncertainty": 0.0}
    lines = [
        {"axis": "hole 1", "on": "shaft: axis", "way": "same"},
        {"face": "top", "on": "shaft: end", "way": "same", "gap": -50.0},
    ]
    figures = {"diameter": 60, "thickness": 8, "holes": [{"at": [5, 0], "diameter": 20.1}]}
    disc = {"plate": figures, "uncertainty": 0.01, "place": lines}
    found = placed_parts(Layout(part={"shaft": shaft, "disc": disc}))["disc"]
    assert sorted({round(float(z), 9) for z in found.vertices[:, 2]}) == [22.0, 30.0]
    assert 0.5 * (found.vertices.min(axis=0) + found.vertices.max(axis=0))[:2] == pytest.approx([-5.0, 0.0], abs=2e-3)


def test_the_distance_of_a_rod_in_a_hole() -> None:
    """A rod of 12 in a hole of 30, 2 mm off its axis: 15 - 6 - 2."""
    wall = plate_body("wall", plate(size=(80, 80), holes=[{"at": (10, 0), "diameter": 30}]), 0.02)
    rod = turned_body("rod", [(-5, 12), (20, 12)], 0.0)
    at = np.eye(4)
    at[0, 3] = 12.0
    spot = clearance(Placed(wall, placed([])), Placed(rod, placed([], at))).spot
    assert spot is not None
    assert spot.distance == pytest.approx(7.0, abs=1e-3)
    assert spot.on == ("hole 1", "step 1")
    # Place and radius of the hole, each of 0.02.
    assert spot.expanded == pytest.approx(2 * np.hypot(0.02, 0.02), rel=0.01)


@pytest.mark.parametrize(
    ("figures", "said"),
    [
        ({"size": (60, 40), "holes": [{"at": (28, 0), "diameter": 9}]}, "hole 1 at .* runs out"),
        ({"size": (60, 40), "holes": [{"at": (90, 0), "diameter": 9}]}, "hole 1 at .* runs out"),
        ({"diameter": 60, "holes": [{"at": (28, 0), "diameter": 9}]}, "hole 1 at .* runs out"),
        ({"size": (60, 40), "holes": [{"at": (0, 0), "diameter": 9}, {"at": (5, 0), "diameter": 9}]}, "run into each"),
        ({"outline": [(0, 0), (10, 10), (10, 0), (0, 10)]}, "crosses or touches itself"),
        ({"outline": [(0, 0), (10, 0), (4, 0)]}, "crosses or touches itself"),
        ({"outline": [(0, 0), (10, 0), (10, 0), (0, 10)]}, "two corners .* are one"),
    ],
)
def test_what_is_no_plate_is_told(figures: dict[str, Any], said: str) -> None:
    with pytest.raises(SettingsError, match=f"wall: .*{said}"):
        plate_body("wall", plate(**figures), 0.02)


@pytest.mark.parametrize(
    "figures",
    [
        {},
        {"size": (1, 2), "diameter": 3},
        {"outline": [(0, 0), (1, 1)]},
        {"size": (9, 9), "holes": [{"diameter": 1}]},
        {"size": (9, 9), "holes": [{"diameter": 1, "pitch_circle": 4}]},
        {"size": (9, 9), "holes": [{"diameter": 1, "at": (0, 0), "pitch_circle": 4, "count": 2}]},
    ],
)
def test_figures_that_say_nothing_or_too_much(figures: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        plate(**figures)
