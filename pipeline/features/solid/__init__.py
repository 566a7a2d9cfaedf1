"""A light mesh with features made ready for a solid: sharp edges, exact borders, faces and the edges round them."""

from __future__ import annotations

from pipeline.features.solid.caps import NEVER_SEEN, capped
from pipeline.features.solid.charts import Chart, step_of
from pipeline.features.solid.curves import Curve
from pipeline.features.solid.model import CUT_OFF_RIGHT, Model, model_of, volume_of, with_sharp_edges, without_faces
from pipeline.features.solid.outline import Outline
from pipeline.features.solid.parameter_curves import ParameterCurve, laid_out

__all__ = [
    "CUT_OFF_RIGHT",
    "NEVER_SEEN",
    "Chart",
    "Curve",
    "Model",
    "Outline",
    "ParameterCurve",
    "capped",
    "laid_out",
    "model_of",
    "step_of",
    "volume_of",
    "with_sharp_edges",
    "without_faces",
]
