"""The join stage: further set-ups of the part laid on the job's own scan, and all of them taken for one.

Where a set-up lies is told by what both scans show (`features.joining`); features are fitted on all scans together,
and the surface is put together of the facets of whichever set-up saw a place best. Nothing is chosen that the scans do
not decide: several places that are as good as each other end the run, and the user's word is asked for.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation
from scipy.special import chdtrc

from pipeline.coverage import SINGLE
from pipeline.errors import GeometryError, SettingsError
from pipeline.features.fitting import without_coating
from pipeline.features.gauging import check_measured
from pipeline.features.joining import (
    Across,
    BallSize,
    Common,
    Laid,
    Scene,
    SetUp,
    SetUpPose,
    Word,
    agreeing,
    all_pairs,
    at_corner,
    at_known_size,
    ball_pairs,
    balls_of,
    bend_between,
    distances_alike,
    fitted_together,
    is_ball,
    misfit_map,
    moved_on,
    parts_moved_on,
    same_features,
    scale_between,
    set_up_poses,
    shared_misfits,
    without_balls,
)
from pipeline.features.naming import carried_over, entry_of, named
from pipeline.features.relations import find_patterns
from pipeline.features.uncertainty import LEVEL, holm, with_scale
from pipeline.geometry import Floats, Indices, Ints, transformed
from pipeline.job import Ball, Measured, RecoverSettings
from pipeline.job import SetUp as Wish
from pipeline.lengths import mm, place_in_mm, um
from pipeline.mesh.query import self_intersections
from pipeline.mesh.seams import Stitched, seam_middles, stitched, surroundings
from pipeline.mesh.topology import corners_by_label, facet_areas
from pipeline.progress import Progress
from pipeline.surfaces import kind_of, seen_from, shape_of
from pipeline.values import (
    SEAM,
    CleanResult,
    JoinResult,
    NameBook,
    RecoverResult,
    Removal,
    SetUpJoin,
    SharedBall,
    SharedFeature,
    Source,
    Surface,
)

NO_NAMES = NameBook()
_TOLD = 6  # poses in a sentence
_SIGMAS = 6.0  # of both scans' noise, by which two sheets may be apart and still be one
_WIDE, _MANY = 2.0, 0.2  # standard uncertainties by which what both saw may be apart, and the share that may be more
_AT_SEAM = 6.0  # mm from the middle of a cell of the map to a seam that runs through it


@dataclass(frozen=True)
class Scanned:
    """A set-up as read, cleaned and recovered alone, and what the job says of it."""

    source: Source
    clean: CleanResult
    recover: RecoverResult
    wish: Wish
    cautions: tuple[str, ...] = ()


def join(
    clean: CleanResult,
    recover: RecoverResult,
    source: Source,
    set_ups: tuple[Scanned, ...],
    recovery: RecoverSettings,
    measured: tuple[Measured, ...],
    names: Mapping[str, str],
    progress: Progress,
    book: NameBook = NO_NAMES,
    balls: tuple[Ball, ...] = (),
) -> JoinResult:
    """Lay every set-up on the job's own scan, fit the features on all of them, and put the surfaces together.

    book: the numbers that an earlier run into the same folder gave. balls: reference balls that all show; they tell
    where the set-ups lie, and are no part of what comes out. Raises GeometryError where a set-up can't be laid,
    or could lie in several places, SettingsError where the job names a feature that a scan doesn't have.
    """
    alone = [scan_of(clean, recover), *(scan_of(one.clean, one.recover) for one in set_ups)]
    files = [source.file, *(one.source.file for one in set_ups)]
    on_balls = _balls(alone, files, balls)
    scans = [at_known_size(scan, which, on_balls.sizes) for scan, which in zip(alone, on_balls.which, strict=True)]
    laid: dict[int, Laid] = {0: Laid(scans[0], np.eye(4), None)}
    found: dict[int, tuple[int, SetUpPose]] = {}
    waiting = list(range(1, len(scans)))
    while waiting:
        progress(0.05 + 0.5 * len(found) / len(scans), "laying set-ups on each other")
        k, onto, pose = _next(scans, laid, waiting, set_ups, files, on_balls)
        motion, covariance = moved_on(pose, laid[onto].motion, laid[onto].covariance)
        parts = parts_moved_on(pose, laid[onto].motion, laid[onto].parts, (onto, k))
        laid[k], found[k] = Laid(scans[k], motion, covariance, parts, k), (onto, pose)
        waiting.remove(k)
    shared = {
        k: _shared_balls(alone, scans, laid[onto].motion, k, found[k], on_balls) for k, (onto, _) in found.items()
    }
    told_of_balls = _balls_told(shared, found, on_balls, files)
    scans, found, taken_out, kept = _taken_out(scans, found, on_balls)
    order = [laid[k]._replace(scan=scan) for k, scan in enumerate(scans)]
    progress(0.6, "fitting on all scans together")
    commons, labels, joined = _put_together(order, found, scans, source, recovery)
    mesh = joined.surface
    progress(0.9, "numbers")
    features = [one.feature for one in commons]
    numbering = carried_over(book, features, [one.points for one in commons], source.sha256)
    features = [replace(f, id=i, old_id=None) for f, i in zip(features, numbering.ids, strict=True)]
    features = named(features, names, [f.id for f in book.features])
    commons = [common._replace(feature=f) for common, f in zip(commons, features, strict=True)]
    checks, proposal, taken = check_measured(measured, features)
    reports = tuple(
        replace(_report(k, onto, pose, order, scans, set_ups[k - 1].source, commons, joined), balls=shared[k])
        for k, (onto, pose) in sorted(found.items())
    )
    told = (*told_of_balls, *_cautions(reports, commons), *([] if proposal is None else [proposal]))
    whole = RecoverResult(
        tuple(features),
        labels,
        recover.noise,
        _rejected(recover, joined, kept),
        find_patterns(features),
        checks,
        (*numbering.cautions, *told),
        numbering.book,
        taken,
    )
    area = clean.area_in + sum(one.clean.area_in for one in set_ups)
    removals = [*clean.removals, *(r for one in set_ups for r in one.clean.removals)]
    cleaned = CleanResult(mesh, (*removals, *taken_out, _left_out(scans, mesh)), area, _of_scans(clean, set_ups))
    seen = tuple(tuple(sorted(k + 1 for k, _ in one.members)) for one in commons)
    progress(1.0)
    whose = np.where(joined.facet < 0, SEAM, joined.mesh).astype(np.uint8)
    return JoinResult(cleaned, whole, whose, seen, reports, (*cleaned.cautions, *whole.cautions), numbering.book)


def scan_of(clean: CleanResult, recover: RecoverResult) -> SetUp:
    """A recovered scan as joining needs it."""
    surface, labels = clean.surface, recover.labels
    corners = corners_by_label(surface.faces, labels, len(surface.vertices), len(recover.features))
    entries = [entry_of(f, surface.vertices[seen]) for f, seen in zip(recover.features, corners, strict=True)]
    return SetUp(surface, labels, recover.features, Scene(tuple(entries)), recover.noise)


def _next(
    scans: Sequence[SetUp],
    laid: Mapping[int, Laid],
    waiting: Sequence[int],
    set_ups: Sequence[Scanned],
    files: Sequence[str],
    balls: Balls,
) -> tuple[int, int, SetUpPose]:
    """The next set-up that can be laid, on which of those that lie, and where."""
    several: list[tuple[int, int, list[SetUpPose]]] = []
    for k in waiting:
        # What is much smaller finds a corner to lie in on anything.
        odd = _odd_size(scans[0], scans[k], files[0], files[k])
        if odd and set_ups[k - 1].wish.units is None:
            raise GeometryError(odd)
        for onto in laid:
            word = _word(set_ups[k - 1].wish, k, scans[0], scans[k]) if onto == 0 else Word()
            poses = set_up_poses(scans[onto], scans[k], word, _paired(scans, onto, k, files, balls))
            if len(poses) == 1 and not len(poses[0].open):
                return k, onto, poses[0]
            if poses:
                several.append((k, onto, poses))
    for k, onto, poses in several:
        left = poses
        for other, there in [(o, p) for number, o, p in several if number == k and o != onto]:
            left = agreeing(left, laid[onto].motion, there, laid[other].motion, scans[k].scene.middles)
        if len(left) == 1 and not len(left[0].open):
            return k, onto, left[0]
    if several:
        k, onto, poses = several[0]
        if balls.sizes:
            raise GeometryError(_alike(scans, onto, k, files, balls, len(poses)))
        raise GeometryError(_undecided(scans[onto], scans[k], files[onto], files[k], poses, onto == 0))
    k = waiting[0]
    if balls.sizes:
        raise GeometryError(
            f"{files[k]} lies on {files[0]} by the reference balls, but what both show of the part differs there: the "
            "balls were moved to the part in between, or stick to the table; take [[ball]] out of the job to join "
            "without them."
        )
    raise GeometryError(_why_not(scans[0], scans[k], files[0], files[k], set_ups[k - 1].wish))


@dataclass(frozen=True)
class Balls:
    """Reference balls: `sizes` of the job, none where it names none, and `which` of each scan's features they are."""

    sizes: tuple[BallSize, ...]
    which: tuple[tuple[int, ...], ...]


