"""The poses in which one set-up of a part may lie to another, each with how well it is known.

Poses that pairs of features allow are settled by weighted least squares over the features and the facets that both
scans saw, and have to stand four tests: surface that faces alike and lies near must be the same (`clash`), nothing may
lie in the air of a bore (`blocked`), nothing go on where the other scan turns away (`beyond`), and no surface pass
through another (`crossed`). How much agrees is no test: a wrong pose, turned over, may have more of it than the right
one. Where several poses stand, none is chosen.

Lengths are mm, angles radians.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from scipy.spatial.transform import Rotation
from scipy.special import chdtri

from pipeline.features.joining.overlap import (
    BLOCKED,
    NEAR,
    Met,
    Pull,
    Sample,
    SetUp,
    beyond,
    blocked,
    clash,
    crossed,
    met,
    met_roughly,
    on_clear,
    picked,
    pull,
)
from pipeline.features.joining.pair_rows import carrying, crossing, pair_rows
from pipeline.features.joining.pose_search import alike, at, candidates
from pipeline.features.joining.reference_balls import laid_by_balls
from pipeline.features.uncertainty import Parts, all_known, components_of, sum_of
from pipeline.geometry import Floats, Mask, rigid, small_motion, transformed, turned, undone
from pipeline.surfaces import kind_of

OFF = 4.0  # standard deviations by which a pair may be off
SIZE = 0.03  # mm beyond four standard uncertainties by which radii of one feature may differ
MOST = 60  # candidates that are looked at
FEW, SCREEN, FINAL, FINE = 1000, 4000, 40_000, 160_000  # points, the last of skin alone
HOPELESS, UNSURE_CLASH, MOST_CLASH = 0.7, 0.15, 0.03  # shares, of candidates, roughly settled poses, and what stands
MOST_BEYOND, MOST_CROSSED = 0.2, 2.0  # a share, and mm
WIDEST = 0.4  # mm, of what counts as one surface at first
LOOSE = 1.0  # mm: a freedom at the part's edge that is known less well is open
SURPLUS = 3  # things that have to agree beyond the six that any pose can be made to fit
OPEN_SURPLUS = 2  # the same of what is told to turn or slide, never taken for a place: two walls on one axis have it
SAME = 0.5  # mm at the part's edge: poses nearer to each other are one
FIRM = 0.02  # mm: what is known less well at the part's edge is tried from aside
WITHIN_ROOM = 0.999  # share of poses of one place that lie so near to each other by what is known of them
ASIDE, FARTHEST = 4.0, 2.0  # standard deviations, and mm at most, by which it is
SHIFTS = {True: 1, False: 2}


class Across(NamedTuple):
    """A size that was measured over two parallel faces, one of each scan: indices, mm, standard uncertainty."""

    stays: int
    laid: int
    distance: float
    sigma: float


class Word(NamedTuple):
    """What the user vouches for: pairs that are one, sizes measured across, and that the part was turned over."""

    same: tuple[tuple[int, int], ...] = ()
    across: tuple[Across, ...] = ()
    turned_over: bool = False


NO_WORD = Word()


@dataclass(frozen=True)
class SetUpPose:
    """A place of a set-up.

    motion      (4, 4) from its coordinates to those of the scan that stays
    covariance  (6, 6) of a small motion after it: shift of the origin, mm, and turn, rad
    pairs       of features that it rests on: indices in the scan that stays and in the one that is laid
    clash       share of what lies near and faces alike but is not the same
    blocked     largest share of a bore's opening that surface of the other scan stands across
    beyond      share, at bends of the one scan, of surface of the other that goes straight on
    crossed     mm of lines along which the surfaces of the two scans pass through one another
    overlap     share of the laid scan that lies on the other
    open        (k, 6) the motions that nothing fixes, about the middle of what was laid: none, if k is 0
    surplus     how many things agree beyond those that fix the pose
    parts       of the covariance, before it was widened by Student's t: by the waves of the scan that stays, number 0,
                and of the other, number 1; None: its size is known
    """

    motion: Floats
    covariance: Floats
    pairs: tuple[tuple[int, int], ...]
    clash: float
    blocked: float
    beyond: float
    crossed: float
    overlap: float
    open: Floats
    surplus: int
    parts: Parts | None = None

    @property
    def stands(self) -> bool:
        """Whether nothing that was seen speaks against it."""
        whole = self.clash <= MOST_CLASH and self.crossed <= MOST_CROSSED
        return whole and self.blocked <= BLOCKED and self.beyond <= MOST_BEYOND


def set_up_poses(
    stays: SetUp, laid: SetUp, word: Word = NO_WORD, balls: Sequence[Sequence[tuple[int, int]]] | None = None
) -> list[SetUpPose]:
    """All poses of a set-up that stand, those with the most in agreement first; one with `open` motions stands only
    where none does that has none.

    balls  all ways in which reference balls are paired (`ball_pairs`): only they are tried; None: there are none

    One pose: that is where it lies. Several: the scans can't tell them apart. None: they share too little, or are not
    of one part.
    """
    if balls is not None:
        found: list[SetUpPose] = []
        for way in balls:
            start = laid_by_balls(stays, laid, way)
            if start is not None:
                said = word._replace(same=(*word.same, *way))
                found += _from_starts(stays, laid, _fits(stays, laid, said), said, [start])
        return found
    fits = _fits(stays, laid, word)
    starts = [
        undone(one.motion)
        for one in candidates(stays.scene, laid.scene, fits, MOST)
        if set(word.same) <= {(i, j) for i, j in one.pairs}
    ]
    return _from_starts(stays, laid, fits, word, starts)


def _fits(stays: SetUp, laid: SetUp, word: Word) -> Mask:
    """(n, m) whether two features may be the same, by what they are and by what the user vouches for."""
    fits = may_be_one(stays, laid)
    for i, j in word.same:
        fits[i, :], fits[:, j] = False, False
        fits[i, j] = True
    return fits


def _from_starts(stays: SetUp, laid: SetUp, fits: Mask, word: Word, starts: Sequence[Floats]) -> list[SetUpPose]:
    """The poses that stand of those that some motions (4, 4) lead to."""
    few, small = laid.sample(FEW), laid.sample(SCREEN)
    rough: list[SetUpPose] = []
    for motion in starts:
        if word.turned_over and not _turned_over(stays, laid, motion):
            continue
        first = settled(stays, laid, few, motion, fits, word, 3, HOPELESS)
        if first is None:
            continue
        second = settled(stays, laid, small, first.motion, fits, word, 4, UNSURE_CLASH)
        if second is not None and _stood_in(stays, laid, small, second.motion) <= BLOCKED:
            rough.append(second)
    rough.sort(key=lambda one: -one.surplus)
    standing = _standing(stays, laid, [pose for pose in rough if pose.surplus >= SURPLUS], fits, word)
    if not standing:
        # What is open is not taken for a place, but told, so that skin may speak for it, once nothing better stands.
        standing = _standing(stays, laid, [pose for pose in rough if len(pose.open)], fits, word)
    fixed = _one_place([pose for pose in standing if not len(pose.open)], small.points)
    return [pose for pose in fixed if not len(pose.open)] or _one_place(standing, small.points)


def settled_from(stays: SetUp, laid: SetUp, motion: Floats) -> SetUpPose | None:
    """The pose that least squares over features and skin settle on from a motion (4, 4) that was found otherwise, with
    how well it is known; None where that leaves a freedom open, or much of what was met is not the same.

    Nothing is looked for elsewhere: whether the set-up could lie in another place too is not asked.

    >>> from tests.features.joining.bare import bare_box
    >>> aside = rigid(np.eye(3), np.array([0.2, -0.1, 0.1]))
    >>> (settled_from(bare_box(), bare_box(), aside).motion[:3, 3].round(3) + 0.0).tolist()
    [0.0, 0.0, 0.0]
    """
    found = settled(
        stays, laid, laid.sample(FINAL), motion, may_be_one(stays, laid), NO_WORD, 4, UNSURE_CLASH, honest=True
    )
    return None if found is None or len(found.open) else found


def _standing(stays: SetUp, laid: SetUp, rough: Sequence[SetUpPose], fits: Mask, word: Word) -> list[SetUpPose]:
    """Those of roughly settled poses that stand when looked at closely."""
    small = laid.sample(SCREEN)
    found: list[SetUpPose] = []

    def known(pose: SetUpPose) -> bool:
        return any(_far(pose.motion, other.motion, small.points) <= SAME for other in found)

    for pose in rough:
        if known(pose):
            continue
        sample = laid.sample(FINAL)
        final = settled(stays, laid, sample, pose.motion, fits, word, 4, MOST_CLASH, honest=True)
        if final is None or known(final):
            continue
        if final.surplus >= (OPEN_SURPLUS if len(final.open) else SURPLUS):
            proved = _proved(stays, laid, sample, final)
            if proved.stands:
                found.append(_tried_aside(stays, laid, sample, proved, fits, word))
    return found


def _tried_aside(stays: SetUp, laid: SetUp, sample: Sample, pose: SetUpPose, fits: Mask, word: Word) -> SetUpPose:
    """The pose, with what comes of it from starts to either side along the motion that is known least.

    Where little skin alone holds a motion, noise makes least squares stop at several places along it, and what is said
    at each knows nothing of the others. A start some standard deviations aside has to come back: by what it does not,
    the pose is known less well; by more than a millimetre, the motion is open.
    """
    middle, scales, here = _about_middle(pose, sample.points)
    values, vectors = np.linalg.eigh(here @ pose.covariance @ here.T / np.outer(scales, scales))
    loosest = float(np.sqrt(max(values[-1], 0.0)))
    if loosest < FIRM or len(pose.open):
        return pose
    worst = np.zeros(6)
    for way in (1.0, -1.0):
        aside = scales * vectors[:, -1] * way * min(ASIDE * loosest, FARTHEST)
        spin = Rotation.from_rotvec(aside[3:]).as_matrix()
        start = rigid(spin, middle + aside[:3] - spin @ middle) @ pose.motion
        again = settled(stays, laid, sample, start, fits, word, 6, UNSURE_CLASH, honest=True)
        left = aside
        if again is not None and not len(again.open):
            left = here @ small_motion(again.motion @ undone(pose.motion))
        if np.linalg.norm(left / scales) > np.linalg.norm(worst / scales):
            worst = left
    return pose if np.linalg.norm(worst / scales) < loosest else _wider(pose, worst, sample.points)


def _about_middle(pose: SetUpPose, points: Floats) -> tuple[Floats, Floats, Floats]:
    """(3,) the middle of a laid scan's points (n, 3), (6,) what makes shifts and turns about it mm at the part's edge,
    and (6, 6) what makes a motion about it of one about the origin."""
    middle = transformed(pose.motion, points).mean(axis=0)
    here = np.eye(6)
    here[:3, 3:] = crossing(middle).T
    return middle, np.r_[np.ones(3), np.full(3, 2.0 / float(np.linalg.norm(np.ptp(points, axis=0))))], here


def _wider(pose: SetUpPose, off: Floats, points: Floats) -> SetUpPose:
    """The pose where it may as well be off by a small motion (6,) about the middle; if by over a millimetre, open."""
    _, scales, here = _about_middle(pose, points)
    there = np.linalg.solve(here, off)
    far = float(np.linalg.norm(off / scales))
    more = np.outer(there, there)
    parts = None if pose.parts is None else pose.parts.with_known(more)
    way = (off / far)[None] if far > LOOSE else pose.open
    return replace(pose, covariance=pose.covariance + more, parts=parts, open=way)


def _one_place(poses: Sequence[SetUpPose], points: Floats) -> list[SetUpPose]:
    """Poses with those taken for one, the first, that lie within what is known of the two: it may be off by as much."""
    out: list[SetUpPose] = []
    for pose in poses:
        for k, other in enumerate(out):
            off = small_motion(pose.motion @ undone(other.motion))
            room = pose.covariance + other.covariance
            if other.pairs == pose.pairs and off @ np.linalg.solve(room, off) < chdtri(6, 1.0 - WITHIN_ROOM):
                out[k] = _wider(other, _about_middle(other, points)[2] @ off, points)
                break
        else:
            out.append(pose)
    return out


def all_pairs(stays: SetUp, laid: SetUp, pose: SetUpPose) -> tuple[tuple[int, int], ...]:
    """All features that lie on each other in a pose, those too that are too far apart to have a part in it."""
    return at(undone(pose.motion), stays.scene, laid.scene, may_be_one(stays, laid)).pairs


def agreeing(
    poses: Sequence[SetUpPose], motion: Floats, others: Sequence[SetUpPose], other: Floats, points: Floats
) -> list[SetUpPose]:
    """Those of the poses of a set-up on one scan that its poses on another scan allow too: what neither decides alone
    the two may decide together.

    motion, other  (4, 4) of the one scan and of the other into common coordinates
    points         (n, 3) mm, of the set-up; a pose with open motions rules nothing out

    >>> spread, shift = np.eye(6), rigid(np.eye(3), np.array([9.0, 0.0, 0.0]))
    >>> here = SetUpPose(np.eye(4), spread, (), 0.0, 0.0, 0.0, 0.0, 1.0, np.empty((0, 6)), 9)
    >>> aside = replace(here, motion=rigid(np.eye(3), np.array([0.0, 7.0, 0.0])))
    >>> there = replace(here, motion=undone(shift))
    >>> [pose is here for pose in agreeing([aside, here], np.eye(4), [there], shift, np.zeros((1, 3)))]
    [True]
    """
    return [
        pose
        for pose in poses
        if any(len(o.open) or _far(motion @ pose.motion, other @ o.motion, points) < SAME for o in others)
    ]


def moved_on(pose: SetUpPose, motion: Floats, covariance: Floats | None) -> tuple[Floats, Floats]:
    """A pose, in a scan that lies at a motion (4, 4) of some covariance itself (None: exactly), in the coordinates that
    this leads to: motion and covariance.

    >>> spread = np.diag([1.0, 2.0, 3.0, 0.0, 0.0, 0.0])
    >>> there = SetUpPose(np.eye(4), spread, (), 0.0, 0.0, 0.0, 0.0, 1.0, np.empty((0, 6)), 9)
    >>> turn = rigid(np.eye(3)[[1, 2, 0]], np.zeros(3))
    >>> np.diag(moved_on(there, turn, None)[1])[:3].tolist()
    [2.0, 3.0, 1.0]
    """
    carry = carrying(motion)
    whole = carry @ pose.covariance @ carry.T
    return motion @ pose.motion, whole if covariance is None else whole + covariance


def parts_moved_on(pose: SetUpPose, motion: Floats, parts: Parts | None, numbers: tuple[int, int]) -> Parts:
    """As `moved_on`, the parts of the covariance; numbers of the scan that stays and of the one that is laid."""
    own = all_known(pose.covariance) if pose.parts is None else pose.parts.numbered(numbers)
    own = own.through(carrying(motion))
    return own if parts is None else sum_of([parts, own])


def may_be_one(stays: SetUp, laid: SetUp) -> Mask:
    """(n, m) whether two features may be the same: of one kind, side, and size as far as that is known."""
    fits = alike(stays.scene, laid.scene)
    for i, j in np.argwhere(fits):
        a, b = stays.features[i], laid.features[j]
        if a.radius is None or b.radius is None or kind_of(a).tapered:
            continue
        one, other = a.uncertainty.radius, b.uncertainty.radius
        if one is not None and other is not None:
            fits[i, j] = abs(a.radius - b.radius) < 4.0 * float(np.hypot(one, other)) + SIZE
    return fits


def settled(
    stays: SetUp,
    laid: SetUp,
    sample: Sample,
    motion: Floats,
    fits: Mask,
    word: Word,
    rounds: int,
    most_clash: float,
    honest: bool = False,
) -> SetUpPose | None:
    """A pose after least squares over features, facets and sizes measured across; None where they fix nothing, one of
    the two has no smooth facet, or more than a share of what was met clashes. Whether it is blocked, or goes on beyond,
    isn't looked at yet.

    honest  with the waves of the noise in what facets say, and with their parts in the covariance; else as if it were
            white, which is faster

    Weights are as large as the noise is thought to be. That the size of a long wave was seen a few times only widens
    what comes out, as a whole: of each weight alone it would take what is due to the other scan's as well.
    """
    if not (stays.smooth.any() and laid.smooth.any()):
        return None
    middle = transformed(motion, sample.points).mean(axis=0)
    scales = np.r_[np.ones(3), np.full(3, 2.0 / float(np.linalg.norm(np.ptp(sample.points, axis=0))))]
    fine: Sample | None = None
    pairs: list[tuple[int, int]] = []
    for turn in range(rounds):
        if turn < 3:
            pairs = list(dict.fromkeys((*word.same, *at(undone(motion), stays.scene, laid.scene, fits).pairs)))
        weight, drawn, used = _of_features(stays, laid, pairs, motion, middle, turn > 0)
        last = honest and turn >= rounds - 2
        if last and fine is None:
            # What both saw and no pair of features stands for may be little: it gets points of its own.
            fine = _skin(stays, laid, motion, used)
        where = sample if fine is None else fine
        found = (met if last else met_roughly)(stays, where, motion)
        of_skin_alone = on_clear(stays, laid, where, found) & ~_on_pairs(stays, laid, where, found, used)
        skin = picked(found, of_skin_alone)
        least = 0.0 if turn == rounds - 1 else WIDEST / 4.0**turn
        of_skin = pull(stays, laid, where, skin, middle, last, least)
        agreeing = 0
        if of_skin is not None:
            more, sums = of_skin.information()
            agreeing = int((np.linalg.eigvalsh(more * np.outer(scales, scales)) > LOOSE**-2).sum())
            weight, drawn = weight + more, drawn + sums
        for size in word.across:
            row, off, variance = _across(size, stays, laid, motion, middle)
            weight, drawn = weight + np.outer(row, row) / variance, drawn + row * off / variance
        values, vectors = np.linalg.eigh(weight * np.outer(scales, scales))
        if not values[-1] > LOOSE**-2:
            return None
        # Where nothing holds it, it stays where its features were found to lie on each other.
        inverse = np.where(values > LOOSE**-2, 1.0 / np.maximum(values, LOOSE**-2), 0.0)
        step = -scales * (vectors @ (inverse * (vectors.T @ (scales * drawn))))
        # Before the first steps a bad pair may throw it far: the pose is known within some mm.
        step *= min(1.0, 3.0 / max(float(np.abs(step / scales).max()), 1e-12))
        spin = Rotation.from_rotvec(step[3:]).as_matrix()
        motion = rigid(spin, middle + step[:3] - spin @ middle) @ motion
        middle = middle + step[:3]
    found = (met if honest else met_roughly)(stays, sample, motion)
    clashing = clash(found, float(np.hypot(stays.noise.sigma_form, laid.noise.sigma_form)))
    if clashing > most_clash:
        return None
    loose = values < LOOSE**-2
    covariance = (vectors / np.maximum(values, 1e-2 * LOOSE**-2)) @ vectors.T * np.outer(scales, scales)
    to_origin = np.eye(6)
    to_origin[:3, 3:] = -crossing(middle).T
    parts: Parts | None = None
    if honest:
        parts = _in_parts(stays, laid, used, of_skin, motion, middle, covariance)
        covariance = _widened(parts, vectors * scales[:, None])
        parts = parts.through(to_origin)
    places = sum(3 if kind_of(stays.features[i]).centred else SHIFTS[kind_of(stays.features[i]).flat] for i, _ in used)
    ways = np.array([d for i, _ in used if (d := stays.features[i].direction) is not None]).reshape(-1, 3)
    turns = 0 if not len(ways) else min(3, 1 + int((np.linalg.svd(ways, compute_uv=False) > 0.2).sum()))
    return SetUpPose(
        motion,
        to_origin @ covariance @ to_origin.T,
        tuple(used),
        clashing,
        0.0,
        0.0,
        0.0,
        len(found.off) / max(len(sample.points), 1),
        (vectors.T * scales)[loose],
        places + turns + agreeing - (6 - int(loose.sum())),
        parts,
    )


def _in_parts(
    stays: SetUp,
    laid: SetUp,
    pairs: Sequence[tuple[int, int]],
    of_skin: Pull | None,
    motion: Floats,
    middle: Floats,
    covariance: Floats,
) -> Parts:
    """The covariance (6, 6) of least squares, about the middle, by the waves of both scans (JCGM 100:2008, 5.2)."""
    sums = [np.zeros((len(components_of(scan.noise)[0]), 6, 6)) for scan in (stays, laid)]
    if pairs:
        rows = pair_rows(stays.fits_in_parts, laid.fits_in_parts, pairs, motion)
        change, _ = rows.whitened(middle)
        # How the pose changes with a small motion of each feature's surface, and with its radii.
        gains = covariance @ change.transpose(0, 2, 1) @ rows.unit(rows.moves)
        carry = np.eye(8)
        carry[:6, :6] = carrying(motion)
        index = np.array(pairs)
        for total, waves, moves in (
            (sums[0], stays.fits_in_parts.waves[index[:, 0]], gains),
            (sums[1], laid.fits_in_parts.waves[index[:, 1]], gains @ carry),
        ):
            total[: waves.shape[1]] += np.einsum("nij,nwjk,nlk->wil", moves, waves, moves, optimize=True)
    if of_skin is not None:
        gain = covariance @ of_skin.gain
        for total, waves in zip(sums, of_skin.waves, strict=True):
            total += gain @ waves @ gain.T
    return Parts(
        np.array([covariance - sums[0].sum(axis=0) - sums[1].sum(axis=0), *sums[0], *sums[1]]),
        np.array([np.inf, *components_of(stays.noise)[1], *components_of(laid.noise)[1]]),
        np.repeat(np.array([0, 0, 1], dtype=np.int32), [1, len(sums[0]), len(sums[1])]),
    )


def _widened(parts: Parts, axes: Floats) -> Floats:
    """(6, 6) what the parts of a pose's covariance come to, widened by Student's t along each of its principal axes,
    the columns of (6, 6): that does not hang on how the scans happen to be turned."""
    back = np.asarray(np.linalg.inv(axes), dtype=np.float64)
    return np.asarray(axes @ parts.through(back).widened() @ axes.T)


def _skin(stays: SetUp, laid: SetUp, motion: Floats, pairs: Sequence[tuple[int, int]]) -> Sample:
    """Points of what both scans see, as far as it is known without looking closely, but for features that are pairs."""
    every = laid.sample(FINE)
    skin = np.flatnonzero(laid.clear[every.facets] & ~np.isin(laid.labels[every.facets], [j for _, j in pairs]))
    tree, _, _ = stays.near
    away, _ = tree.query(transformed(motion, every.points[skin]), distance_upper_bound=NEAR + 2.0 * stays.edge)
    near = skin[np.isfinite(away)]
    near = near[:: 1 + len(near) // FINAL]
    return Sample(every.points[near], every.facets[near], every.normals[near], every.at_rim[near])


def _stood_in(stays: SetUp, laid: SetUp, sample: Sample, motion: Floats) -> float:
    """The largest share of a bore's opening, in either scan, that surface of the other stands across."""
    out = []
    for bores, other, points, to in (
        (stays, laid, sample, motion),
        (laid, stays, stays.sample(len(sample.points)), undone(motion)),
    ):
        places, ways = points.sure
        out.append(blocked(bores, transformed(to, places), turned(to, ways), other.area))
    return max(out)


