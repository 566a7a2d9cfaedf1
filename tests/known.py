"""Stage results of a demo scan with its features known from the design: for tests of what comes after recovery."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.values import (
    CleanResult,
    Extent,
    Feature,
    FillResult,
    Form,
    NoiseModel,
    RecoverResult,
    Source,
    Uncertainty,
)
from pipeline.values.surface import Surface
from sample_meshes.make_scan import Scan, _on_face

FEWEST = 40


@dataclass(frozen=True)
class Known:
    clean: CleanResult
    recover: RecoverResult
    fill: FillResult
    source: Source
    scan: Scan

    def label(self, name: str) -> int:
        """Index of the feature of that name."""
        return next(k for k, f in enumerate(self.recover.features) if f.id == name)


def known(scan: Scan) -> Known:
    """The features are the design's own, carried by the facets that lie on them exactly before noise."""
    turn, shift = scan.to_scan[:3, :3], scan.to_scan[:3, 3]
    seen = {f["name"]: f for f in scan.truth["features"]}  # type: ignore[union-attr, index]
    inside = scan.to_part(scan.true_vertices)
    labels = np.full(len(scan.faces), -1, dtype=np.int32)
    features: list[Feature] = []
    for face in scan.part.faces:
        mine = np.flatnonzero(scan.label == face.number)
        mine = mine[_on_face(face, inside[scan.faces[mine].ravel()], 0.0).reshape(-1, 3).all(axis=1)]
        if face.name not in seen or len(mine) < FEWEST:
            continue
        truth = seen[face.name]
        labels[mine] = len(features)
        features.append(
            Feature(
                face.name,
                truth["kind"],
                truth["side"],
                turn @ np.array(truth["point"]) + shift,
                None if truth["direction"] is None else turn @ np.array(truth["direction"]),
                truth["radius"],
                Uncertainty(0.002, 1e-4, 0.002, "from the design"),
                Form(0.012, 0.08, 1.0, "form"),
                Extent(truth["area"], len(mine)),
                None if truth.get("half_angle") is None else float(np.radians(truth["half_angle"])),
                truth.get("major_radius"),
            )
        )
    sigma = float(scan.truth["noise"]["white"])  # type: ignore[index]
    low, high = scan.vertices.min(axis=0), scan.vertices.max(axis=0)
    source = Source(
        "scan", "", len(scan.faces), len(scan.vertices), "mm", 1.0, sigma, scan.edge, (tuple(low), tuple(high))
    )
    surface = Surface.measured(scan.vertices, scan.faces)
    recover = RecoverResult(tuple(features), labels, NoiseModel(sigma, sigma, np.zeros((1, 2)), "given"))
    return Known(CleanResult(surface, (), 0.0), recover, FillResult(surface, labels, ()), source, scan)
