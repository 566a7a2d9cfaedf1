"""From a cleaned scan or an exact tessellation to fitted faces: search, growth, fit, and what is refused and why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from pipeline.features.fitting import Piece
from pipeline.features.segmentation.extraction import (
    ScanPiece,
    bow,
    piece_of_facets,
    settled,
    too_little,
)
from pipeline.features.segmentation.narrow_flats import narrow_flats
from pipeline.features.segmentation.out_of_flat import ends_sharply, out_of_flat
from pipeline.features.segmentation.refusals import Refusal, overruled, refused
from pipeline.features.segmentation.rims import TOLD, broad_ones, judged_by_rim
from pipeline.features.segmentation.search import (
    FINAL_SAMPLE,
    NAMES,
    SMALL,
    Region,
    Segmentation,
    carriers,
    choose,
    facing,
    find_regions,
    form_doubt,
    grown,
    prepare,
    region_of,
    warped,
)
from pipeline.features.segmentation.tessellation import faces_of
from pipeline.features.segmentation.vertex_walks import NO_REGION, facet_labels, whole_areas
from pipeline.features.uncertainty import SHORT_ARC
from pipeline.geometry import Ints
from pipeline.job import Accept
from pipeline.mesh.topology import facet_areas, facet_neighbours, facet_normals
from pipeline.progress import Progress
from pipeline.surfaces import KINDS
from pipeline.values import Rejected, Surface

_LEAST_FLAT = 2e-5  # of the whole area: the smallest plane looked for on a tessellation
_ALIKE, _TURNED = 4.0, np.cos(np.radians(25.0))  # areas, and normals, of planes that chords of a curve may be
_MOSTLY = 0.5  # of a region's vertices: what has them is told instead


def faces_of_scan(
    surface: Surface,
    white: float,
    kinds: tuple[str, ...],
    least: float,
    progress: Progress,
    listed: float = np.inf,
    accepted: Sequence[Accept] = (),
) -> tuple[list[Piece], Ints, list[Rejected]]:
    """The fitted faces of a noisy scan, largest first; which carries each facet (m,), -1 none; and what was refused.

    white     mm, the scan's noise that neighbours don't share
    kinds     those that are looked for
    least     mm2, the smallest area of a face
    listed    mm2 from which on what was refused is numbered and has its place and facets
    accepted  what of the refused is to stand all the same

    Raises SettingsError where an accepted surface is neither found nor refused.

    >>> from pipeline.progress import silent
    >>> from tests.features.faces import grid
    >>> vertices, faces, _ = grid(80, 0.5, lambda x, y: 0.0 * x)
    >>> rough = vertices + np.random.default_rng(1).normal(0.0, 0.01, (len(vertices), 1)) * [0.0, 0.0, 1.0]
    >>> (piece,), labels, refused = faces_of_scan(Surface.measured(rough, faces), 0.01, ('plane',), 0.0, silent)
    >>> piece.shape.kind, round(piece.extent.area), len(refused)
    ('plane', 1562, 0)
    """
    ground = prepare(surface, white)
    progress(0.15, "looking for surfaces")
    found, ajar = find_regions(ground, kinds, lambda fraction, text="": progress(0.15 + 0.45 * fraction, text))
    for index, region in enumerate(found):
        ground.label[region.members] = index
    broad, open_ones = broad_ones(ground, ajar, len(found))
    del ajar  # of a large scan many MB
    found += broad
    found = [grown(ground, region, index) for index, region in enumerate(found)]
    progress(0.65, "fitting")
    patches, rejected = _sifted(ground, found, kinds, open_ones)
    for number, wish in enumerate(accepted, 1):
        overruled(ground, number, wish, patches, rejected)
    small = [p for p in patches if p.extent.area < least]
    rejected += [Refusal(p.region, "smaller than the least area asked for") for p in small]
    patches = sorted((p for p in patches if p.extent.area >= least), key=lambda p: -p.extent.area)
    labels = _labels(ground, patches)
    counts = np.bincount(labels[labels >= 0], minlength=len(patches))
    pieces: list[Piece] = [
        replace(p, extent=replace(p.extent, facets=int(n))) for p, n in zip(patches, counts, strict=True)
    ]
    return pieces, labels, refused(ground, rejected, listed, labels)


def faces_of_tessellation(
    surface: Surface, kinds: tuple[str, ...], least: float
) -> tuple[list[Piece], Ints, list[Rejected]]:
    """The same of an exact tessellation, as CAD writes it.

    >>> import trimesh
    >>> box = trimesh.creation.box((30.0, 20.0, 10.0))
    >>> surface = Surface.measured(box.vertices, box.faces)
    >>> pieces, labels, _ = faces_of_tessellation(surface, ('plane',), 0.0)
    >>> [round(piece.extent.area, 6) for piece in pieces], np.bincount(labels).tolist()
    ([600.0, 600.0, 300.0, 300.0, 200.0, 200.0], [2, 2, 2, 2, 2, 2])
    """
    v, f = surface.vertices, surface.faces
    areas = facet_areas(v, f)
    allowed = np.array([name in kinds for name in NAMES])
    label, (codes, shapes, signs) = faces_of(
        v,
        f,
        facet_normals(v, f),
        areas,
        facet_neighbours(f, len(v)),
        allowed,
        max(least, _LEAST_FLAT * float(areas.sum())),
    )
    order = np.argsort(label, kind="stable")
    bounds = np.searchsorted(label[order], np.arange(len(codes) + 1))
    made = []
    for index, code in enumerate(codes):
        facets = order[bounds[index] : bounds[index + 1]]
        name = NAMES[code]
        made.append((facets, piece_of_facets(surface, name, shapes[index], float(signs[index]), facets)))
    made = [(facets, piece) for facets, piece in made if piece.extent.area >= least]
    made.sort(key=lambda pair: -pair[1].extent.area)
    labels = np.full(len(f), -1, dtype=np.int32)
    for index, (facets, _) in enumerate(made):
        labels[facets] = index
    return [piece for _, piece in made], labels, []


def _sifted(
    ground: Segmentation, found: list[Region], kinds: tuple[str, ...], open_ones: list[Refusal]
) -> tuple[list[ScanPiece], list[Refusal]]:
    """The regions that stand, fitted, and the others with the reason, `open_ones` among them.

    Labels are those of `found`, and end up those of what stands.
    """
    rejected = list(open_ones)
    standing = _stand_alone(ground, found, 0, kinds, rejected)
    # How a region ends depends on what stands beside it, and a patch of skin may lean on another.
    changed = True
    while changed:
        changed = False
        for index, piece in sorted(standing.items(), key=lambda item: item[1].extent.area):
            refusals: list[Refusal] = []
            judged = _by_rim(ground, piece, index, refusals, _props(ground, piece, standing))
            if judged is None:
                judged = _grown_on(ground, piece, index, refusals, standing)
            rejected += refusals
            changed |= judged is None
            if judged is None:
                del standing[index]
            else:
                standing[index] = judged
    if not any(KINDS[name].flat for name in kinds):
        return list(standing.values()), rejected
    again: list[Refusal] = []
    flats = _flats(ground, len(found), kinds, again)
    # One that stands may have been refused before for vertices that it lacked; one that doesn't is told once.
    rejected = _uncovered(ground, rejected, [piece.region for piece in flats])
    flat = [refusal for refusal in rejected if refusal.fits and refusal.region.kind.flat]
    others = [refusal for refusal in rejected if not (refusal.fits and refusal.region.kind.flat)]
    late, told = _stand_late(ground, _told_once(ground, flat + again))
    return [*standing.values(), *flats, *late], others + told


def _grown_on(
    ground: Segmentation, piece: ScanPiece, index: int, refusals: list[Refusal], standing: dict[int, ScanPiece]
) -> ScanPiece | None:
    """A piece that its rim refused, by the only one of `refusals`, with what those refused beside it have left free.

    None where that is nothing, or its rim is as smooth there; where it stands, `refusals` ends up empty.
    """
    larger = replace(settled(ground, grown(ground, piece.region, index)), form=piece.form)
    if len(larger.region.members) <= len(piece.region.members):
        ground.label[larger.region.members] = NO_REGION
        return None
    refusals.clear()
    return _by_rim(ground, larger, index, refusals, _props(ground, larger, standing))


def _flats(ground: Segmentation, first: int, kinds: tuple[str, ...], rejected: list[Refusal]) -> list[ScanPiece]:
    """The flats a few edges wide that stand, labelled from `first` on; the others are added to `rejected`.

    None of them leans on another: the chords of a coarsely drawn curve would all hold each other up.
    """
    found = narrow_flats(ground)
    for index, region in enumerate(found, first):
        ground.label[region.members] = index
    alone = _stand_alone(ground, found, first, kinds, rejected)
    for region in found:
        ground.label[region.members] = NO_REGION
    out: list[ScanPiece] = []
    for index, piece in alone.items():
        ground.label[piece.region.members] = index
        judged = _by_rim(ground, piece, index, rejected, {})
        ground.label[piece.region.members] = NO_REGION
        if judged is not None:
            out.append(judged)
    for index, piece in enumerate(out, first):
        ground.label[piece.region.members] = index
    return out


def _props(ground: Segmentation, piece: ScanPiece, standing: dict[int, ScanPiece]) -> dict[int, ScanPiece]:
    """The small planes about as large as a small one, close to it and hardly turned from it: none is another's edge."""
    region = piece.region
    if not region.kind.flat or len(region.core) >= SMALL:
        return {}
    near = 3.0 * ground.median_edge
    return {
        index: other
        for index, other in standing.items()
        if other is not piece
        and other.region.kind.flat
        and other.region.area < _ALIKE * region.area
        and float(other.region.packed[3:6] @ region.packed[3:6]) > _TURNED
        and bool(((other.region.low < region.high + near) & (region.low < other.region.high + near)).all())
    }