def _proved(stays: SetUp, laid: SetUp, sample: Sample, pose: SetUpPose) -> SetUpPose:
    """The pose with all that may speak against it."""
    back = stays.sample(len(sample.points))
    runs_on = max(beyond(stays, sample, pose.motion), beyond(laid, back, undone(pose.motion)))
    through = max(crossed(stays, sample, pose.motion, laid.area), crossed(laid, back, undone(pose.motion), stays.area))
    return replace(pose, blocked=_stood_in(stays, laid, sample, pose.motion), beyond=runs_on, crossed=through)


def _of_features(
    stays: SetUp, laid: SetUp, pairs: Sequence[tuple[int, int]], motion: Floats, middle: Floats, strict: bool
) -> tuple[Floats, Floats, list[tuple[int, int]]]:
    """(6, 6) and (6,) of the pairs: what a motion weighs, and is drawn by; and which of them had a part in it."""
    known = [(i, j) for i, j in pairs if stays.fits.known[i] and laid.fits.known[j]]
    if not known:
        return np.zeros((6, 6)), np.zeros(6), []
    rows = pair_rows(stays.fits_in_parts, laid.fits_in_parts, known, motion)
    change, off = rows.whitened(middle)
    keep = np.ones(len(known), dtype=np.bool_)
    if strict:
        keep = np.sum(off**2, axis=1) <= OFF**2 * rows.used.sum(axis=1)
    change, off = change[keep].reshape(-1, 6), off[keep].ravel()
    return change.T @ change, change.T @ off, [pair for pair, kept in zip(known, keep, strict=True) if kept]