def _balls(scans: Sequence[SetUp], files: Sequence[str], wished: Sequence[Ball]) -> Balls:
    """Reference balls found on each scan. Raises GeometryError where one shows fewer than three."""
    sizes = tuple(BallSize(one.diameter.mm, one.uncertainty.mm, one.count) for one in wished)
    which = tuple(tuple(balls_of(scan, sizes)) if sizes else () for scan in scans)
    for scan, found, file in zip(scans, which, files, strict=True):
        if sizes and len(found) < 3:
            count = sum(size.count for size in sizes)
            asked = " or ".join(mm(size.diameter, ".3f") for size in sizes)
            others = [f for k, f in enumerate(scan.features) if is_ball(f) and k not in found]
            told = ", ".join(f"{f.id} {mm(2 * (f.radius or 0.0), '.2f')}" for f in others[:6])
            raise GeometryError(
                f"{file} shows {len(found) or 'none'} of the {count} reference balls of {asked}, and three are needed"
                + (f" (other balls there: {told}; mend the diameter if these are they)" if told else "")
                + "; scan them again, or take [[ball]] out of the job to join without them."
            )
    return Balls(sizes, which)


def _paired(
    scans: Sequence[SetUp], onto: int, k: int, files: Sequence[str], balls: Balls
) -> list[tuple[tuple[int, int], ...]] | None:
    """All ways in which the balls of two scans are one; None where the job names none."""
    if not balls.sizes:
        return None
    ways = ball_pairs(scans[onto], balls.which[onto], scans[k], balls.which[k])
    if not ways:
        raise GeometryError(
            f"No three reference balls of {files[k]} lie to each other as they do on {files[onto]}: they were moved in "
            "between; scan all set-ups with the balls where they are, or take [[ball]] out of the job."
        )
    return ways


