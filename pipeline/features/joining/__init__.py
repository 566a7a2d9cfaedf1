"""Scans of one part laid on each other by the features that they share."""

from __future__ import annotations

from pipeline.features.joining.feature_pose import Joined, Misfit, joined_by_features, misfit
from pipeline.features.joining.pose_search import MARGIN, Pose, Scene, at, is_fixed, moved, poses

__all__ = [
    "MARGIN",
    "Joined",
    "Misfit",
    "Pose",
    "Scene",
    "at",
    "is_fixed",
    "joined_by_features",
    "misfit",
    "moved",
    "poses",
]
