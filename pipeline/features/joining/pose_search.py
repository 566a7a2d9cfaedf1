"""Where a part lies in another scan of it, told by its features alone.

Registration of primitives by hypothesis and consensus: pairs of directions, and pairs of parallel axes a distance
apart, that both sets of features have give the turn; planes, axes and centres that agree under it give the shift; what
most features agree with is refined on the points that were seen of them (point-to-surface, Gauss-Newton). A part with a
symmetry, or one of which too little was seen to break it, has several poses that are as good as each other: all of them
are returned. Nothing is drawn by lot, so that the same features give the same poses.

Lengths are mm, angles radians.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import chain, combinations, permutations, product

import numpy as np
from scipy.optimize import linear_sum_assignment
from scipy.spatial.transform import Rotation

from pipeline.features.joining.on_surfaces import equations, mean_squares
from pipeline.geometry import (
    Floats,
    Indices,
    Mask,
    cross,
    rejection,
    rigid,
    transformed,
    turned,
    undone,
    unit,
)
from pipeline.surfaces import Shape, kind_of, row_of, seen_from, shape_of
from pipeline.values import NumberedFeature

# How far two fits of one surface may be apart: the larger of both, a share of the part's size.
LEAST_APART, SHARE_APART = 0.15, 1e-3
SIZE_APART, SIZE_SHARE = 0.2, 0.01  # mm and share by which radii of one feature may differ
ANGLE_APART = np.radians(2.0)  # directions under a turn, and half angles
SAME_CLASS = np.radians(2.0)
LEAST_ANGLE = np.radians(10.0)  # between directions that give a turn
LEAST_OFFSET = 2.0  # mm between parallel axes that give a turn
OFFSET_APART = 1.0  # mm by which such offsets may differ
ENDS = 4.2  # standard deviations of what was seen between the ends of one surface that two scans saw
SUPPORT = 2.5  # standard deviations of what was seen, by which the middles of two views of it may be apart
ROUGH = 6.0  # times as far apart, before refining
UNSURE = 0.3  # what a feature of low confidence weighs
MARGIN = 0.6  # features that must speak for a pose against another one to leave that out
LITTLE = 0.12  # what a feature of a pattern says of that
FREE = 1e-3  # share of the largest singular value under which a motion is free
ENOUGH = 0.5  # share of the features, of the scan that has fewer, that a pose has to explain
# Enough of each for any part; fewer than a plate with hundreds of like holes could give.
MOST_AXES, MOST_TURNS, MOST_POSES, MOST_PAIRS = 12, 400, 80, 3000


@dataclass(frozen=True)
class Pose:
    """A place of the part.

    motion  (4, 4) from the coordinates of the one scan to those of the other
    pairs   of the features that lie on each other: places in the one and in the other
    score   how many features that explains, each counted by how well it lies and how sure it is
    """

    motion: Floats
    pairs: tuple[tuple[int, int], ...]
    score: float


@dataclass(frozen=True)
class Scene:
    """The features of one scan, all of them placed, as the search needs them."""

    features: tuple[NumberedFeature, ...]

    @cached_property
    def shapes(self) -> list[Shape]:
        return [shape_of(f) for f in self.features]  # type: ignore[arg-type]  # placed: they have a point

    @cached_property
    def seen(self) -> list[Floats]:
        return [np.asarray(f.seen, dtype=float) for f in self.features]

    @cached_property
    def table(self) -> Floats:
        """(n, ROW) the shapes as rows of a table."""
        return np.array([row_of(shape) for shape in self.shapes])

    @cached_property
    def places(self) -> tuple[Floats, Indices]:
        """(k, 3) what was seen, one feature after another, and (n + 1,) where each begins."""
        return np.concatenate(self.seen), np.cumsum([0, *(len(points) for points in self.seen)])

    @cached_property
    def points(self) -> Floats:
        """(n, 3) as of the shapes."""
        return np.array([shape.point for shape in self.shapes]).reshape(-1, 3)

    @cached_property
    def directions(self) -> Floats:
        """(n, 3), zero where there is none."""
        return np.array([np.zeros(3) if s.direction is None else s.direction for s in self.shapes]).reshape(-1, 3)

    @cached_property
    def oriented(self) -> Mask:
        """(n,) whether a direction has a sense: outwards, or the way a radius grows."""
        return np.array([kind_of(s).flat or kind_of(s).tapered for s in self.shapes], dtype=bool)

    @cached_property
    def middles(self) -> Floats:
        """(n, 3) of what was seen."""
        return np.array([points.mean(axis=0) for points in self.seen]).reshape(-1, 3)

    @cached_property
    def spreads(self) -> Floats:
        """(n, 3, 3) covariance of what was seen, mm2."""
        return np.array([np.cov(points.T, bias=True) for points in self.seen]).reshape(-1, 3, 3)

    @cached_property
    def all_round(self) -> tuple[Floats, Floats]:
        """Middles (n, 3) and spreads (n, 3, 3) as if what is round had been seen from all sides: two scans see opposite
        walls of one hole."""
        middles, spreads = self.middles.copy(), self.spreads.copy()
        for k, (shape, points) in enumerate(zip(self.shapes, self.seen, strict=True)):
            if kind_of(shape).flat:
                continue
            axis = np.zeros(3) if shape.direction is None else shape.direction
            along = (points - shape.point) @ axis
            aside = points - shape.point - along[:, None] * axis
            line = np.outer(axis, axis)
            middles[k] = shape.point + along.mean() * axis
            across = np.mean(np.sum(aside**2, axis=1)) / (3.0 - np.trace(line))
            spreads[k] = along.var() * line + across * (np.eye(3) - line)
        return middles, spreads

    @cached_property
    def anchors(self) -> Floats:
        """(n, 3, 3) projectors onto the directions in which a surface fixes its place."""
        out = []
        for shape in self.shapes:
            kind, d = kind_of(shape), shape.direction
            if d is None or kind.centred:
                out.append(np.eye(3))
            else:
                out.append(np.outer(d, d) if kind.flat else np.eye(3) - np.outer(d, d))
        return np.array(out).reshape(-1, 3, 3)

    @cached_property
    def weights(self) -> Floats:
        return np.array([1.0 if f.sure else UNSURE for f in self.features])

    @cached_property
    def size(self) -> float:
        """mm, the diagonal of what was seen."""
        return max(float(np.linalg.norm(np.ptp(np.concatenate(self.seen), axis=0))), 1e-6)

    @cached_property
    def classes(self) -> list[list[int]]:
        """Features of one direction, sense aside: the classes with the most seen of them first."""
        reach = [float(np.sqrt(np.trace(spread))) for spread in self.spreads]
        found: list[list[int]] = []
        for i in sorted(range(len(self.features)), key=lambda i: -reach[i]):
            if not self.directions[i].any():
                continue
            for one in found:
                if abs(float(self.directions[i] @ self.directions[one[0]])) > np.cos(SAME_CLASS):
                    one.append(i)
                    break
            else:
                found.append([i])
        return sorted(found, key=lambda one: -sum(reach[i] for i in one))

    def mirrored(self) -> Scene:
        """The same features in a mirror, x turned round."""
        flip = np.diag([-1.0, 1.0, 1.0, 1.0])
        return Scene(tuple(moved(f, flip) for f in self.features))


def moved(entry: NumberedFeature, motion: Floats | None) -> NumberedFeature:
    """The entry after a motion (4, 4), which may be a reflection; without a place where there is no motion."""
    if motion is None or not entry.placed:
        return NumberedFeature(entry.id, entry.kind, entry.side, entry.sure)
    shape = seen_from(shape_of(entry), motion)  # type: ignore[arg-type]  # placed: it has a point
    seen = transformed(motion, np.asarray(entry.seen))
    place = {"point": shape.point, "direction": shape.direction, "orientation": shape.orientation, "seen": seen}
    return replace(entry, **place)  # type: ignore[arg-type]


def poses(before: Scene, now: Scene) -> list[Pose]:
    """All poses that explain the features about as well as the best one does, that first; none where too few agree.

    >>> from tests.features.made import block, numbered, posed, pose
    >>> there, back = numbered(block()), numbered(posed(block(), pose(3)))
    >>> (found,) = poses(Scene(there), Scene(back))
    >>> found.pairs == tuple((k, k) for k in range(11)), bool(np.allclose(found.motion, pose(3), atol=1e-9))
    (True, True)
    """
    if not before.features or not now.features:
        return []
    apart = max(LEAST_APART, SHARE_APART * max(before.size, now.size))
    fits = alike(before, now)
    if not fits.any():
        return []
    rough: list[tuple[float, Floats]] = []
    for turn in _turns(before, now, fits):
        rough += _shifts(turn, before, now, fits, ROUGH * apart)
    rough.sort(key=lambda one: -one[0])
    found: list[Pose] = []
    for score, motion in rough[:MOST_POSES]:
        if score < ENOUGH * rough[0][0]:
            break
        found.append(_refined(motion, before, now, fits, apart))
    best = max((pose.score for pose in found), default=0.0)
    if best < ENOUGH * min(before.weights.sum(), now.weights.sum()):
        return []
    found.sort(key=lambda pose: -pose.score)
    different: list[Pose] = []
    for pose in found:
        if pose.score < ENOUGH * best:
            break
        if all(_far(pose.motion @ undone(other.motion), now.middles) > 2.0 * apart for other in different):
            different.append(pose)
    first = different[0]
    lies_on = dict(first.pairs)
    patterned = {i for pose in different for i, j in pose.pairs if lies_on.get(i, j) != j}
    out = [
        pose
        for pose in different
        if _speaks_for(first, pose, before, patterned) - _speaks_for(pose, first, before, patterned) < MARGIN
    ]
    return list({pose.pairs: pose for pose in reversed(out)}.values())[::-1]


def _far(motion: Floats, points: Floats) -> float:
    """mm, how far a motion takes any of the points."""
    return float(np.linalg.norm(transformed(motion, points) - points, axis=1).max())


def _speaks_for(pose: Pose, other: Pose, before: Scene, patterned: set[int]) -> float:
    """How many features speak for one pose and against another.

    One that lies on its counterpart in the one pose, while in the other both lie where there is none, speaks for the
    one: so does the pin's hole that breaks the symmetry of a flange. A hole of the circle itself says little: each scan
    may lack another one of them, and the circle then lies best where one lack lies on the other. patterned are the
    features of before that lie on others of their sort in some pose, as those of a circle do.
    """
    there = dict(other.pairs)
    right = set(there.values())
    total = 0.0
    for i, j in pose.pairs:
        missing = (i not in there) + (j not in right)
        total += float(before.weights[i]) * (1.0 if missing == 2 and i not in patterned else LITTLE * missing)
    return total


def candidates(before: Scene, now: Scene, fits: Mask, most: int) -> list[Pose]:
    """Up to `most` poses, best first, that some features speak for, of scans that may share little.

    fits  (n, m) whether two features may be one; unlike `poses` nothing is asked of those that have no counterpart, and
          surfaces of which the scans saw different ends count as one

    >>> from tests.features.made import block, numbered, posed, pose
    >>> there, back = Scene(numbered(block()[:7])), Scene(numbered(posed(block()[3:], pose(3))))
    >>> found = candidates(there, back, alike(there, back), 9)
    >>> any(np.allclose(one.motion, pose(3), atol=1e-6) for one in found)
    True
    """
    if not fits.any():
        return []
    apart = max(LEAST_APART, SHARE_APART * max(before.size, now.size))
    rough: list[tuple[float, Floats]] = []
    for turn in _turns(before, now, fits):
        rough += _shifts(turn, before, now, fits, ROUGH * apart)
    rough.sort(key=lambda one: -one[0])
    different: list[Pose] = []
    back: list[Floats] = []
    for _, motion in rough[: 4 * most]:
        pose = _refined(motion, before, now, fits, apart, ENDS)
        if not pose.pairs:
            continue
        off = transformed(pose.motion, np.reshape(back, (-1, 3))).reshape(-1, *now.middles.shape) - now.middles
        if (np.einsum("kni,kni->kn", off, off).max(axis=1) > (2.0 * apart) ** 2).all():
            different.append(pose)
            back.append(transformed(undone(pose.motion), now.middles))
    return sorted(different, key=lambda pose: -pose.score)[:most]


def at(motion: Floats, before: Scene, now: Scene, fits: Mask | None = None) -> Pose:
    """The pose that is known already, and the features that lie on each other in it.

    fits  (n, m) as of `candidates`, of scans that may have seen different ends of one surface; else all that are alike
    """
    if not before.features or not now.features:
        return Pose(motion, (), 0.0)
    apart = max(LEAST_APART, SHARE_APART * max(before.size, now.size))
    which, support = (alike(before, now), SUPPORT) if fits is None else (fits, ENDS)
    pairs, score = _matched(motion, before, now, which, apart, support)
    return Pose(motion, pairs, score)


def alike(before: Scene, now: Scene) -> Mask:
    """(n, m) whether two features are of one kind, side and size."""
    out = np.zeros((len(before.features), len(now.features)), dtype=bool)
    for (i, a), (j, b) in product(enumerate(before.features), enumerate(now.features)):
        out[i, j] = (a.kind, a.side) == (b.kind, b.side) and _one_size(a, b)
    return out


def _one_size(a: NumberedFeature, b: NumberedFeature) -> bool:
    # The radius of what is tapered hangs on where it was seen.
    radii = [] if kind_of(a).tapered else [(a.radius, b.radius)]
    for one, other in (*radii, (a.major_radius, b.major_radius)):
        if one is None or other is None:
            continue
        if abs(one - other) > max(SIZE_APART, SIZE_SHARE * max(one, other)):
            return False
    return abs((a.half_angle or 0.0) - (b.half_angle or 0.0)) < ANGLE_APART


def _turns(before: Scene, now: Scene, fits: Mask) -> list[Floats]:
    """Rotations (3, 3) that bring directions of the one onto those of the other, different ones only."""
    out: list[Floats] = []
    known = np.empty((MOST_TURNS, 9))
    # Of the cosine of the angle between two rotations R and S, trace(R S') is twice that and one.
    near = 1.0 + 2.0 * np.cos(0.5 * ANGLE_APART)
    ways = (_by_two_directions(before, now, fits), _by_parallel_axes(before, now, fits), _by_one_direction(before, now))
    for turn in chain.from_iterable(ways):
        if (known[: len(out)] @ turn.ravel() < near).all():
            known[len(out)] = turn.ravel()
            out.append(turn)
        if len(out) == MOST_TURNS:
            break
    return out


def _onto(a: Floats, across: Floats | None, b: Floats, other: Floats | None) -> Floats:
    """The rotation of a, and of the part of `across` that is square to it, onto b and that of `other`."""
    frames = []
    for first, second in ((a, across), (b, other)):
        first = unit(first)
        second = np.eye(3)[np.argmin(abs(first))] if second is None else second
        second = unit(rejection(second, first))
        frames.append(np.stack([first, second, cross(first, second)]))
    return frames[1].T @ frames[0]


def _by_two_directions(before: Scene, now: Scene, fits: Mask) -> Iterator[Floats]:
    shared = {
        (a, b): fits[np.ix_(one, other)].any()
        for (a, one), (b, other) in product(enumerate(before.classes), enumerate(now.classes))
    }
    for a, b in combinations(range(min(len(before.classes), 6)), 2):
        p, q = before.directions[before.classes[a][0]], before.directions[before.classes[b][0]]
        if abs(float(p @ q)) > np.cos(LEAST_ANGLE):
            continue
        for c, d in permutations(range(min(len(now.classes), 10)), 2):
            if not (shared[a, c] and shared[b, d]):
                continue
            r, s = now.directions[now.classes[c][0]], now.directions[now.classes[d][0]]
            for first, second in product((1.0, -1.0), repeat=2):
                if (
                    abs(np.arccos(np.clip(p @ q, -1, 1)) - np.arccos(np.clip(first * second * (r @ s), -1, 1)))
                    < ANGLE_APART
                ):
                    yield _onto(p, q, first * r, second * s)


def _by_one_direction(before: Scene, now: Scene) -> Iterator[Floats]:
    """How a part of revolution is turned about its axis is all the same."""
    for a, b in product(before.classes[:1], now.classes[:2]):
        for sense in (1.0, -1.0):
            yield _onto(before.directions[a[0]], None, sense * now.directions[b[0]], None)


def _by_parallel_axes(before: Scene, now: Scene, fits: Mask) -> Iterator[Floats]:
    """Two parallel axes, or an axis and a centre beside it, give the turn about themselves."""
    for one in before.classes[:3]:
        a = before.directions[one[0]]
        # What has no counterpart at all gives no turn, and would take the place of those that do.
        lines = np.flatnonzero(_are_lines(before, a) & fits.any(axis=1))
        first, second = np.triu_indices(len(lines), 1)
        i, k = lines[first], lines[second]
        offsets = rejection(before.points[k] - before.points[i], a)
        # Those first that have the fewest counterparts.
        order = np.argsort(fits.sum(axis=1)[i] * fits.sum(axis=1)[k], kind="stable")
        order = order[np.linalg.norm(offsets[order], axis=1) > LEAST_OFFSET]
        for pair in order[:MOST_AXES]:
            offset = offsets[pair]
            for other in now.classes[:4]:
                b = now.directions[other[0]]
                there = _are_lines(now, b)
                j, m = np.flatnonzero(fits[i[pair]] & there), np.flatnonzero(fits[k[pair]] & there)
                steps = rejection((now.points[m][None] - now.points[j][:, None]).reshape(-1, 3), b)
                alike = abs(np.linalg.norm(steps, axis=1) - np.linalg.norm(offset)) < OFFSET_APART
                for step in steps[alike]:
                    for sense in (1.0, -1.0):
                        yield _onto(a, offset, sense * b, step)


def _are_lines(scene: Scene, direction: Floats) -> Mask:
    """(n,) which features are axes along a direction, or centres."""
    flat = np.array([kind_of(shape).flat for shape in scene.shapes], dtype=bool)
    along = abs(scene.directions @ direction) > np.cos(SAME_CLASS)
    return np.asarray(~flat & (along | (scene.directions == 0.0).all(axis=1)))


def _shifts(turn: Floats, before: Scene, now: Scene, fits: Mask, apart: float) -> list[tuple[float, Floats]]:
    """The best few shifts under a turn, as motions, each with how much it explains."""
    cosine = (before.directions @ turn.T) @ now.directions.T
    cosine = np.where(before.oriented[:, None], cosine, abs(cosine))
    no_way = (before.directions == 0.0).all(axis=1)
    i, j = np.nonzero(fits & ((cosine > np.cos(2.0 * ANGLE_APART)) | no_way[:, None]))
    if not len(i):
        return []
    # Those first that have the fewest counterparts: the true shift is made of a few of them already.
    count = np.bincount(i, minlength=len(fits))[i] * np.bincount(j, minlength=fits.shape[1])[j]
    order = np.lexsort((j, i, count))[:MOST_PAIRS]
    i, j = i[order], j[order]
    anchors = now.anchors[j]
    wanted = np.einsum("nij,nj->ni", anchors, now.points[j] - before.points[i] @ turn.T)
    between = now.middles[j] - before.middles[i] @ turn.T
    shifts = _candidates(i, j, anchors, wanted, between)
    shifts = shifts[np.unique(np.round(shifts / (0.25 * apart)), axis=0, return_index=True)[1]]
    if not len(shifts):
        return []
    reach = np.sqrt(np.trace(before.spreads, axis1=1, axis2=2))[i] + np.sqrt(np.trace(now.spreads, axis1=1, axis2=2))[j]
    weights = np.minimum(before.weights[i], now.weights[j])
    out: list[tuple[float, Floats]] = []
    scores = np.concatenate(
        [
            _explained(part, i, j, anchors, wanted, between, reach + apart, weights, apart, fits.shape)
            for part in np.array_split(shifts, 1 + len(shifts) * len(i) // 2_000_000)
        ]
    )
    for k in np.argsort(-scores, kind="stable"):
        if len(out) == 8 or scores[k] < ENOUGH * scores.max():
            break
        if all(np.linalg.norm(shifts[k] - motion[:3, 3]) > 0.5 * apart for _, motion in out):
            out.append((float(scores[k]), rigid(turn, shifts[k])))
    return out


def _candidates(i: Indices, j: Indices, anchors: Floats, wanted: Floats, between: Floats) -> Floats:
    """(k, 3) shifts that pairs of features fix by twos, by threes where no two do, or as well as they can."""
    for take, most in ((2, 90), (3, 24)):
        if len(i) < take:
            continue
        sets = np.array(list(combinations(range(min(len(i), most)), take)))
        other = np.ones(len(sets), dtype=bool)
        for a, b in combinations(range(take), 2):
            other &= (i[sets[:, a]] != i[sets[:, b]]) & (j[sets[:, a]] != j[sets[:, b]])
        sets = sets[other]
        sums = anchors[sets].sum(axis=1)
        fixed = np.linalg.eigvalsh(sums)[:, 0] > 0.03
        if fixed.any():
            return np.linalg.solve(sums[fixed], wanted[sets[fixed]].sum(axis=1)[:, :, None])[:, :, 0]
    out = []
    for one in combinations(range(min(len(i), 24)), min(2, len(i))):
        index = np.array(one)
        if len(index) == 2 and (i[one[0]] == i[one[1]] or j[one[0]] == j[one[1]]):
            continue
        total = anchors[index].sum(axis=0)
        start = between[index].mean(axis=0)
        out.append(start + np.linalg.pinv(total, rcond=0.03) @ (wanted[index].sum(axis=0) - total @ start))
    return np.array(out).reshape(-1, 3)


def _explained(
    shifts: Floats,
    i: Indices,
    j: Indices,
    anchors: Floats,
    wanted: Floats,
    between: Floats,
    reach: Floats,
    weights: Floats,
    apart: float,
    shape: tuple[int, int],
) -> Floats:
    """(k,) how much each shift explains: of each feature its best counterpart, of either scan the lesser sum."""
    off = np.linalg.norm(np.einsum("nij,kj->kni", anchors, shifts) - wanted, axis=2)
    far = np.linalg.norm(between[None] - shifts[:, None], axis=2) > reach
    value = np.where(far, 0.0, weights * np.maximum(1.0 - (off / apart) ** 2, 0.0))
    sums = []
    for index, size in ((i, shape[0]), (j, shape[1])):
        best = np.zeros((len(shifts), size))
        for column, which in enumerate(index):
            np.maximum(best[:, which], value[:, column], out=best[:, which])
        sums.append(best.sum(axis=1))
    return np.minimum(*sums)


def _refined(motion: Floats, before: Scene, now: Scene, fits: Mask, apart: float, support: float = SUPPORT) -> Pose:
    pairs: tuple[tuple[int, int], ...] = ()
    for slack in (ROUGH, ROUGH, 2.0, 1.0, 1.0):
        pairs, _ = _matched(motion, before, now, fits, slack * apart, support)
        if not pairs:
            break
        motion = _settled(motion, pairs, before, now)
    pairs, score = _matched(motion, before, now, fits, apart, support)
    return Pose(motion, pairs, score)


def is_fixed(pose: Pose, before: Scene, now: Scene) -> bool:
    """Whether the features that lie on each other leave the part no freedom: those of a turned part do."""
    matrix, _ = _system(pose.motion, pose.pairs, before, now)
    left = np.linalg.svd(matrix, compute_uv=False)
    return len(left) == 6 and bool(left[-1] > FREE * left[0])


def _settled(motion: Floats, pairs: Sequence[tuple[int, int]], before: Scene, now: Scene) -> Floats:
    """One Gauss-Newton step of the motion, so that points seen of the one lie on the surfaces of the other."""
    matrix, right = _system(motion, pairs, before, now)
    step = np.linalg.lstsq(matrix, right, rcond=FREE)[0]
    spin = Rotation.from_rotvec(step[3:] / now.size).as_matrix()
    centre = now.middles.mean(axis=0)
    return rigid(spin, centre - spin @ centre + step[:3]) @ motion


def _system(motion: Floats, pairs: Sequence[tuple[int, int]], before: Scene, now: Scene) -> tuple[Floats, Floats]:
    """Equations (n, 6) for a shift and a turn about the part's middle, mm at its edge; right sides (n,), mm."""
    if not pairs:
        return np.zeros((0, 6)), np.zeros(0)
    first, second = np.array(pairs, dtype=np.intp).T
    weights = np.minimum(before.weights[first], now.weights[second])
    about = (now.middles.mean(axis=0), now.size)
    return equations(motion, *before.places, first, now.table, second, about, weights)