def _by_rim(
    ground: Segmentation, piece: ScanPiece, index: int, rejected: list[Refusal], beside: dict[int, ScanPiece]
) -> ScanPiece | None:
    """A piece, labelled `index`, with what its rim says against it; None, without label, where that refuses it.

    Those beside it are taken for skin.
    """
    for other in beside.values():
        ground.label[other.region.members] = NO_REGION
    verdict = judged_by_rim(ground, piece, index)
    for label, other in beside.items():
        ground.label[other.region.members] = label
    if verdict.refused:
        ground.label[piece.region.members] = NO_REGION
        rejected.append(Refusal(piece.region, verdict.refused, cast=True, doubt=verdict.doubt))
        return None
    if piece.form is not None and not ends_sharply(ground, piece):
        ground.label[piece.region.members] = NO_REGION
        rejected.append(Refusal(piece.region, f"form: {piece.form}", cast=True, fits=False))
        return None
    doubt = piece.form or verdict.doubt
    return replace(piece, doubts=() if doubt is None else (doubt,))


def _uncovered(ground: Segmentation, refusals: list[Refusal], regions: list[Region]) -> list[Refusal]:
    """The refusals but for those most of which some regions have."""
    taken = np.zeros(len(ground.vertices), dtype=np.bool_)
    for region in regions:
        taken[region.members] = True
    return [refusal for refusal in refusals if taken[refusal.region.members].mean() <= _MOSTLY]


