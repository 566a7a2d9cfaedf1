"""Booleans of meshes: volumes by formula, facets kept, and what bounds no volume."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from pipeline.errors import GeometryError
from pipeline.mesh.booleans import mesh_solid, split, united


def solid(mesh: trimesh.Trimesh):
    return mesh_solid(mesh.vertices, mesh.faces, "it")


def test_two_balls_share_their_lens() -> None:
    """Lens of two balls of one radius: pi (4 r + d) (2 r - d)^2 / 12 (any formulary)."""
    ball = trimesh.creation.icosphere(5, 10.0)
    other = ball.copy()
    other.apply_translation([7.0, 0.0, 0.0])
    taken, left = split(solid(ball), solid(other))
    assert taken.volume == pytest.approx(np.pi * (40 + 7) * (20 - 7) ** 2 / 12, rel=3e-3)
    assert taken.volume + left.volume == pytest.approx(ball.volume, rel=1e-12)
    # Each facet lies on the one that it is a piece of.
    for made in (taken, left):
        for of_tool, source in ((False, ball), (True, other)):
            mine = made.of_tool == of_tool
            middles = made.vertices[made.faces[mine]].mean(axis=1)
            plane = source.triangles[made.facet[mine], 0]
            assert np.abs(np.einsum("ij,ij->i", middles - plane, source.face_normals[made.facet[mine]])).max() < 1e-9


def test_facets_of_several_tools_are_numbered_through() -> None:
    block = trimesh.creation.box((40, 40, 10))
    pegs = [trimesh.creation.cylinder(3.0, 30.0, sections=24) for _ in range(2)]
    pegs[1].apply_translation([12.0, 0.0, 0.0])
    tool = united([solid(peg) for peg in pegs], [len(peg.faces) for peg in pegs])
    taken, left = split(solid(block), tool)
    second = left.of_tool & (left.facet >= len(pegs[0].faces))
    assert np.all(left.vertices[left.faces[second]][..., 0] > 8.0)
    assert taken.volume == pytest.approx(2 * pegs[0].volume / 3, rel=1e-9)


def test_what_bounds_no_volume_is_told() -> None:
    box = trimesh.creation.box((1, 1, 1))
    with pytest.raises(GeometryError, match="it is not closed all round"):
        mesh_solid(box.vertices, box.faces[:-1], "it")
    with pytest.raises(GeometryError, match="it is inside out"):
        mesh_solid(box.vertices, box.faces[:, ::-1], "it")
    fin = np.vstack([box.faces, [[0, 1, 6]]])
    with pytest.raises(GeometryError, match="not closed"):
        mesh_solid(box.vertices, fin, "it")
