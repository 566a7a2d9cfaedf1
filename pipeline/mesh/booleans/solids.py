"""Booleans of closed triangle meshes, by manifold3d, with each facet's own facet kept."""

from __future__ import annotations

import importlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from pipeline.errors import GeometryError
from pipeline.geometry import Floats, Ints, Mask


@dataclass(frozen=True)
class MeshSolid:
    """A closed mesh that booleans take; `mesh_solid` makes it.

    made    manifold3d's
    idents  what it knows the meshes by that this one is made of
    starts  with which number the facets of each begin
    """

    made: Any
    idents: tuple[int, ...]
    starts: tuple[int, ...] = (0,)

    @property
    def volume(self) -> float:
        """mm3."""
        return float(self.made.volume())


@dataclass(frozen=True)
class Cutting:
    """What a boolean leaves: a closed mesh, welded; nothing where it has no facets.

    vertices  (n, 3) mm
    faces     (m, 3) counter-clockwise from outside
    of_tool   (m,) whether a facet is (a piece of) one of the tool's, turned inside out where it cuts
    facet     (m,) which of the body's or of the tool's facets it is (a piece of)
    volume    mm3
    """

    vertices: Floats
    faces: Ints
    of_tool: Mask
    facet: Ints
    volume: float


def mesh_solid(vertices: ArrayLike, faces: ArrayLike, what: str) -> MeshSolid:
    """The solid that a mesh bounds, vertices (n, 3) mm and faces (m, 3).

    what  how an error names it

    Raises GeometryError where the mesh is open, has an edge of more than two facets, or is inside out.

    >>> corners = [[0, 0, 0], [9, 0, 0], [0, 9, 0], [0, 0, 9]]
    >>> mesh_solid(corners, [[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]], "it").volume
    121.5
    """
    library: Any = importlib.import_module("manifold3d")
    points = np.array(vertices, np.float64, order="C")  # the library takes no array that is read only
    corners = np.array(faces, np.uint64, order="C").reshape(-1, 3)
    ident = library.Manifold.reserve_ids(1)
    # Facet numbers come through a boolean only where all three are given: the run, its number and each facet's.
    mesh = library.Mesh64(
        points,
        corners,
        face_id=np.arange(len(corners), dtype=np.uint64),
        run_original_id=np.array([ident], np.uint32),
        run_index=np.array([0, 3 * len(corners)], np.uint64),
    )
    made = library.Manifold(mesh)
    # An open mesh gives an empty solid without an exception, one that is inside out a negative volume.
    if made.status() != library.Error.NoError or made.is_empty():
        raise GeometryError(
            f"{what} is not closed all round, so it bounds no volume; close its gaps, or take another file of it."
        )
    if made.volume() <= 0.0:
        raise GeometryError(f"{what} is inside out; turn its facets round, so that they look out of the material.")
    return MeshSolid(made, (int(ident),))


def united(solids: Sequence[MeshSolid], facets: Sequence[int]) -> MeshSolid:
    """One solid of several that may cross each other; its facets are numbered through, of `facets` each.

    >>> corners = [[0, 0, 0], [9, 0, 0], [0, 9, 0], [0, 0, 9]]
    >>> one = mesh_solid(corners, [[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]], "it")
    >>> united([one, one], [4, 4]).volume
    121.5
    """
    library: Any = importlib.import_module("manifold3d")
    made = library.Manifold.batch_boolean([solid.made for solid in solids], library.OpType.Add)
    starts = np.concatenate([[0], np.cumsum(facets)[:-1]])
    return MeshSolid(made, tuple(solid.idents[0] for solid in solids), tuple(map(int, starts)))


def split(body: MeshSolid, tool: MeshSolid) -> tuple[Cutting, Cutting]:
    """What a tool takes of a body, and what it leaves.

    >>> corners = np.array([*np.ndindex(2, 2, 2)], float)
    >>> sides = [[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [1, 5, 7, 3], [0, 2, 6, 4]]
    >>> faces = [[s[0], s[k], s[k + 1]] for s in sides for k in (1, 2)]
    >>> body, tool = mesh_solid(8 * corners, faces, "body"), mesh_solid(4 * corners + [2, 2, 5], faces, "tool")
    >>> taken, left = split(body, tool)
    >>> taken.volume, left.volume, len(np.unique(left.facet[left.of_tool])) / 2
    (48.0, 464.0, 5.0)
    """
    taken, left = body.made.split(tool.made)
    return _read(taken, tool), _read(left, tool)


def _read(made: Any, tool: MeshSolid) -> Cutting:
    mesh = made.to_mesh64()
    ends = np.asarray(mesh.run_index, np.int64) // 3
    runs = ends[1:] - ends[:-1]
    idents = np.asarray(mesh.run_original_id, np.int64)
    of_tool = np.repeat(np.isin(idents, tool.idents), runs)
    start = dict(zip(tool.idents, tool.starts, strict=True))
    shift = np.repeat([start.get(int(ident), 0) for ident in idents], runs)
    return Cutting(
        np.asarray(mesh.vert_properties, np.float64).reshape(-1, 3),
        np.asarray(mesh.tri_verts).astype(np.int32).reshape(-1, 3),
        of_tool,
        (np.asarray(mesh.face_id).astype(np.int64) + shift).astype(np.int32),
        float(made.volume()),
    )