def _stand_late(ground: Segmentation, refusals: list[Refusal]) -> tuple[list[ScanPiece], list[Refusal]]:
    """The planes that stand when all else does, so that none leans on them, with what is told of them; the others."""
    late, others = [], []
    taken = ground.label != NO_REGION
    for refusal in refusals:
        region = refusal.region
        if refusal.doubt is None or taken[region.members].any():
            others.append(refusal)
            continue
        taken[region.members] = True
        late.append(replace(settled(ground, region), doubts=(refusal.doubt,)))
    return late, others


def _told_once(ground: Segmentation, refusals: list[Refusal]) -> list[Refusal]:
    """The refusals but for those most of which larger ones have that fit."""
    taken = np.zeros(len(ground.vertices), dtype=np.bool_)
    out = []
    for refusal in sorted(refusals, key=lambda refusal: -refusal.region.area):
        members = refusal.region.members
        if taken[members].mean() <= _MOSTLY:
            out.append(refusal)
            taken[members] |= refusal.fits
    return out


def _stand_alone(
    ground: Segmentation, found: list[Region], first: int, kinds: tuple[str, ...], rejected: list[Refusal]
) -> dict[int, ScanPiece]:
    """The pieces, by their label, that stand by their form and by how much of them was seen."""
    fitted: dict[int, ScanPiece] = {}
    for label, region in enumerate(found, first):
        reason = form_doubt(ground, region)
        piece = None if reason else settled(ground, region)
        if piece is not None and _short(piece):
            piece = _simpler(ground, piece, label, kinds)
        if (piece is None or bow(piece) is not None) and any(KINDS[name].flat for name in kinds):
            piece = _bent_one(ground, region, label) or piece
        if piece is None:
            ground.label[region.members] = NO_REGION
            assert reason is not None
            rejected.append(Refusal(region, reason, cast=True, fits=False))
            continue
        fitted[label] = piece
    whole = whole_areas(ground.vertices, ground.faces, ground.label, first, len(found))
    standing: dict[int, ScanPiece] = {}
    for label, piece in fitted.items():
        reason = too_little(ground, piece, whole[label - first])
        if reason:
            bowed = bow(piece) is not None
            ground.label[piece.region.members] = NO_REGION
            rejected.append(Refusal(piece.region, reason, cast=bowed, fits=not bowed))
        else:
            standing[label] = piece
    return standing


