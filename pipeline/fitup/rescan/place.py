"""Where a rescan lies on a plan: by what no cut was to touch, features and skin of both.

Of a part that was scanned before its cuts the skin tells where the rescan lies as features do (`features.joining`); of
one that was drawn features alone do, since a casting's skin is not where a drawing has it. A casting that moved when it
was cut has moved skin too: where the two together give no place, features alone are asked.
"""

from __future__ import annotations

from collections.abc import Container, Sequence
from dataclasses import replace

import numpy as np

from pipeline.errors import InputError
from pipeline.features.joining import (
    Joined,
    Scene,
    SetUp,
    all_pairs,
    joined_by_features,
    poses,
    set_up_poses,
    shared_misfits,
)
from pipeline.features.naming import entry_of
from pipeline.fitup import Body
from pipeline.geometry import undone
from pipeline.mesh.topology import mean_edge
from pipeline.values import NoiseModel, NumberedFeature, Surface


def place(plan: Body, rescan: Body) -> Joined:
    """How a rescan lies, in the plan's coordinates, with the pairs of features that it rests on and those apart.

    Raises InputError where it can't be laid on the plan, or in more than one way.

    >>> from pipeline.fitup import turned_body
    >>> bar = turned_body("bar", [(0, 40), (50, 40), (50, 30), (70, 30)], 0.01)
    >>> try:
    ...     place(bar, bar)
    ... except InputError as error:
    ...     print(error)
    The features that no cut touches leave the rescan free to move; scan more of the part.
    """
    if plan.scale is not None and rescan.scale is not None:
        found = _by_features_and_skin(plan, rescan)
        if found is not None:
            return found
    return _by_features(plan, rescan)


def _by_features_and_skin(plan: Body, rescan: Body) -> Joined | None:
    """None where that does not give one place."""
    (old, stays), (new, laid) = _set_up(plan, skip=plan.planned), _set_up(rescan)
    found = set_up_poses(stays, laid)
    if len(found) != 1 or len(found[0].open):
        return None
    shared = shared_misfits(stays, laid, found[0], all_pairs(stays, laid, found[0]))
    told = [(replace(one, pair=(old[one.pair[0]], new[one.pair[1]])), one.pair, apart) for one, apart in shared]
    used = tuple(one for one, pair, apart in told if not apart and pair in found[0].pairs)
    return Joined(found[0].motion, found[0].covariance, used, tuple(one for one, _, apart in told if apart))


def _by_features(plan: Body, rescan: Body) -> Joined:
    old, new = _entries(plan, skip=plan.planned), _entries(rescan)
    found = poses(Scene(tuple(e for _, e in old)), Scene(tuple(e for _, e in new)))
    if not found:
        raise InputError(
            "The rescan doesn't lie on the part in any way: hardly any feature that no cut touches is found again; "
            "check that it is this part, and its unit."
        )
    if len(found) > 1:
        raise InputError(
            f"The rescan lies on the part in {len(found)} ways, which what no cut touches can't tell apart; scan a "
            "feature that only one of them has."
        )
    pairs = [(old[i][0], new[j][0]) for i, j in found[0].pairs]
    joined = joined_by_features(plan.features, rescan.features, pairs, undone(found[0].motion))
    if joined is None:
        raise InputError("The features that no cut touches leave the rescan free to move; scan more of the part.")
    return joined


def _entries(body: Body, skip: Container[str] = ()) -> list[tuple[int, NumberedFeature]]:
    """Which features have facets, and what the search for the pose knows them by."""
    out = []
    for k, feature in enumerate(body.features):
        mine = body.surface.faces[(body.labels == k) & body.seen]
        if feature.id not in skip and len(mine):
            out.append((k, entry_of(feature, body.surface.vertices[np.unique(mine)])))
    return out


def _set_up(body: Body, skip: Container[str] = ()) -> tuple[Sequence[int], SetUp]:
    """What was measured of a body as a scan that can be joined, without features that are skipped; and which of the
    body's features its own ones are."""
    entries = _entries(body, skip)
    which = [k for k, _ in entries]
    skipped = [k for k, feature in enumerate(body.features) if feature.id in skip]
    keep = body.seen & ~np.isin(body.labels, skipped)
    number = np.full(len(body.features) + 1, -1, dtype=np.int32)
    number[which] = np.arange(len(which), dtype=np.int32)
    surface = Surface.measured(body.surface.vertices, body.surface.faces[keep])
    # What lightening left of the scan is off by as much as its bound anywhere within, alike over a facet.
    spread = body.bound / float(np.sqrt(3.0))
    noise = NoiseModel(
        body.noise,
        float(np.hypot(body.noise, spread)),
        np.array([[body.noise, 0.0], [spread, mean_edge(surface.vertices, surface.faces)]]),
        "of the scan, and the bound of its light mesh",
    )
    features = tuple(body.features[k] for k in which)
    return which, SetUp(surface, number[body.labels[keep]], features, Scene(tuple(e for _, e in entries)), noise)
