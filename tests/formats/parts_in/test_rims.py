"""Facets at the rims of features, on a turned part of which few facets say what they are."""

from __future__ import annotations

import numpy as np

from pipeline.fitup import turned_body
from pipeline.formats.parts_in.rims import grown_labels


def test_facets_are_taken_as_far_as_they_lie_on_the_surface_and_touch() -> None:
    """The end face of a rod is one star of facets; its side touches it, but lies off its plane."""
    rod = turned_body("rod", [(0, 20), (50, 20)], 0.01)
    one = np.flatnonzero(rod.labels == 0)[0]
    few = np.full(len(rod.labels), -1, np.int32)
    few[one] = 0
    grown = grown_labels(rod.surface, few, rod.seen, rod.features, 0.001)
    assert (grown == np.where(rod.labels == 0, 0, -1)).all()
    unseen = rod.seen.copy()
    unseen[np.flatnonzero(rod.labels == 0)[5:]] = False
    assert (grown_labels(rod.surface, few, unseen, rod.features, 0.001) == 0).sum() == 5
    untouched = np.full(len(rod.labels), -1, np.int32)
    assert (grown_labels(rod.surface, untouched, rod.seen, rod.features, 0.001) == -1).all()