def _bent_one(ground: Segmentation, region: Region, label: int) -> ScanPiece | None:
    """A machined face that is out of flat, labelled, of a region that is no plane by its form; None of another one."""
    found = out_of_flat(ground, region)
    if found is None:
        return None
    ground.label[found.region.members] = label
    return replace(settled(ground, found.region), form=found.told)


def _simpler(ground: Segmentation, piece: ScanPiece, label: int, kinds: tuple[str, ...]) -> ScanPiece:
    """A piece of short arc as the flat kind that it can't be told from; as it is where it can be.

    A region keeps the kind that it grew with as a strip, or that one of its pieces had.
    """
    region = piece.region
    allowed = np.array([name in kinds and kind.flat for name, kind in KINDS.items()])
    s = region.packed.copy()
    code, _ = choose(ground, region.core, region.code, s, allowed, FINAL_SAMPLE)
    if code < 0:
        return piece
    sign = facing(ground, code, s, region.core)
    simple = region_of(ground, code, s, sign, region.members, region.core, region.openness)
    if form_doubt(ground, simple) or warped(ground, simple, simple.core, TOLD, np.inf):
        return piece
    return settled(ground, grown(ground, simple, label))


def _short(piece: ScanPiece) -> bool:
    return piece.extent.arc is not None and piece.extent.arc < SHORT_ARC


def _labels(ground: Segmentation, pieces: list[ScanPiece]) -> Ints:
    """(m,) the piece that carries each facet, -1 for none."""
    label = np.full(len(ground.vertices), NO_REGION, dtype=np.int32)
    for index, piece in enumerate(pieces):
        label[carriers(ground, piece.region)] = index
    return facet_labels(ground.faces, label)