def _alike(scans: Sequence[SetUp], onto: int, k: int, files: Sequence[str], balls: Balls, places: int) -> str:
    why = (
        "distances between balls are alike within 1 mm"
        if distances_alike(scans[onto], balls.which[onto]) or distances_alike(scans[k], balls.which[k])
        else "more balls than one set are there"
    )
    return (
        f"By the reference balls {files[k]} could lie on {files[onto]} in {places} places, since {why}; move one of "
        "them and scan again, or say under [[set_up]] which features are the same."
    )


def _shared_balls(
    alone: Sequence[SetUp],
    scans: Sequence[SetUp],
    motion: Floats,
    k: int,
    laid: tuple[int, SetUpPose],
    balls: Balls,
) -> tuple[SharedBall, ...]:
    """Reference balls that a set-up and the one it was laid on both show: `alone` as each has them by itself, `scans`
    at the diameter that is known; `motion` (4, 4) of the latter."""
    onto, pose = laid
    pairs = [pair for pair in pose.pairs if pair[0] in balls.which[onto]]
    out = []
    for one, apart in shared_misfits(scans[onto], scans[k], pose, pairs):
        i, j = one.pair
        sizes = 2.0 * (alone[onto].features[i].radius or 0.0), 2.0 * (alone[k].features[j].radius or 0.0)
        place = transformed(motion, scans[onto].features[i].point)
        out.append(SharedBall(place, sizes, one.off, one.expanded[0], apart))
    return tuple(out)


