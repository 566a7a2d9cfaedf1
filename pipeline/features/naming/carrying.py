"""Numbers carried over from the scan before to this one, by where features lie to each other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.features.joining import MARGIN, Pose, Scene, at, is_fixed, moved, poses
from pipeline.features.naming.numbering import numbers_for
from pipeline.geometry import Floats, transformed
from pipeline.surfaces import KINDS, shape_of, signed_distance, surface_normal
from pipeline.values import Feature, NameBook, NumberedFeature

SEEN = 12  # points that stand for what was seen of a feature
SURE_SHARE = 0.9  # of what could be explained: with more the part is no mirror image
LOOKED_AT = 3000  # of so many at most they are chosen
TOLD = 8  # numbers in a sentence


@dataclass(frozen=True)
class Numbering:
    """ids of the features in their order; the book for the next run; and what the user is to be told of it."""

    ids: tuple[str, ...]
    book: NameBook
    cautions: tuple[str, ...]


def carried_over(book: NameBook, features: Sequence[Feature], points: Sequence[Floats], scan: str) -> Numbering:
    """Numbers for the features of a scan: those of the book where it is sure which they belong to, else new ones.

    points  (n, 3) each, mm: where each feature was seen
    scan    SHA-256 of the scan's file: in the scan that the book was written for, places are the same
    A number goes over where all poses that explain the features about equally well give it to one and the same. One
    that was given once is given to no other feature.

    >>> from tests.features.made import block, posed, pose, spots
    >>> first = carried_over(NameBook(), block(), spots(block()), "a")
    >>> again = posed(block()[1:], pose(5))
    >>> then = carried_over(first.book, again, spots(again), "b")
    >>> first.ids[0], then.ids == first.ids[1:], len(then.book.features) == len(first.book.features)
    ('F1', True, True)
    """
    now = Scene(tuple(entry_of(f, p) for f, p in zip(features, points, strict=True)))
    before = Scene(tuple(f for f in book.features if f.placed and _is_whole(f)))
    told: tuple[str, ...] = ()
    if not before.features:
        found = []
    elif scan == book.scan:
        found = [at(np.eye(4), before, now)]
    else:
        found, told = _found(before, now)
    sure = sorted(set.intersection(*(set(pose.pairs) for pose in found))) if found else []
    given = {j: before.features[i].id for i, j in sure}
    fresh = [j for j in range(len(features)) if j not in given]
    made = numbers_for([features[j] for j in fresh], [f.id for f in book.features])
    ids = given | dict(zip(fresh, made, strict=True))
    numbers = tuple(ids[j] for j in range(len(features)))
    if told:  # another part, it seems: the numbers of this one stay where they are
        return Numbering(numbers, book, told)
    fixed = len(found) == 1 and (scan == book.scan or is_fixed(found[0], before, now))
    motion = found[0].motion if fixed else None
    kept = {ids[j]: replace(now.features[j], id=ids[j]) for _, j in sure}
    left = [kept[f.id] if f.id in kept else moved(f, motion) for f in book.features]
    new = [replace(now.features[j], id=ids[j]) for j in sorted(fresh, key=lambda j: order_of(ids[j]))]
    gaps = [
        replace(g, centre=None if motion is None or g.centre is None else transformed(motion, g.centre))
        for g in book.gaps
    ]
    return Numbering(numbers, NameBook(scan, (*left, *new), tuple(gaps)), _told(found, before, numbers, given))


def entry_of(feature: Feature, points: Floats) -> NumberedFeature:
    """What a later run knows the feature by; points (n, 3), mm, are where it was seen.

    >>> from tests.features.made import bore
    >>> drill = bore("H1", (0, 0, 0), (0, 0, 1), 5.0)
    >>> entry_of(drill, np.array([[5.001, 0.0, 1.0], [0.0, 4.999, 2.0]])).seen.round(6).tolist()
    [[5.0, 0.0, 1.0], [0.0, 5.0, 2.0]]
    """
    shape = shape_of(feature)
    spots = _spread(np.asarray(points, dtype=float))
    spots = spots - signed_distance(shape, spots)[:, None] * surface_normal(shape, spots)
    return NumberedFeature(
        feature.id, feature.kind, feature.side, feature.confidence == "good", shape.point, shape.direction,
        shape.radius, shape.half_angle, shape.major_radius, shape.orientation, spots,
    )  # fmt: skip


def _is_whole(f: NumberedFeature) -> bool:
    """Whether an entry has all that its kind has; what isn't known here has no kind."""
    sizes = {"a": f.direction, "r": f.radius, "h": f.half_angle, "R": f.major_radius, "t": f.orientation}
    return f.kind in KINDS and all(sizes.get(name, 0.0) is not None for name in KINDS[f.kind].parameters)


def order_of(ident: str) -> tuple[str, int]:
    """By what numbers are sorted: H2 before H10.

    >>> sorted(["H10", "F1", "H2"], key=order_of)
    ['F1', 'H2', 'H10']
    """
    letter = ident.rstrip("0123456789")
    return letter, int(ident[len(letter) :] or 0)


def _spread(points: Floats) -> Floats:
    """(SEEN, 3) of the points, each the farthest from those before it."""
    points = points[:: max(1, len(points) // LOOKED_AT)]
    far = np.linalg.norm(points - points.mean(axis=0), axis=1)
    chosen: list[int] = []
    for _ in range(min(SEEN, len(points))):
        chosen.append(int(np.argmax(far)))
        step = np.linalg.norm(points - points[chosen[-1]], axis=1)
        far = step if len(chosen) == 1 else np.minimum(far, step)
    return points[chosen]


def _found(before: Scene, now: Scene) -> tuple[list[Pose], tuple[str, ...]]:
    """The poses in which the scan may lie to the one before, and what is to be told where there are none."""
    found = poses(before, now)
    best = found[0].score if found else 0.0
    if best < SURE_SHARE * min(before.weights.sum(), now.weights.sum()):
        mirrored = poses(before.mirrored(), now)
        if mirrored and mirrored[0].score > best + MARGIN:
            return [], (
                "This scan shows the mirror image of the part whose numbers stand in names.json: none of them is "
                "carried over and that file is left as it is; choose another --out for the other hand.",
            )
    if not found:
        return [], (
            "No place was found in which the features of this scan lie as those in names.json do: none of the numbers "
            "is carried over and that file is left as it is; choose another --out for another part, or take the file "
            "away to count anew.",
        )
    return found, ()


def _told(found: Sequence[Pose], before: Scene, ids: Sequence[str], given: Mapping[int, str]) -> tuple[str, ...]:
    """What is to be said of numbers that were not carried over."""
    lost = [f.id for f in before.features if f.sure and f.id not in set(given.values())]
    new = [ident for j, ident in enumerate(ids) if j not in given]
    doubtful = {before.features[i].id for pose in found for i, _ in pose.pairs} - set(given.values())
    out = []
    if len(found) > 1 and doubtful:
        again = [ident for ident in lost if ident in doubtful]
        out.append(
            f"The part's features lie the same in {len(found)} poses, so that it can't be told which of them "
            f"{_listed(again)} of the scan before are: new numbers were given, {_listed(new)}; what the job says of "
            "the old ones has to be written anew."
        )
        lost = [ident for ident in lost if ident not in doubtful]
    if lost:
        out.append(f"Not found again in this scan: {_listed(lost)}; their numbers are kept for them.")
    return tuple(out)


def _listed(ids: Sequence[str]) -> str:
    return ", ".join(ids[:TOLD]) + (f" and {len(ids) - TOLD} more" if len(ids) > TOLD else "")
