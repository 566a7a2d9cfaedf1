"""Which vertices carry which feature, simplification within a bound or for a picture, and the audit
of what it cost."""

from __future__ import annotations

from pipeline.features.simplification.audit import (
    Distances,
    best_fit,
    compare_features,
    filled_apart,
    labels_by_nearness,
    moved_by,
    soundness,
    two_sided,
)
from pipeline.features.simplification.bounded_simplification import lightened_within, stands_out
from pipeline.features.simplification.edge_chords import brought_out
from pipeline.features.simplification.edges_cut_off import cut_off
from pipeline.features.simplification.feature_association import (
    ROUNDING,
    Target,
    noise_reach,
    on_features,
    snapping_reach,
    tangled,
    target_surface,
    with_sharp_edges,
)
from pipeline.features.simplification.preview import preview
from pipeline.features.simplification.second_opinion import measured_again
from pipeline.features.simplification.vertex_placement import best_placed

__all__ = [
    "ROUNDING",
    "Distances",
    "Target",
    "best_fit",
    "best_placed",
    "brought_out",
    "compare_features",
    "cut_off",
    "filled_apart",
    "labels_by_nearness",
    "lightened_within",
    "measured_again",
    "moved_by",
    "noise_reach",
    "on_features",
    "preview",
    "snapping_reach",
    "soundness",
    "stands_out",
    "tangled",
    "target_surface",
    "two_sided",
    "with_sharp_edges",
]