def _balls_told(
    shared: Mapping[int, tuple[SharedBall, ...]],
    found: Mapping[int, tuple[int, SetUpPose]],
    balls: Balls,
    files: Sequence[str],
) -> list[str]:
    """Cautions on balls that are missing, and on those that lie elsewhere than the others put them."""
    out, count = [], sum(size.count for size in balls.sizes)
    for file, which in zip(files, balls.which, strict=True):
        if balls.sizes and len(which) < count:
            out.append(
                f"{file} shows {len(which)} of the {count} reference balls; three tell where it lies, none checks it."
            )
    for k, (onto, pose) in sorted(found.items()):
        alike = sum(i in balls.which[onto] for i, _ in pose.pairs)
        both = min(len(balls.which[onto]), len(balls.which[k]))
        if alike < both:
            out.append(
                f"Of the {both} reference balls that {files[onto]} and {files[k]} show, {alike} lie to each other "
                "alike; the others were moved in between and had no part in the join."
            )
        for one in shared[k]:
            if one.apart:
                out.append(
                    f"The reference ball of {files[onto]} near {place_in_mm(one.place, '.0f')} lies {um(one.off)} off "
                    f"in {files[k]}, more than noise explains: it was moved, or the part was bent in between."
                )
    return out


def _taken_out(
    scans: Sequence[SetUp], found: Mapping[int, tuple[int, SetUpPose]], balls: Balls
) -> tuple[list[SetUp], dict[int, tuple[int, SetUpPose]], list[Removal], Indices]:
    """The scans without their balls, poses by the features that are left, what went, and which facets of the first
    scan are left."""
    if not balls.sizes:
        return list(scans), dict(found), [], np.arange(scans[0].surface.facets)
    bare, kept, area, gone = [], [], 0.0, 0
    for scan, which in zip(scans, balls.which, strict=True):
        one, stay, went = without_balls(scan, which)
        bare.append(one)
        kept.append(stay)
        area, gone = area + went, gone + int((~stay).sum())
    number = [
        {k: place for place, k in enumerate(k for k in range(len(scan.features)) if k not in which)}
        for scan, which in zip(scans, balls.which, strict=True)
    ]
    left = {}
    for k, (onto, pose) in found.items():
        pairs = tuple((number[onto][i], number[k][j]) for i, j in pose.pairs if i in number[onto] and j in number[k])
        left[k] = onto, replace(pose, pairs=pairs)
    removal = Removal("reference balls", gone, area, "they are no part of it")
    return bare, left, [removal], np.flatnonzero(kept[0])


def _word(wish: Wish, number: int, stays: SetUp, laid: SetUp) -> Word:
    def index(ident: str, scan: SetUp, whose: str) -> int:
        ids = [f.id for f in scan.features]
        if ident not in ids:
            raise SettingsError(
                f"set_up {number}: {whose} has no feature {ident!r}; a run of that scan alone lists its features: "
                f"{', '.join(ids[:12])} ..."
            )
        return ids.index(ident)

    own, its = "the job's own scan", "the scan of the set-up"
    same = tuple((index(a, stays, own), index(b, laid, its)) for a, b in wish.same)
    across = tuple(
        Across(index(s.faces[0], stays, own), index(s.faces[1], laid, its), s.distance.mm, s.uncertainty.mm)
        for s in wish.across
    )
    for size, told in zip(across, wish.across, strict=True):
        if not (kind_of(stays.features[size.stays]).flat and kind_of(laid.features[size.laid]).flat):
            raise SettingsError(f"set_up {number}: {' and '.join(told.faces)} of across are not two faces; name faces.")
    return Word(same, across, wish.turned_over)


