"""A block with a bore as a part of fit-up, every place of it known equally well."""

from __future__ import annotations

import numpy as np

from pipeline.fitup import Body, Placed, item_in_words, placed
from pipeline.fitup.cuts import Cut, cut_part
from pipeline.layout import CutQuestion
from pipeline.surfaces import kind_of
from pipeline.values import Extent, Feature, Form, Surface, Uncertainty
from tests.pierced_block import BORE, HEIGHT, SHAPES, pierced_block

SIGMA = 0.01
NAMES = ("top", "bottom", "bore", "right", "back", "left", "front")


def block_body(around: int = 48) -> Body:
    """The block of 60 x 40 x 20, top at z = 20, with its bore of 16 through, in the middle."""
    surface, labels = pierced_block(around=around)
    features = []
    for k, shape in enumerate(SHAPES):
        flat = kind_of(shape).flat
        known = Uncertainty(SIGMA if flat else 0.0, 0.0, None if flat else SIGMA, "given")
        extent = Extent(1.0, 0) if flat else Extent(1.0, 0, HEIGHT, 2 * np.pi, (-HEIGHT / 2, HEIGHT / 2))
        side = "bore" if k == BORE else None
        form = Form(0.0, 0.0, 1.0, "none")
        features.append(
            Feature(NAMES[k], shape.kind, side, shape.point, shape.direction, shape.radius, known, form, extent)
        )
    return Body("block", surface, labels.astype(np.int32), tuple(features))


def standing(body: Body) -> Placed:
    return Placed(body, placed([]))


def cut(part: Placed, **question: object) -> Cut:
    return cut_part(
        part, CutQuestion(part="block", **question), lambda *words: item_in_words(part.body, *words), "the cut of block"
    )


def with_void(body: Body, half: float, middle: tuple[float, float, float]) -> Body:
    """The same with a cube of air inside."""
    corners = (2.0 * np.array([*np.ndindex(2, 2, 2)]) - 1.0) * half + middle
    sides = [[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [1, 5, 7, 3], [0, 2, 6, 4]]
    faces = np.array([[s[0], s[k + 1], s[k]] for s in sides for k in (1, 2)]) + len(body.surface.vertices)
    surface = Surface.measured(
        np.vstack([body.surface.vertices, corners]), np.vstack([body.surface.faces, faces]).astype(np.int32)
    )
    labels = np.concatenate([body.labels, np.full(len(faces), -1)]).astype(np.int32)
    return Body(body.name, surface, labels, body.features)
