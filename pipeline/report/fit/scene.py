"""The placed parts as the page's 3D view draws them."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from typing import Any

import numpy as np

from pipeline.fitup import Placed
from pipeline.geometry import box_of
from pipeline.palette import PALE, TINTED, Paint, colour, colour_of, part_look
from pipeline.report import HATCHES
from pipeline.values import FILLED

_IN_3D = ("paper", "ink", "no feature", "unknown", "filled", "chosen", "faded")


def scene_of_parts(parts: Mapping[str, Placed]) -> dict[str, Any]:
    """What the 3D view draws: every part in a look of its own; what was never measured as what was filled.

    Positions are whole numbers of a step that no eye can see.
    """
    counts = [len(part.vertices) for part in parts.values()]
    starts = np.cumsum([0, *counts[:-1]])
    vertices = np.vstack([part.vertices for part in parts.values()])
    surfaces = [part.body.surface for part in parts.values()]
    faces = np.vstack([s.faces + start for s, start in zip(surfaces, starts, strict=True)])
    labels = np.repeat(np.arange(len(parts)), [s.facets for s in surfaces])
    unseen = np.concatenate([~part.body.seen for part in parts.values()])
    low, high = box_of(vertices)
    centre, step = (low + high) / 2, np.maximum(high - low, 1e-6) / 65000
    kinds = np.zeros((len(parts), 4), np.uint8)
    for number in range(len(parts)):
        look = part_look(number)
        kinds[number] = (*colour_of(Paint(look.lightness, look.chroma, look.hue)), HATCHES.index(look.hatch))
    return {
        "positions": _base64(np.round((vertices - centre) / step).astype("<i2").tobytes()),
        "faces": _base64(faces.astype("<u4").tobytes()),
        "labels": _base64(labels.astype("<i4").tobytes()),
        "origins": _base64(np.where(unseen, FILLED, 0).astype(np.uint8).tobytes()),
        "step": [float(x) for x in step],
        "centre": [float(x) for x in centre],
        "size": float(np.linalg.norm(high - low)),
        # Painted by part alone: what deviations would be painted with is one white pixel.
        "ramp": _base64(bytes([255] * 4)),
        "ramp_size": 1,
        "limit": 1.0,
        "lined": 1.0,
        "kinds": _base64(kinds.tobytes()),
        "colours": {name: [c / 255 for c in colour(name)] for name in _IN_3D},
        "tinted": TINTED,
        "pale": PALE,
        "datum_marks": [],
        "said": list(parts),
        "datum_features": [],
    }


def _base64(raw: bytes) -> str:
    return base64.b64encode(raw).decode("ascii")