def _undecided(stays: SetUp, laid: SetUp, one: str, other: str, poses: Sequence[SetUpPose], on_own: bool) -> str:
    if len(poses) == 1:
        way = "turn" if _turns(poses[0].open, laid.surface.vertices) else "slide"
        return (
            f"What {one} and {other} share lets {other} {way}: no place of it is known; give a size measured over a "
            "face of each, as [[set_up.across]], or scan so that both show a face across it."
        )
    lines = []
    for number, pose in enumerate(poses[:_TOLD], 1):
        twin = next((n for n, p in enumerate(poses[: number - 1], 1) if set(p.pairs) == set(pose.pairs)), None)
        if twin is not None:
            lines.append(f"({number}) as ({twin}), {_from(poses[twin - 1], pose, laid.surface.vertices)}")
            continue
        others = {pair for p in poses if p is not pose for pair in p.pairs}
        telling = [pair for pair in pose.pairs if pair not in others] or list(pose.pairs)
        telling.sort(key=lambda pair: stays.features[pair[0]].confidence != "good")
        shown = " and ".join(f"{stays.features[i].id} is {laid.features[j].id}" for i, j in telling[:2])
        lines.append(f"({number}) {shown}")
    more = f" and {len(poses) - _TOLD} more" if len(poses) > _TOLD else ""
    say = (
        'say which in the job, as same = [["{}", "{}"]] under its [[set_up]]'.format(*_telling(stays, laid, poses))
        if on_own and len({frozenset(pose.pairs) for pose in poses}) > 1
        else "put a scan in between that shows what breaks the symmetry"
    )
    return (
        f"{other} could lie to {one} in {len(poses)} places, and nothing that was seen tells which: "
        f"{'; '.join(lines)}{more}; {say}, or turned_over = true if it shows another side."
    )


def _from(pose: SetUpPose, other: SetUpPose, vertices: Floats) -> str:
    """How a scan would lie in the other pose, seen from the one."""
    angle = np.degrees(Rotation.from_matrix(other.motion[:3, :3] @ pose.motion[:3, :3].T).magnitude())
    if angle > 0.5:
        return f"turned by {angle:.0f} degrees"
    middle = vertices.mean(axis=0)
    far = float(np.linalg.norm(transformed(other.motion, middle) - transformed(pose.motion, middle)))
    return f"{mm(far)} from there"


def _turns(open_motions: Floats, vertices: Floats) -> bool:
    """Whether all of the open motions (k, 6) are turns about an axis through the part, with no more than a tenth of a
    slide along it."""
    reach = 0.5 * float(np.linalg.norm(np.ptp(vertices, axis=0)))
    shifts, spins = open_motions[:, :3], open_motions[:, 3:]
    turn = np.linalg.norm(spins, axis=1)
    along = np.abs(np.einsum("ij,ij->i", shifts, spins)) / np.maximum(turn, 1e-12)
    return bool(((along < 0.1 * reach * turn) & (np.linalg.norm(shifts, axis=1) < reach * turn)).all())


def _telling(stays: SetUp, laid: SetUp, poses: Sequence[SetUpPose]) -> tuple[str, str]:
    others = {pair for p in poses[1:] for pair in p.pairs}
    i, j = next((pair for pair in poses[0].pairs if pair not in others), poses[0].pairs[0])
    return stays.features[i].id, laid.features[j].id