def _matched(
    motion: Floats, before: Scene, now: Scene, fits: Mask, apart: float, support: float = SUPPORT
) -> tuple[tuple[tuple[int, int], ...], float]:
    """The features that lie on each other under a motion, one on one, and how much that explains."""
    back = undone(motion)
    ours, theirs = ((s.all_round if support == ENDS else (s.middles, s.spreads)) for s in (before, now))
    middles = transformed(motion, ours[0])
    spreads = motion[:3, :3] @ ours[1] @ motion[:3, :3].T
    cosine = turned(motion, before.directions) @ now.directions.T
    cosine = np.where(before.oriented[:, None], cosine, abs(cosine))
    near = fits & ((cosine > np.cos(2.0 * ANGLE_APART)) | (before.directions == 0.0).all(axis=1)[:, None])
    value, choice = np.zeros(fits.shape), np.zeros(fits.shape)
    i, j = np.nonzero(near)
    away = theirs[0][j] - middles[i]
    spread = 0.5 * (spreads[i] + theirs[1][j]) + apart**2 * np.eye(3)
    square = np.einsum("ni,ni->n", away, np.linalg.solve(spread, away[:, :, None])[:, :, 0]) / support**2
    i, j, square = i[square < 1.0], j[square < 1.0], square[square < 1.0]
    there = mean_squares(motion, *before.places, i, now.table, j)
    here = mean_squares(back, *now.places, j, before.table, i)
    lies = np.maximum(1.0 - (there + here) / (2.0 * apart**2), 0.0)
    value[i, j] = lies * np.minimum(before.weights[i], now.weights[j])
    choice[i, j] = lies * (1.0 - 0.5 * square)
    rows, columns = linear_sum_assignment(-choice)
    kept = [(int(i), int(j)) for i, j in zip(rows, columns, strict=True) if choice[i, j] > 0.0]
    return tuple(kept), float(sum(value[i, j] for i, j in kept))
