"""A folder of small made scans of one sort of part: drums whose diameters are known, and files that are none."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import trimesh

from tests.campaign.seeds import drum_of, stl

JOB = """\
scan = "any.stl"
[frame]
A = "S1"
z = "along A"
[lighten]
facets = 200
[audit]
max_deviation = 0.5
[export]
step = "none"
dxf = false
report = false
"""
NOISE = 0.01


def drum(path: Path, radius: float, seed: int) -> None:
    """A scan of a drum of a radius and a height of 20 mm, turned and shifted by its seed."""
    made = drum_of(radius, 20.0)
    chance = np.random.default_rng(seed)
    points = made.vertices + NOISE * chance.normal(size=made.vertices.shape)
    move = trimesh.transformations.random_rotation_matrix(chance.random(3))
    path.write_bytes(stl((points @ move[:3, :3].T + chance.normal(0.0, 5.0, 3))[made.faces]))


def folder(place: Path, radii: Sequence[float | None]) -> Path:
    """part 1.stl, part 2.stl ...; None is a file that is cut short. job.toml stands beside the folder."""
    scans = place / "castings"
    scans.mkdir()
    for number, radius in enumerate(radii, 1):
        path = scans / f"part {number}.stl"
        drum(path, 10.0 if radius is None else radius, number)
        if radius is None:
            path.write_bytes(path.read_bytes()[:1000])
    (place / "job.toml").write_text(JOB)
    return scans