def _why_not(stays: SetUp, laid: SetUp, one: str, other: str, wish: Wish) -> str:
    """Why a set-up can't be laid, and what to do."""
    if not laid.features or not stays.features:
        bare = other if not laid.features else one
        return f"No machined surface was found on {bare}, so that nothing tells where {other} lies to {one}; scan one."
    if wish.same or wish.turned_over or wish.across:
        said = [key for key in ("same", "turned_over", "across") if getattr(wish, key)]
        return f"{other} lies nowhere on {one} as {' and '.join(said)} of its [[set_up]] say; take that out or mend it."
    odd = _odd_size(stays, laid, one, other)
    if odd:
        return odd
    if set_up_poses(mirrored(stays), laid):
        return f"{other} shows the mirror image of what {one} shows: it is the other hand of the part, or was mirrored."
    return (
        f"No place was found where {other} fits on {one}: they show too little in common, or not the same part; scan "
        "so that both show three faces or bores that look different ways, or a set-up in between."
    )


def _odd_size(stays: SetUp, laid: SetUp, one: str, other: str) -> str | None:
    """That a set-up is of a size that speaks for another unit; None where it isn't."""
    share = laid.size / stays.size
    if 0.1 < share < 10.0:
        return None
    return (
        f"{other} is {share:.3g} times as large as {one}, so that they can't show one part; give the "
        "unit of its coordinates, as units under its [[set_up]]."
    )


def mirrored(scan: SetUp) -> SetUp:
    """The scan in a mirror, x turned round."""
    flip = np.diag([-1.0, 1.0, 1.0, 1.0])
    surface = Surface.measured(transformed(flip, scan.surface.vertices), scan.surface.faces[:, ::-1])
    features = []
    for f in scan.features:
        shape = seen_from(shape_of(f), flip)
        features.append(replace(f, point=shape.point, direction=shape.direction, orientation=shape.orientation))
    return SetUp(surface, scan.labels, tuple(features), scan.scene.mirrored(), scan.noise)


def _put_together(
    order: Sequence[Laid],
    found: Mapping[int, tuple[int, SetUpPose]],
    scans: Sequence[SetUp],
    source: Source,
    recovery: RecoverSettings,
) -> tuple[list[Common], Ints, Stitched]:
    pairs = [((onto, i), (k, j)) for k, (onto, pose) in found.items() for i, j in pose.pairs]
    commons = fitted_together(order, same_features(order, pairs))
    surfaces = [
        Surface.measured(transformed(one.motion, one.scan.surface.vertices), one.scan.surface.faces) for one in order
    ]
    reach = _SIGMAS * float(np.sqrt(2.0)) * max(s.noise.sigma_form for s in scans) + 0.02
    joined = _uncrossed(stitched(surfaces, reach, [one.neighbours for one in scans]))
    of = {member: index for index, one in enumerate(commons) for member in one.members}
    labels = np.full(joined.surface.facets, -1, dtype=np.int32)
    for k, scan in enumerate(scans):
        table = np.array([*(of[k, i] for i in range(len(scan.features))), -1], dtype=np.int32)
        mine = np.flatnonzero((joined.mesh == k) & (joined.facet >= 0))
        labels[mine] = table[scan.labels[joined.facet[mine]]]
    _label_seams(labels, joined)
    areas = facet_areas(joined.surface.vertices, joined.surface.faces)
    covered = np.bincount(labels[labels >= 0], areas[labels >= 0], minlength=len(commons))
    count = np.bincount(labels[labels >= 0], minlength=len(commons))
    done = []
    for one, area, facets in zip(commons, covered, count, strict=True):
        feature = one.feature
        if len(one.members) > 1:
            known = feature.uncertainty
            radius = with_scale(known.radius, feature.radius or 0.0, source.scale_uncertainty)
            feature = without_coating(
                replace(feature, uncertainty=replace(known, radius=radius)), recovery.coating_thickness
            )
        extent = replace(feature.extent, area=float(area) or feature.extent.area, facets=int(facets))
        done.append(one._replace(feature=replace(feature, extent=extent)))
    return done, np.asarray(labels, dtype=np.int32), joined


