"""Scans of one part laid on each other by the features that they share, and by the skin that both saw."""

from __future__ import annotations

from pipeline.features.joining.checks import bend_between, misfit_map, scale_between, shared_misfits
from pipeline.features.joining.feature_pose import (
    Joined,
    Misfit,
    at_corner,
    by_pose,
    by_pose_along,
    joined_by_features,
    misfit,
)
from pipeline.features.joining.overlap import SetUp
from pipeline.features.joining.pose_search import MARGIN, Pose, Scene, at, is_fixed, moved, poses
from pipeline.features.joining.reference_balls import (
    BallSize,
    at_known_size,
    ball_pairs,
    balls_of,
    distances_alike,
    is_ball,
    without_balls,
)
from pipeline.features.joining.set_up_pose import (
    Across,
    SetUpPose,
    Word,
    agreeing,
    all_pairs,
    moved_on,
    parts_moved_on,
    set_up_poses,
    settled_from,
)
from pipeline.features.joining.together import Common, Laid, fitted_together, same_features

__all__ = [
    "MARGIN",
    "Across",
    "BallSize",
    "Common",
    "Joined",
    "Laid",
    "Misfit",
    "Pose",
    "Scene",
    "SetUp",
    "SetUpPose",
    "Word",
    "agreeing",
    "all_pairs",
    "at",
    "at_corner",
    "at_known_size",
    "ball_pairs",
    "balls_of",
    "bend_between",
    "by_pose",
    "by_pose_along",
    "distances_alike",
    "fitted_together",
    "is_ball",
    "is_fixed",
    "joined_by_features",
    "misfit",
    "misfit_map",
    "moved",
    "moved_on",
    "parts_moved_on",
    "poses",
    "same_features",
    "scale_between",
    "set_up_poses",
    "settled_from",
    "shared_misfits",
    "without_balls",
]