def _across(size: Across, stays: SetUp, laid: SetUp, motion: Floats, middle: Floats) -> tuple[Floats, float, float]:
    """A size measured across: how it changes with a motion (6,), by how much it is off, and its variance, mm2."""
    a, b = stays.features[size.stays], laid.features[size.laid]
    point = transformed(motion, b.point)
    assert a.direction is not None
    gap = float(a.direction @ (point - a.point))
    way = a.direction if gap > 0.0 else -a.direction
    known = (a.uncertainty.position or 0.0) ** 2 + (b.uncertainty.position or 0.0) ** 2
    return np.r_[way, np.cross(point - middle, way)], abs(gap) - size.distance, size.sigma**2 + known


def _on_pairs(stays: SetUp, laid: SetUp, sample: Sample, found: Met, pairs: Sequence[tuple[int, int]]) -> Mask:
    """(k,) what was met on features that the pose rests on already."""
    first, second = stays.labels[found.facets], laid.labels[sample.facets[found.which]]
    return np.isin(first, [i for i, _ in pairs]) | np.isin(second, [j for _, j in pairs])


def _turned_over(stays: SetUp, laid: SetUp, motion: Floats) -> bool:
    """Whether the sides that the two scans look at are different ones."""
    return float(stays.looks @ turned(motion, laid.looks)) < 0.0


def _far(motion: Floats, other: Floats, points: Floats) -> float:
    """mm, how far apart two poses have any of the points."""
    return float(np.linalg.norm(transformed(motion, points) - transformed(other, points), axis=1).max())