def _label_seams(labels: Ints, joined: Stitched) -> None:
    """What closes a seam carries the feature that all facets of scans round its corners carry, if that is one."""
    faces, scanned = joined.surface.faces, joined.facet >= 0
    seam = np.flatnonzero(~scanned)
    at_seam = np.zeros(len(joined.surface.vertices), dtype=np.bool_)
    at_seam[faces[seam]] = True
    round_it = np.flatnonzero(scanned & at_seam[faces].any(axis=1))
    low = np.full(len(at_seam), np.iinfo(np.int32).max, dtype=np.int32)
    high = np.full(len(at_seam), -1, dtype=np.int32)
    for k in range(3):
        np.minimum.at(low, faces[round_it, k], labels[round_it])
        np.maximum.at(high, faces[round_it, k], labels[round_it])
    least, most = low[faces[seam]].min(axis=1), high[faces[seam]].max(axis=1)
    labels[seam] = np.where(least == most, least, -1)


def _uncrossed(joined: Stitched) -> Stitched:
    """Without facets of later set-ups, and of seams, that cross others: what they leave open is filled like any gap."""
    vertices, faces = joined.surface.vertices, joined.surface.faces
    # What one scan alone crosses in is not asked for: of each pair one facet closes a seam, or comes near an earlier
    # scan's.
    asked = joined.facet < 0
    for k in range(1, int(joined.mesh.max()) + 1):
        mine = np.flatnonzero((joined.mesh == k) & ~asked)
        earlier = faces[(joined.mesh < k) & (joined.facet >= 0)]
        if len(earlier):
            asked[mine] = surroundings(vertices, earlier, 0.0).meet(vertices, faces[mine])
    crossing = self_intersections(vertices, faces, asked)
    if not len(crossing):
        return joined
    later = np.where(joined.facet < 0, np.iinfo(np.int32).max, joined.mesh.astype(np.int64))
    worse = crossing[np.arange(len(crossing)), np.argmax(later[crossing], axis=1)]
    across = (joined.mesh[crossing[:, 0]] != joined.mesh[crossing[:, 1]]) | (joined.facet[crossing] < 0).any(axis=1)
    keep = np.ones(joined.surface.facets, dtype=np.bool_)
    keep[worse[across]] = False
    surface = Surface.measured(vertices, faces[keep])
    return Stitched(surface, joined.mesh[keep], joined.facet[keep])


def _report(
    k: int,
    onto: int,
    pose: SetUpPose,
    order: Sequence[Laid],
    scans: Sequence[SetUp],
    source: Source,
    commons: Sequence[Common],
    joined: Stitched,
) -> SetUpJoin:
    stays, laid = scans[onto], scans[k]
    of = {member: one.feature.id for one in commons for member in one.members}
    shared = tuple(
        SharedFeature(of[onto, m.pair[0]], m.off, m.tilt, m.expanded, apart)
        for m, apart in shared_misfits(stays, laid, pose, all_pairs(stays, laid, pose))
    )
    where = misfit_map(stays, laid, pose)
    places, at_seam = transformed(order[onto].motion, where.places), np.zeros(len(where.off), dtype=np.bool_)
    seam = seam_middles(joined, onto, k)
    if len(seam) and len(places):
        at_seam = cKDTree(seam).query(places)[0] < _AT_SEAM
    covariance = order[k].covariance
    assert covariance is not None
    return SetUpJoin(
        source,
        laid.noise,
        onto + 1,
        order[k].motion,
        covariance,
        at_corner(
            covariance,
            np.concatenate([transformed(one.motion, one.scan.surface.vertices) for one in order]),
        ),
        pose.overlap,
        pose.clash,
        shared,
        scale_between(stays, laid, pose),
        bend_between(stays, laid, where),
        places,
        where.off,
        where.sigma,
        at_seam,
    )


