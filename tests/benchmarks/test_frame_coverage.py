"""Does the frame's error lie within its 95 % interval, 90 to 99 times in 100? Forty noisy scans of the demo part.

The geometry is the demo's, so the truth is exact; each scan has fresh white and correlated noise. Faces come from
the design's own labels, kept away from their rims, so that this tests the fits' uncertainty and the frame's, not the
segmentation; every figure that enters (noise model, fits, covariances) is learnt from the noisy scan alone.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial import cKDTree
from scipy.stats import chi2

from pipeline.features.datums.datum_system import Datums, frame_of, reach_of, solve_chosen
from pipeline.features.datums.designation import Choice
from pipeline.features.fitting.least_squares import fit
from pipeline.features.uncertainty import FittedFace, learn_noise, white_sigma
from pipeline.features.uncertainty.propagation import assess
from pipeline.mesh.topology.measures import median_edge, vertex_normals
from pipeline.surfaces.shape import Shape, shape_of
from pipeline.values import Extent, Feature, Form
from sample_meshes.make_scan import Noise, noise_along_normal
from tests.scans import demo_scan

SCANS = 40
RIM = 1.8  # mm that a face's points stay away from its rim
USED = (
    "foot bottom", "flange face", "bearing seat A", "bearing seat B", "seal bore", "coupling end face",
    "bolt hole 1", "bolt hole 5", "cross bore", "ball seat",
)  # fmt: skip
CHOICES = {
    "plane plane plane": ("foot bottom", "flange face", "bolt hole 1"),
    "plane axis plane": ("flange face", "bearing seat A", "foot bottom"),
    "plane two holes": ("flange face", "bolt hole 1", "bolt hole 5"),
    "axis plane point": ("bearing seat B", "coupling end face", "ball seat"),
    "common axis": (("bearing seat A", "bearing seat B"), "flange face", "foot bottom"),
}


@pytest.fixture(scope="module")
def ground():
    """The scan without noise, each used face's vertices, and its exact feature in scan coordinates."""
    scan = demo_scan(150_000, 3)
    vertices, faces = scan.true_vertices, scan.faces
    normals = vertex_normals(vertices, faces)
    turn, shift = scan.to_scan[:3, :3], scan.to_scan[:3, 3]
    members, exact = {}, {}
    for name in USED:
        face = scan.face(name)
        mine = scan.label == face.number
        inside = np.setdiff1d(np.unique(faces[mine]), np.unique(faces[~mine]))
        away, _ = cKDTree(vertices[np.unique(faces[~mine])]).query(vertices[inside])
        members[name] = inside[away > RIM]
        point = turn @ face.point + shift
        direction = None if face.direction is None else turn @ face.direction
        exact[name] = Shape(face.kind, point, direction, face.radius, None, None)
    return scan, vertices, faces, normals, members, exact


def features_of(vertices, faces, normals, members, exact, seed) -> list[Feature]:
    rng = np.random.default_rng([seed, 77])
    noisy = vertices + normals * noise_along_normal(vertices, Noise(), rng)[:, None]
    fits = {name: fit(exact[name].kind, noisy[members[name]], exact[name]) for name in members}
    white = white_sigma(noisy, faces)
    seen = [FittedFace(fits[n].shape, noisy[members[n]]) for n in members]
    model = learn_noise(seen, white, median_edge(noisy, faces))
    out = []
    for name, made in fits.items():
        known = assess(made.shape, noisy[members[name]], made.weights, model)
        shape = made.shape
        out.append(
            Feature(
                name, shape.kind, None, shape.point, shape.direction, shape.radius, known,
                Form(0.0, 0.0, 1.0, "form"), Extent(1.0, len(members[name]), 20.0),
            )
        )  # fmt: skip
    return out


def truly(found: Feature, exact: Shape) -> Feature:
    """The exact feature with its point as near to the found one's as it may lie."""
    if exact.direction is None:
        return replace(found, point=exact.point)
    off = found.point - exact.point
    along = float(off @ exact.direction)
    if exact.kind == "plane":
        return replace(found, point=found.point - along * exact.direction, direction=exact.direction)
    direction = exact.direction * np.sign(exact.direction @ found.direction)
    return replace(found, point=exact.point + along * exact.direction, direction=direction)


@pytest.mark.slow
def test_frames_cover_the_truth(ground) -> None:
    _, vertices, faces, normals, members, exact = ground
    joint = {name: [] for name in CHOICES}
    single = {name: [] for name in CHOICES}
    for seed in range(SCANS):
        features = features_of(vertices, faces, normals, members, exact, seed)
        true = [truly(f, exact[f.id]) for f in features]
        for name, chosen in CHOICES.items():
            choices = tuple(
                Choice("common axis", c) if isinstance(c, tuple) else Choice("feature", (c,)) for c in chosen
            )
            datums = Datums(choices, tuple(features), reach_of(features))
            frame, _ = frame_of(datums)
            want = solve_chosen(replace(datums, features=tuple(true)), {f.id: shape_of(f) for f in true}, {}).matrix
            error = frame.matrix @ np.linalg.inv(want)
            e = np.array([*error[:3, 3], error[2, 1], error[0, 2], error[1, 0]])
            v = frame.covariance
            shift = e[:3] @ np.linalg.solve(v[:3, :3], e[:3]) <= chi2.ppf(0.95, 3)
            turn = e[3:] @ np.linalg.solve(v[3:, 3:], e[3:]) <= chi2.ppf(0.95, 3)
            joint[name].append((shift, turn))
            single[name].append(np.abs(e) <= 1.96 * np.sqrt(np.diag(v)))
    for name in CHOICES:
        shares = [*np.mean(joint[name], axis=0), np.mean(single[name])]
        print(f"{name:<20} shift {shares[0]:.3f} turn {shares[1]:.3f} of {SCANS}, single figures {shares[2]:.3f}")
    every = np.concatenate([np.ravel(s) for s in single.values()])
    both = np.concatenate([np.ravel(s) for s in joint.values()])
    print(f"all: regions {both.mean():.3f} of {both.size}, single figures {every.mean():.3f} of {every.size}")
    assert 0.90 <= both.mean() <= 0.99
    assert 0.90 <= every.mean() <= 0.99
