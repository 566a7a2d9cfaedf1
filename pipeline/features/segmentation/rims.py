"""How a surface ends where its rim runs smoothly on: into a fillet, or into more of the skin that it is a patch of.

Smooth skin passes for a plane, a cone or a cylinder as far as its sag hides in the noise. A patch of it is therefore
about as broad as skin that bends as it does just beyond the patch can be within the noise; a machined face is many
times as broad as what the fillet beyond its rim would leave. The ratio of the two needs no length of its own: it goes
with the noise, whatever the size of the part and the density of the scan.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.features.segmentation.extraction import MANY, ScanPiece, all_round, breadth, narrowest, settled
from pipeline.features.segmentation.model_selection import CLIP, clipped_rms
from pipeline.features.segmentation.refusals import Refusal
from pipeline.features.segmentation.region_growing import Growth
from pipeline.features.segmentation.search import (
    Region,
    Segmentation,
    carriers,
    grown,
    marked,
    region_of,
    rms_of,
    smooth_rim_share,
    warped,
)
from pipeline.features.segmentation.vertex_walks import GATE, NO_REGION
from pipeline.geometry import Floats, Ints
from pipeline.lengths import mm, um
from pipeline.surfaces import kind_of, signed_distance

_OPEN, _OPEN_FEW, _OPEN_HALF = 0.4, 0.12, 0.55  # of the rim: in general, on few vertices, of half a turn
_FEW = 300  # vertices
_SAMPLES = 100  # vertices from which form can be told from noise
# Chi squared of the three degrees of freedom of a bend: so much comes of noise once in a hundred times. On so many
# vertices a bend of half the noise comes to more in 95 of a hundred: non-central by a fourth of their number.
TOLD, _TELLING = 11.34, 92
_ROUGH = 1.2  # times the noise: rms that so many hardly ever show by chance
_STRAYING, _SURELY = 1.12, 3.0  # times the noise, with half of it added; and standard deviations of an rms by chance
_FIRM, _SOME = 25.0, 0.1  # times as bent beyond the rim as what hides in the noise, but for some of the rim
_FIRM_FLAT = 6.0  # the same for a plane, which is refused below it: what is narrow hides more of a bend
_SKIN = 2.0  # times as bent, half of what lies open beyond: as skin is that was left where it left the noise
_RUNS_ON = 0.3  # of the rim
_AWAY, _MOST_RINGS = 1.2, 12  # mm beyond the rim that are looked at, as far as that is so many rings
_WIDEST = 300.0  # mm: no casting has fillets of a larger radius (common practice, no source)
_STEEP = 0.5  # of the way from the rim: further off its surface lies what is beyond a sharp edge


@dataclass(frozen=True)
class Verdict:
    """What a rim says of a piece: why it is refused, or what is to be told of one that stands; None for nothing.

    One with both is refused for now, and may stand when all others do, with that told of it.
    """

    refused: str | None = None
    doubt: str | None = None


def judged_by_rim(ground: Segmentation, piece: ScanPiece, index: int) -> Verdict:
    """What the rim of a piece says of it; labels must be up to date, `index` is the piece's.

    A patch of a few vertices lies on some surface by chance, so it has to end all round. Half a turn of an axial
    surface hardly comes about by chance, and one without a hole of a third of a turn, on many vertices, not at all: a
    journal between two fillets, whole or slit by ribs. What is broad, fits at the noise and bends away hard all along
    its rim stands as well, with that told of it; what goes round an axis and hardly bends away is a strip of a dome. A
    narrow plane hides more of a bend: where it fits and bends away less hard it is refused while others lean on their
    neighbours, and may stand after that. A plane of which some of the rim runs on, and not hard, may be a curve's.
    """
    share = smooth_rim_share(ground, piece.region, index, breadth(piece))
    closed, kind = ends(piece, share), kind_of(piece.shape)
    if closed and not (kind.axial and share > _RUNS_ON) and not (kind.flat and share > _OPEN_FEW):
        return Verdict(doubt=_strays(ground, piece.region))
    bent, radius = _bends(ground, piece, index)
    if closed and not kind.flat:
        free = bent[np.isfinite(bent)]
        return Verdict(_strip(ground, piece, radius) if len(free) and np.median(free) < _SKIN else None)
    firm = _firm(bent, _FIRM)
    if closed and firm:
        return Verdict(doubt=_strays(ground, piece.region))
    runs = f"{100 * share:.0f} % of its rim runs smoothly into skin that is no machined surface"
    bends = f"{runs}, {_bending(radius)}"
    if closed:
        return Verdict(doubt=bends)
    if not _fits(ground, piece.region) or not _firm(bent, _FIRM_FLAT if kind.flat else _FIRM):
        return Verdict(runs)
    return Verdict(doubt=bends) if firm else Verdict(runs, bends)


def broad_ones(ground: Segmentation, ajar: Sequence[Growth], count: int) -> tuple[list[Region], list[Refusal]]:
    """Of what was refused for its open rim: what is broad, fits and bends away hard there, and what only fits.

    count  of the regions there are: what stands is labelled from there on
    """
    standing: list[Region] = []
    others: list[Refusal] = []
    refused = np.zeros(len(ground.vertices), dtype=np.bool_)
    for growth in sorted(ajar, key=lambda growth: -len(growth.core)):
        core = growth.core[(ground.label[growth.core] == NO_REGION) & ~refused[growth.core]]
        if len(core) < max(_SAMPLES, 0.5 * len(growth.core)):
            continue
        some = ground.vertices[core[:: max(1, len(core) // _SAMPLES)]]
        if clipped_rms(growth.code, growth.packed, some, GATE * ground.sigma) > _ROUGH * ground.sigma:
            continue
        index = count + len(standing)
        region = region_of(ground, growth.code, growth.packed, growth.sign, core, core, growth.openness)
        if not _fits(ground, region):
            continue
        # Its rim is where it ends with its final shape.
        region = grown(ground, region, index)
        bent, _ = _bends(ground, settled(ground, region), index)
        if not _firm(bent, _FIRM):
            ground.label[region.members] = NO_REGION
            refused[core] = True
            share = (
                f"{100 * growth.openness:.0f} % of its rim is carried on smoothly by skin that is no machined surface"
            )
            others.append(Refusal(region, share, cast=True))
            continue
        standing.append(region)
    return standing, others


def ends(piece: ScanPiece, share: float) -> bool:
    """Whether a piece ends at its rim, of which `share` runs smoothly into skin, as a machined face does."""
    most = _OPEN_FEW if len(piece.region.core) < _FEW else _OPEN
    if kind_of(piece.shape).axial and piece.extent.arc is not None and piece.extent.arc > np.pi:
        most = _OPEN_HALF
    return share <= most or all_round(piece)


def _strays(ground: Segmentation, region: Region) -> str | None:
    """How a plane is off all that carries it, or that it was fitted on; None where that fits as its middle does.

    A bit of a curve next to what it is tangent to ends there as a face would, but leads away from the plane. What leads
    away so far that it is not said to carry the plane has pulled the fit all the same. Few vertices tell nothing of
    that.
    """
    if not region.kind.flat:
        return None
    if len(region.core) < _TELLING:
        half = f"{um(0.5 * ground.sigma)} rms, half the scan's noise"
        return f"its {len(region.core)} vertices are too few to tell whether it is bowed or twisted by {half}"
    up_to_edges = carriers(ground, region)
    warp = warped(ground, region, up_to_edges, TOLD, MANY)
    if warp:
        return f"up to its edges it is {warp}"
    if len(region.core) >= MANY:
        return None
    every = np.union1d(region.core, up_to_edges)
    rms = clipped_rms(region.code, region.packed, ground.vertices[every], CLIP * ground.sigma)
    if rms <= max(_STRAYING, 1.0 + _SURELY / np.sqrt(2.0 * len(every))) * ground.sigma:
        return None
    return f"up to its edges it is {um(rms)} rms off where the scan's noise explains {um(ground.sigma)}"


def _firm(bent: Floats, least: float) -> bool:
    """Whether a surface bends away at least so hard all along its rim, but for a little of it."""
    return float(np.sort(bent)[int(_SOME * len(bent))]) >= least


def _fits(ground: Segmentation, region: Region) -> bool:
    """Whether a region shows no form beyond the noise, on vertices enough to tell."""
    count = len(region.core)
    waves = 1.5 + 3.0 * np.sqrt(2.0 / region.freedom)
    level = (1.0 + 1.0 / np.sqrt(2.0 * count)) * ground.sigma
    return count >= _SAMPLES and region.misfit < waves and rms_of(ground, region) < level


def _strip(ground: Segmentation, piece: ScanPiece, radius: float) -> str:
    return (
        f"a strip {mm(narrowest(ground, piece), '.1f')} wide of a surface that curves both ways: beyond it that goes "
        f"on bending with a radius of about {mm(radius, '.2g')}, and so much of that hides in the noise"
    )


def _bending(radius: float) -> str:
    """How what lies beyond a rim bends away, in words.

    >>> _bending(1e9)
    'hardly bending away there'
    """
    if radius > _WIDEST:
        return "hardly bending away there"
    return f"bending away there with a radius of about {mm(radius, '.2g')}, as a fillet does"


def _bends(ground: Segmentation, piece: ScanPiece, index: int) -> tuple[Floats, float]:
    """How many times as strongly what lies beyond a rim bends away as hides in the noise over the piece's breadth.

    (k,) of the vertices a little beyond the rim, infinite where another region begins; and the radius, mm, in the
    middle of those that no edge parts from it.
    """
    beyond, source, ended = _walked_out(ground, piece, index)
    points, rim = ground.vertices[beyond], ground.vertices[source]
    away = np.abs(signed_distance(piece.shape, points))
    before = np.minimum(np.abs(signed_distance(piece.shape, rim)), away)
    along = np.maximum(np.linalg.norm(points - rim, axis=1), 1e-9)
    # Off a circle that touches the surface d = s^2 / 2 R: from the one distance to the other it is `along`.
    curved = 2.0 * ((np.sqrt(away) - np.sqrt(before)) / along) ** 2
    hidden = 8.0 * GATE * ground.sigma / narrowest(ground, piece) ** 2
    near = away < _STEEP * along
    radius = 1.0 / max(float(np.median(curved[near])), 1e-9) if near.any() else 0.0
    return np.concatenate([curved / hidden, np.full(max(ended, int(not len(beyond))), np.inf)]), radius


def beside(ground: Segmentation, vertices: Ints) -> tuple[Ints, Ints]:
    """The vertices beside each of some (k,), one list after the other, and how many each of them has (k,)."""
    starts = ground.indptr[vertices]
    counts = ground.indptr[vertices + 1] - starts
    firsts = np.cumsum(counts) - counts
    return ground.indices[np.repeat(starts - firsts, counts) + np.arange(counts.sum())], counts


def _walked_out(ground: Segmentation, piece: ScanPiece, index: int) -> tuple[Ints, Ints, int]:
    """The vertices some rings beyond a rim, those at the rim that they were reached from, and how many were in the way.

    In the way is what another region has; nothing beyond it is looked at.
    """
    members, scratch = piece.region.members, ground.scratch
    rings = int(np.clip(np.ceil(_AWAY / float(ground.edge[members].mean())), 3, _MOST_RINGS))
    marked(ground, members)
    seen = scratch.stamp[0] + 2
    front = source = members
    ended = 0
    for _ in range(rings):
        found, counts = beside(ground, front)
        reached = np.repeat(source, counts)
        fresh = (scratch.mark[found] != seen - 2) & (scratch.mark[found] != seen)
        front, at = np.unique(found[fresh], return_index=True)
        source = reached[fresh][at]
        scratch.mark[front] = seen
        own = (ground.label[front] == NO_REGION) | (ground.label[front] == index)
        ended += int((~own).sum())
        front, source = front[own], source[own]
    scratch.stamp[0] += 2
    return front, source, ended