def _rejected(recover: RecoverResult, joined: Stitched, kept: Indices):  # type: ignore[no-untyped-def]
    """What was refused in the job's own scan, by the facets that are left of it: kept (m,) had a part in the join."""
    place = np.full(len(recover.labels), -1, dtype=np.int32)
    mine = np.flatnonzero((joined.mesh == 0) & (joined.facet >= 0))
    place[kept[joined.facet[mine]]] = mine
    out = []
    for patch in recover.rejected:
        facets = None if patch.facets is None else place[patch.facets]
        out.append(replace(patch, facets=None if facets is None else facets[facets >= 0]))
    return tuple(out)


def _left_out(scans: Sequence[SetUp], mesh: Surface) -> Removal:
    count = sum(one.surface.facets for one in scans) - mesh.facets
    area = sum(float(facet_areas(one.surface.vertices, one.surface.faces).sum()) for one in scans)
    left = float(facet_areas(mesh.vertices, mesh.faces).sum())
    return Removal("facets seen twice", max(count, 0), area - left, "another set-up saw the place better")


def _of_scans(clean: CleanResult, set_ups: Sequence[Scanned]) -> tuple[str, ...]:
    told = [*clean.cautions]
    for one in set_ups:
        told += [f"{one.source.file}: {text}" for text in (*one.cautions, *one.clean.cautions)]
    return tuple(dict.fromkeys(told))


def _cautions(reports: Sequence[SetUpJoin], commons: Sequence[Common]) -> list[str]:
    out = []
    for one in reports:
        file = one.source.file
        moved = [s.feature for s in one.shared if s.apart]
        if moved:
            out.append(
                f"{', '.join(moved)} {'lies' if len(moved) == 1 else 'lie'} otherwise in {file} than where other "
                "features put it, beyond noise: the part was bent or moved in between, or a face was worked on."
            )
        if one.scale is not None and abs(one.scale[0]) > 3.0 * one.scale[1]:
            share, sigma = one.scale
            out.append(
                f"{file} is {'larger' if share > 0 else 'smaller'} by {1e3 * abs(share):.2f} mm a metre (+- "
                f"{2e3 * sigma:.2f} at 95 %) than the scan it was laid on: the part was warmer, or a scanner is off."
            )
        bend = one.bend
        if bend is not None and bend.stands_out:
            out.append(
                f"In {file} the part is formed otherwise than in the scan it was laid on: over "
                f"{mm(bend.length, '.0f')} it is bent by {um(bend.bow)} (+- {um(SINGLE * bend.bow_sigma)} at 95 %) and "
                f"twisted by {np.degrees(abs(bend.twist)):.3f} degrees (+- "
                f"{np.degrees(SINGLE * bend.twist_sigma):.3f}), more than noise explains: by clamps, warmth or a moved "
                "scanner; sizes over both scans are off by as much."
            )
        told = steps(one)
        if told:
            out.append(told)
        if one.corner > 0.1:
            out.append(
                f"{file} shares so little with the scan it was laid on that a far corner of it is known within "
                f"{mm(one.corner)} only; scan more in common, or measure a size across."
            )
    return out


def steps(one: SetUpJoin) -> str:
    """What there is to say of steps at the seams; nothing where noise and pose explain what is apart."""
    wide = np.abs(one.off) / np.maximum(one.sigma, 1e-9)
    file = one.source.file
    if len(wide) >= 20 and (wide > _WIDE).mean() > _MANY:
        middle = um(float(np.median(np.abs(one.off))))
        return (
            f"Where {file} and the scan it was laid on both saw the part they differ by {middle} in the middle, "
            "more than noise explains: steps stand at the seams; see the map in the report."
        )
    seam = np.flatnonzero(one.at_seam)
    if not len(seam):
        return ""
    out = seam[holm(chdtrc(1, wide[seam] ** 2)) <= LEVEL]
    if not len(out):
        return ""
    worst = out[np.argmax(np.abs(one.off[out]))]
    return (
        f"At its seam {file} stands {um(float(abs(one.off[worst])))} {'proud' if one.off[worst] > 0 else 'deep'} near "
        f"{place_in_mm(one.places[worst], '.0f')}, more than noise explains, and so it is in {len(out)} of {len(seam)} "
        "places along it; see the map in the report."
    )
