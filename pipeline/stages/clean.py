"""Second stage: take away what is not the part, and make the rest an oriented 2-manifold.

No measured point is moved. Whatever goes is named with its count and area, and the areas add up: what came in is what
is left plus what the removals name.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from pipeline.errors import GeometryError
from pipeline.features.exclusion import inside
from pipeline.geometry import Floats, Ints, Mask
from pipeline.job import CleanSettings
from pipeline.lengths import mm, mm2
from pipeline.mesh.query import VisibilityGrid
from pipeline.mesh.repair import (
    component_orientation,
    duplicate_layer_facets,
    facets_by_component,
    flip_zero_area,
    fold_overs,
    inconsistent_edges,
    inconsistent_facets,
    intersecting_facets,
    neighbours_left,
    reversed_facets,
    small_components,
    spikes,
    split_nonmanifold,
    zero_area_facets,
)
from pipeline.mesh.topology import (
    compact,
    components,
    degenerate_facets,
    duplicate_facets,
    facet_areas,
    facet_neighbours,
    neighbours_without,
    rows_left,
    values_left,
)
from pipeline.progress import Progress
from pipeline.values import FILLED, CleanResult, ReadResult, Removal, Surface

# A vertex further than this many times the noise out of its ring is no noise.
_SPIKE_SIGMAS = 10.0


@dataclass
class _Bench:
    """The mesh under work and the ledger of what was taken from it."""

    v: Floats
    f: Ints
    areas: Floats
    owned: bool = False
    removals: list[Removal] = field(default_factory=list)
    cautions: list[str] = field(default_factory=list)
    known: tuple[Ints, Ints] | None = None

    def remove(self, mask: Mask, what: str, note: str = "", count: int | None = None) -> bool:
        """Take the facets of `mask` away; True if there were any."""
        facets = int(np.count_nonzero(mask))
        if facets == 0:
            return False
        area = float(self.areas[np.flatnonzero(mask)].sum())
        self.removals.append(Removal(what, facets if count is None else count, area, note))
        # The scan's own facets stay as they are.
        self.f = rows_left(self.f, mask, out=self.f if self.owned else None)
        self.areas, self.owned, self.known = values_left(self.areas, mask), True, None
        if len(self.f) == 0:
            raise GeometryError(
                f"Nothing is left of the scan after removing {what}; check the exclusion zones and the scan."
            )
        return True

    def pieces(self, neighbours: Ints) -> Ints:
        """The connected component (m,) of each facet; known still where the neighbours are those of the last time."""
        if self.known is None or self.known[0] is not neighbours:
            self.known = neighbours, components(neighbours)
        return self.known[1]

    def mended(self, what: str, count: int, note: str = "") -> None:
        if count:
            self.removals.append(Removal(what, count, 0.0, note))


def clean(read: ReadResult, settings: CleanSettings, progress: Progress) -> CleanResult:
    """Exclusion zones, then broken facets, winding, non-manifold places, debris, and the way round of the whole.

    Zones inside a feature are left to the stages that know the features. Raises GeometryError if nothing is left,
    SettingsError for a zone that can't be placed.
    """
    v, f = read.surface.vertices, read.surface.faces
    bench = _Bench(v, f, facet_areas(v, f))
    area_in = float(bench.areas.sum())
    bench.remove(read.surface.origin == FILLED, "facets that a run had filled", "marked as never measured in the file")
    _exclude(bench, settings)
    progress(0.1, "broken facets")
    bench.remove(degenerate_facets(bench.f), "degenerate facets", "two corners in one point")
    neighbours = facet_neighbours(bench.f, len(bench.v))
    double = duplicate_facets(bench.f, len(bench.v), neighbours)
    neighbours = _taken_out(bench, neighbours, double, "duplicate facets", "same three corners as another facet")
    progress(0.25, "winding")
    neighbours = _make_consistent(bench, neighbours)
    progress(0.4, "spikes and folds")
    # What has no noise is a tessellation: sharp tips and thin shells in it are meant.
    sigma = read.source.noise_sigma
    if sigma > 0:
        neighbours = _fold_overs_and_spikes(bench, neighbours, sigma)
    progress(0.6, "non-manifold places")
    neighbours = _split(bench, neighbours)
    progress(0.7, "doubled sheets")
    if sigma > 0:
        neighbours = _duplicate_layers(bench, neighbours, sigma)
    progress(0.75, "debris")
    neighbours = _debris(bench, neighbours, settings)
    neighbours = _zero_area(bench, neighbours)
    progress(0.8, "crossing facets")
    if sigma > 0:
        neighbours = _intersecting(bench, neighbours, read.source.mean_edge, settings)
    progress(0.9, "orientation")
    _orient(bench, neighbours)
    vertices, faces, _ = compact(bench.v, bench.f)
    progress(1.0)
    return CleanResult(Surface.measured(vertices, faces), tuple(bench.removals), area_in, tuple(bench.cautions))


def _exclude(bench: _Bench, settings: CleanSettings) -> None:
    zones = [(i, zone) for i, zone in enumerate(settings.exclude, 1) if zone.shape != "inside"]
    for number, zone in zones:
        centroids = bench.v[bench.f].mean(axis=1)
        if not bench.remove(inside(zone, centroids), f"excluded by zone {number}", zone.shape):
            bench.cautions.append(
                f"Exclusion zone {number} ({zone.shape}) holds nothing of the scan; check its place and coordinates."
            )


def _make_consistent(bench: _Bench, neighbours: Ints) -> Ints:
    """Make the winding the same over each sheet; returns the neighbours."""
    if inconsistent_edges(bench.f, neighbours):
        wrong = inconsistent_facets(bench.f, neighbours, bench.areas)
        bench.mended(
            "facets turned over",
            int(wrong.sum()),
            f"{mm2(bench.areas[wrong].sum(), '.4g')} ran against the facets round them",
        )
        bench.f, neighbours = reversed_facets(bench.f, neighbours, wrong)
    return neighbours


def _fold_overs_and_spikes(bench: _Bench, neighbours: Ints, sigma: float) -> Ints:
    folded = fold_overs(bench.v, bench.f, neighbours)
    neighbours = _taken_out(bench, neighbours, folded, "folded facets", "turned back on the surface round them")
    needles = spikes(bench.v, bench.f, _SPIKE_SIGMAS * sigma)
    note = f"stand out by more than {mm(_SPIKE_SIGMAS * sigma, '.3f')}"
    return _taken_out(bench, neighbours, needles, "spikes", note)


def _taken_out(bench: _Bench, neighbours: Ints, mask: Mask, what: str, note: str) -> Ints:
    """Take the facets of `mask` away; the neighbours of those left."""
    if mask.any():
        neighbours = neighbours_left(bench.f, neighbours, mask)
        bench.remove(mask, what, note)
    return neighbours


def _split(bench: _Bench, neighbours: Ints) -> Ints:
    manifold = split_nonmanifold(bench.v, bench.f, neighbours)
    bench.mended("non-manifold edges parted", manifold.edges, "more than two facets met there")
    bench.mended("vertices split", manifold.vertices_split, "sheets touched in them")
    if len(manifold.kept) < len(bench.f):
        gone = np.ones(len(bench.f), dtype=bool)
        gone[manifold.kept] = False
        bench.remove(gone, "pinched facets", "hung on the rest by one vertex, or could not be parted from it")
    bench.v, bench.f, bench.known = manifold.vertices, manifold.faces, None
    return manifold.neighbours


def _duplicate_layers(bench: _Bench, neighbours: Ints, sigma: float) -> Ints:
    double = duplicate_layer_facets(bench.v, bench.f, bench.pieces(neighbours), sigma)
    if bench.remove(double, "doubled sheets", "a larger piece lies on them and faces the same way"):
        return _split(bench, neighbours_without(neighbours, double))
    return neighbours


def _debris(bench: _Bench, neighbours: Ints, settings: CleanSettings) -> Ints:
    labels = bench.pieces(neighbours)
    found = small_components(bench.v, bench.f, neighbours, labels, bench.areas, settings.debris_share)
    if found.debris_count:
        assert found.distance is not None
        note = f"{found.debris.sum()} facets, the nearest {mm(found.distance, '.3g')} from the part"
        bench.remove(found.debris, "debris", note, count=found.debris_count)
        neighbours = neighbours_without(neighbours, found.debris)
    if found.islands:
        alone = found.islands == 1
        pieces = "1 small separate piece lies" if alone else f"{found.islands} small separate pieces lie"
        bench.cautions.append(f"{pieces} in openings or gaps of the part and {'was' if alone else 'were'} kept.")
    return neighbours


def _zero_area(bench: _Bench, neighbours: Ints) -> Ints:
    """Facets whose corners lie on one line: share the facet beside them, or go where there is none."""
    if not zero_area_facets(bench.v, bench.f).any():
        return neighbours
    before = float(bench.areas.sum())
    bench.f, neighbours, changed = flip_zero_area(bench.v, bench.f, neighbours)
    bench.areas[changed] = facet_areas(bench.v, bench.f[changed])
    # The corner is on the side to within 1e-7 of its length: that little is what is lost or won.
    bench.removals.append(
        Removal("facets without area", int(changed.sum()), before - float(bench.areas.sum()), "shared out")
    )
    return neighbours


def _intersecting(bench: _Bench, neighbours: Ints, edge: float, settings: CleanSettings) -> Ints:
    cross = intersecting_facets(bench.v, bench.f, neighbours, bench.areas, edge)
    if not cross.any():
        return neighbours
    if bench.areas[cross].sum() > settings.debris_share * bench.areas.sum():
        bench.cautions.append(
            f"{cross.sum():,} facets ({mm2(bench.areas[cross].sum(), '.4g')}) pass through others, more than are "
            "removed unasked; surfaces lie over each other there: align the scan's passes again, or exclude one by "
            "a zone."
        )
        return neighbours
    bench.remove(cross, "crossing facets", "passed through other facets")
    neighbours = _split(bench, neighbours_without(neighbours, cross))
    # What lay between crossing facets hangs on nothing now.
    labels = bench.pieces(neighbours)
    crumbs = small_components(bench.v, bench.f, neighbours, labels, bench.areas, settings.debris_share)
    if bench.remove(crumbs.debris, "crumbs", "left over where crossing facets went", count=crumbs.debris_count):
        neighbours = neighbours_without(neighbours, crumbs.debris)
    return neighbours


def _orient(bench: _Bench, neighbours: Ints) -> None:
    labels = bench.pieces(neighbours)
    grid = VisibilityGrid.of(bench.v, bench.f)
    wrong = np.zeros(len(bench.f), dtype=bool)
    pieces = unsure = 0
    for number, mine in enumerate(facets_by_component(labels)):
        faces = bench.f[mine] if number else rows_left(bench.f, labels > 0) if labels.any() else bench.f
        inward = component_orientation(bench.v, faces, grid).inward
        if inward:
            wrong[mine] = True
            pieces += 1
        elif inward is None and bench.areas[mine].sum() > 0.05 * bench.areas.sum():
            unsure += 1
    if pieces:
        bench.mended("pieces turned inside out", pieces, f"{mm2(bench.areas[wrong].sum(), '.4g')} faced the material")
        bench.f, _ = reversed_facets(bench.f, neighbours, wrong)
    if unsure:
        bench.cautions.append(
            "The scan is too open to tell outside from inside; it was taken as it came: check that bores are "
            "called bores."
        )
