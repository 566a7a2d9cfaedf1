"""Fill: every gap listed and told apart, what is safe to close closed, all of it marked as filled."""

from __future__ import annotations

import difflib
import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.errors import SettingsError
from pipeline.features.exclusion import inside, propose, without_inside
from pipeline.features.gaps import (
    Band,
    Behind,
    HolePatch,
    Opening,
    Surroundings,
    Verdict,
    band_of,
    find_rims,
    is_pepper,
    judge,
    name_gaps,
    outward_signs,
    plain_ways,
    rims_of,
    ways_to_cap,
    ways_to_close,
)
from pipeline.features.naming import counted, number_gaps
from pipeline.geometry import Floats, Indices, Ints, Mask
from pipeline.jit import njit
from pipeline.job import FillSettings, Zone
from pipeline.mesh.query import self_intersections
from pipeline.mesh.repair import split_singular_vertices
from pipeline.mesh.topology import facet_areas, facet_neighbours
from pipeline.progress import Progress, silent
from pipeline.surfaces import shape_of
from pipeline.values import (
    FILLED,
    CleanResult,
    Feature,
    FillResult,
    Gap,
    NameBook,
    NumberedGap,
    Proposal,
    RecoverResult,
    Source,
    Surface,
)

NO_NAMES = NameBook()
# Mouths of one hole are not that different in area.
_MOUTHS = 3.0
_DONE = {"close": "closed", "cap": "capped", "leave": "left open"}


@dataclass(frozen=True)
class _Made:
    """A gap, what is to be done with it, the patch if one was found that fits, and further ways to try.

    proposed  why closing it is only proposed, "" where it isn't
    anyway    True where the patch may cross measured facets that cross others already
    """

    opening: Opening
    do: str
    patch: HolePatch | None
    note: str
    ways: Iterator[HolePatch]
    proposed: str = ""
    anyway: bool = False


def fill(
    clean: CleanResult,
    recover: RecoverResult,
    source: Source,
    settings: FillSettings,
    progress: Progress = silent,
    exclude: tuple[Zone, ...] = (),
    filed: NameBook = NO_NAMES,
) -> FillResult:
    """Close the gaps of the cleaned surface.

    The measured vertices and facets come first and in their order; new ones follow, with origin FILLED.
    Closed unless the job says otherwise: gaps in a face or skin, and across an edge. Left open: ends of
    holes, real openings, the scan's border. A gap that a bore comes out of, or behind which air is seen, is a
    real opening; one larger than `settings.ask_above` with anything against its closing is proposed, not closed, and
    the note of one that is closed says what speaks for it. A mark seen through another, larger one that has metal
    behind it is a mark. A patch that would cross the surface or join it in a non-manifold way is not used; its gap is
    left open and says so, but that a tiny one may cross what crosses itself already. Proposals of what is probably not
    the part come along; nothing is cut for them. What lies in a zone of `exclude` inside a bore is taken out first, now
    that the bores are known. Tiny gaps are told as one row.
    filed: the file of names as the recover stage left it, for the numbers of gaps.

    Raises SettingsError where the job names a gap, or a zone a feature, that there is not.
    """
    before, whole = len(clean.removals), len(clean.cautions)
    clean, recover = without_inside(clean, recover, exclude)
    carved, told = clean.removals[before:], clean.cautions[whole:]
    surface = clean.surface
    progress(0.02, "looking for gaps")
    neighbours = facet_neighbours(surface.faces, len(surface.vertices))
    proposals = propose(surface, recover.labels, recover.features, source, neighbours)
    rims, stands_for = find_rims(surface, neighbours)
    del neighbours
    if not rims:
        _refuse_unknown(settings, ())
        return FillResult(surface, recover.labels, (), proposals, told, carved, filed)
    progress(0.2, "telling gaps apart")
    shapes = tuple(shape_of(feature) for feature in recover.features)
    band = band_of(surface, rims, recover.labels)
    openings = name_gaps(surface, rims, band, shapes, source.noise_sigma)
    openings, settings, book, missed = _numbered(openings, settings, filed, source.sha256)
    _refuse_unknown(settings, openings)
    ground = Surroundings(
        surface.vertices, surface.faces, band, shapes, outward_signs(shapes, band), source.noise_sigma
    )
    watch = _Watch(surface, recover.features, _zones(exclude, proposals), settings)
    made = []
    for number, opening in enumerate(openings):
        progress(0.3 + 0.5 * number / len(openings), f"closing gaps, {number + 1} of {len(openings)}")
        made.append(_first_patch(opening, _wanted(opening, settings), ground))
    made = watch.held(made, ground)
    progress(0.8, "checking that nothing crosses")
    made = _checked(surface, made, ground, stands_for)
    progress(0.95, "putting it together")
    names = tuple(feature.id for feature in recover.features)
    tiny = [is_pepper(item.opening) and item.opening.id not in watch.named for item in made]
    result = _put_together(surface, recover.labels, made, tiny, stands_for, names)
    cautions = (*told, *missed, *result.cautions)
    return replace(result, proposals=proposals, cautions=cautions, carved=carved, book=book)


def _numbered(
    openings: tuple[Opening, ...], settings: FillSettings, filed: NameBook, scan: str
) -> tuple[tuple[Opening, ...], FillSettings, NameBook, list[str]]:
    """The gaps by their numbers, and the job's choices likewise; cautions on choices whose gap this scan doesn't have.

    A tiny gap in a face is no more than a hole in the noise, and not to be found in another scan: its number
    goes no further than this one.
    """
    places = [NumberedGap("", opening.outer.centre, opening.outer.length) for opening in openings]
    ids, book = number_gaps(filed, places, scan)
    known = {gap.id for gap in filed.gaps}
    passing = {ident for ident, opening in zip(ids, openings, strict=True) if is_pepper(opening) and ident not in known}
    book = replace(book, gaps=tuple(gap for gap in book.gaps if gap.id not in passing))
    now = {opening.id: ident for opening, ident in zip(openings, ids, strict=True)}
    given = known - set(ids)
    gone = [choice.id for choice in settings.gaps if choice.id in given]
    # The ids of version 0.1.0 are read as well.
    choices = tuple(
        choice.model_copy(update={"id": now.get(choice.id, choice.id)})
        for choice in settings.gaps
        if choice.id not in given
    )
    told = [f"The job says what to do with {ident}, which this scan doesn't have." for ident in gone]
    renumbered = tuple(replace(opening, id=now[opening.id]) for opening in openings)
    return renumbered, settings.model_copy(update={"gaps": choices}), book, told


def _refuse_unknown(settings: FillSettings, openings: tuple[Opening, ...]) -> None:
    known = [opening.id for opening in openings]
    for choice in settings.gaps:
        if choice.id not in known:
            close = difflib.get_close_matches(choice.id, known, n=1)
            hint = f"did you mean {close[0]!r}?" if close else "take that entry out of the job's fill.gaps."
            raise SettingsError(f"The job says what to do with {choice.id!r}, but the scan has no such gap; {hint}")


def _wanted(opening: Opening, settings: FillSettings) -> str:
    for choice in settings.gaps:
        if choice.id == opening.id:
            return choice.do
    if opening.safe and settings.close == "safe":
        return "close"
    return "cap" if settings.watertight else "leave"


class _Watch:
    """Holds each unasked closing against what lies behind the gap."""

    def __init__(
        self,
        surface: Surface,
        features: Sequence[Feature],
        zones: tuple[tuple[str, Zone], ...],
        settings: FillSettings,
    ) -> None:
        self.surface, self.features, self.zones, self.settings = surface, features, zones, settings
        self.named = {choice.id for choice in settings.gaps}

    def held(self, made: list[_Made], ground: Surroundings) -> list[_Made]:
        """The gaps as they were made, or left open (capped, if all is to be) where taken for real or in doubt."""
        asked = [n for n, item in enumerate(made) if self._is_unasked(item)]
        if not asked:
            return made
        behind = Behind.of(self.surface)
        verdicts = {n: self._judged(made[n], behind) for n in asked}
        firm = [n for n in asked if not verdicts[n].opening and not verdicts[n].doubt]
        out = list(made)
        for n in asked:
            item, verdict = made[n], verdicts[n]
            larger = [patch for k in firm if (patch := made[k].patch) and self._is_much_larger(made[k], item)]
            if verdict.seen and larger:
                verdict = self._judged(item, behind.with_patches(larger))
            out[n] = self._done(item, verdict, ground)
        return out

    def _is_unasked(self, item: _Made) -> bool:
        opening = item.opening
        return item.do == "close" and item.patch is not None and opening.id not in self.named and not is_pepper(opening)

    def _judged(self, item: _Made, behind: Behind) -> Verdict:
        assert item.patch is not None
        return judge(item.opening, item.patch, self.features, behind)

    @staticmethod
    def _is_much_larger(one: _Made, other: _Made) -> bool:
        """So much that they can't be the two mouths of one hole."""
        return one.opening.outer.area > _MOUTHS * other.opening.outer.area

    def _done(self, item: _Made, verdict: Verdict, ground: Surroundings) -> _Made:
        opening = item.opening
        other = "cap" if self.settings.watertight else "leave"
        if verdict.opening:
            found = replace(opening, kind="opening", safe=False, note=verdict.opening)
            return _first_patch(found, other, ground)
        if opening.outer.area <= self.settings.ask_above:
            return item
        known = self._explained(item) if verdict.doubt else verdict.known
        if known:
            return replace(item, opening=replace(opening, note=known))
        return replace(_first_patch(replace(opening, safe=False), other, ground), proposed=verdict.doubt)

    def _explained(self, item: _Made) -> str:
        """What was taken away, or proposed to be, where the gap is; "" for nothing."""
        assert item.patch is not None
        rim = self.surface.vertices[item.patch.corners]
        return next((what for what, zone in self.zones if inside(zone, rim).any()), "")


def _zones(exclude: tuple[Zone, ...], proposals: tuple[Proposal, ...]) -> tuple[tuple[str, Zone], ...]:
    """Of what was cut or is proposed to be: what, and where."""
    cut = [(f"exclusion zone {k} cut it", zone) for k, zone in enumerate(exclude, 1) if zone.shape != "inside"]
    return (*cut, *((f"{p.what} stands there, proposed for cutting", p.zone) for p in proposals))


def _first_patch(opening: Opening, do: str, ground: Surroundings) -> _Made:
    if do == "leave":
        return _Made(opening, do, None, "", iter(()))
    ways = ways_to_cap(opening, ground) if do == "cap" else ways_to_close(opening, ground)
    patch = next(ways, None)
    return _Made(opening, do, patch, "" if patch is not None else "no patch fits its rim", ways)


def _next_patch(made: _Made, ground: Surroundings) -> _Made:
    patch = next(made.ways, None)
    if patch is None and not made.anyway and made.do == "close" and is_pepper(made.opening):
        made = replace(made, ways=plain_ways(made.opening, ground), anyway=True)
        patch = next(made.ways, None)
    if patch is None:
        return replace(made, patch=None, note="every patch would cross the surface")
    return replace(made, patch=patch, note="where the scan passes through itself" if made.anyway else "")


def _checked(surface: Surface, made: list[_Made], ground: Surroundings, stands_for: Ints) -> list[_Made]:
    """Replace patches that cross something by the next best, until nothing crosses."""
    while bad := _misfits(surface, made, ground.band, stands_for):
        made = [_next_patch(m, ground) if number in bad else m for number, m in enumerate(made)]
    return made


def _misfits(surface: Surface, made: list[_Made], band: Band, stands_for: Ints) -> set[int]:
    """Numbers of the gaps whose patch crosses a facet, uses an edge that is taken, or has a facet that is there."""
    vertices, faces, owner = _joined(surface, made, stands_for)
    old = len(surface.faces)
    if len(faces) == old:
        return set()
    bad: set[int] = set()
    near = np.concatenate([faces[band.facets], faces[old:]])
    whose = np.concatenate([np.full(len(band.facets), -1), owner])
    start, end = near.ravel().astype(np.int64), np.roll(near, -1, axis=1).ravel()
    key = start * len(vertices) + end
    order = np.argsort(key, kind="stable")
    again = order[1:][key[order[1:]] == key[order[:-1]]]
    bad.update(int(w) for w in whose[again // 3] if w >= 0)
    corners = np.sort(near, axis=1)
    order = np.lexsort(corners.T)
    twice = (corners[order[1:]] == corners[order[:-1]]).all(axis=1)
    bad.update(int(max(whose[a], whose[b])) for a, b in zip(order[1:][twice], order[:-1][twice], strict=True))
    bad.discard(-1)
    pairs = self_intersections(vertices, faces, np.arange(old, len(faces)))
    anyway = np.array([m.anyway for m in made])
    if anyway.any() and len(pairs):
        measured, new = pairs.min(axis=1), pairs.max(axis=1)
        let = (measured < old) & anyway[owner[new - old]]
        crossed = np.unique(self_intersections(surface.vertices, surface.faces, np.unique(measured[let])))
        pairs = pairs[~(let & np.isin(measured, crossed))]
    for pair in pairs:
        # Of two crossing patches the later, smaller one gives way.
        bad.add(max(int(owner[t - old]) for t in pair if t >= old))
    return bad


def _joined(surface: Surface, made: list[_Made], stands_for: Ints) -> tuple[Floats, Ints, Indices]:
    """Vertices, faces, and for each new facet the number of its gap."""
    vertices, faces, owner = [surface.vertices], [], []
    count = len(surface.vertices)
    used = np.zeros(count, np.bool_)
    for number, item in enumerate(made):
        patch = item.patch
        if patch is None:
            continue
        index = np.concatenate([patch.corners, count + np.arange(len(patch.points), dtype=np.int32)])
        faces.append(index[patch.triangles].astype(np.int32))
        owner.append(np.full(len(patch.triangles), number))
        vertices.append(patch.points)
        count += len(patch.points)
        used[patch.corners] = True
    if not faces:
        return surface.vertices, surface.faces, np.empty(0, np.int64)
    measured = surface.faces
    if np.any(stands_for != np.arange(len(stands_for))):
        measured = _welded(measured, stands_for, used)
    return np.concatenate(vertices), np.concatenate([measured, *faces]), np.concatenate(owner)


@njit(cache=True)
def _welded(faces: Ints, stands_for: Ints, used: Mask) -> Ints:
    """Where a closed gap touches vertices at one place, one of them stands for all."""
    out = faces.copy()
    for t in range(len(faces)):
        for k in range(3):
            v = stands_for[faces[t, k]]
            if v != faces[t, k] and used[v]:
                out[t, k] = v
    return out


def _put_together(
    surface: Surface,
    labels: Ints,
    made: list[_Made],
    tiny: list[bool],
    stands_for: Ints,
    names: tuple[str, ...],
) -> FillResult:
    """The measured facets, then those of the gaps in the order in which they are reported, tiny ones last."""
    large = [item for item, small in zip(made, tiny, strict=True) if not small]
    pepper = [item for item, small in zip(made, tiny, strict=True) if small]
    made = [*large, *pepper]
    vertices, faces, owner = _joined(surface, made, stands_for)
    old = len(surface.faces)
    # A patch closes one of several gaps that meet in a vertex; the others then leave it more than one fan.
    corners = [m.patch.corners for m in made if m.patch is not None]
    if corners:
        faces, copies = split_singular_vertices(faces, len(vertices), np.concatenate(corners))
        vertices = np.concatenate([vertices, vertices[copies]])
    areas = facet_areas(vertices, faces[old:])
    origin = np.concatenate([surface.origin, np.full(len(owner), FILLED, np.uint8)])
    new_labels = [labels, *(m.patch.labels for m in made if m.patch is not None)]
    facets = np.bincount(owner, minlength=len(made))
    filled = [math.fsum(part) for part in np.split(areas, np.cumsum(facets)[:-1])] if made else []
    gaps = [_report(item, names, int(count), area) for item, count, area in zip(large, facets, filled, strict=False)]
    rest = list(zip(pepper, facets[len(large) :].tolist(), filled[len(large) :], strict=True))
    gaps += _pepper([row for row in rest if row[0].patch is not None])
    gaps += _pepper([row for row in rest if row[0].patch is None])
    return FillResult(
        Surface(vertices, faces, origin),
        np.concatenate(new_labels).astype(np.int32),
        tuple(gaps),
        cautions=_cautions(large),
    )


def _pepper(rows: list[tuple[_Made, int, float]]) -> list[Gap]:
    """Tiny gaps, all closed or all open, as one row: how many, their sums, and why they are open."""
    if not rows:
        return []
    reasons = Counter(item.note or item.opening.note for item, _, _ in rows)
    why = "; ".join(f"{count}: {reason}" for reason, count in reasons.most_common() if reason)
    rims = [item.opening.outer for item, _, _ in rows]
    closed = rows[0][0].patch is not None
    return [
        Gap(
            "pepper" if closed else "pepper-open",
            "pepper",
            np.mean([rim.centre for rim in rims], axis=0),
            math.fsum(rim.length for rim in rims),
            math.fsum(rim.area for rim in rims),
            sum(len(rim.corners) for rim in rims),
            (),
            "closed" if closed else "left open",
            sum(facets for _, facets, _ in rows),
            math.fsum(area for _, _, area in rows),
            f"{len(rows)} tiny holes" + (f" ({why})" if why else ""),
            count=len(rows),
        )
    ]


def _report(item: _Made, names: tuple[str, ...], facets: int, area: float) -> Gap:
    opening, patch = item.opening, item.patch
    notes = [note for note in (opening.note, item.note) if note]
    if patch is not None:
        notes.append(f"filled with {patch.how}")
    return Gap(
        opening.id,
        opening.kind,
        opening.outer.centre,
        opening.outer.length,
        opening.outer.area - sum(rim.area for rim in opening.islands),
        sum(len(rim.corners) for rim in rims_of(opening)),
        tuple(names[n] for n in opening.features),
        _DONE[item.do] if patch is not None else "left open",
        facets,
        area,
        "; ".join(notes),
        item.proposed if patch is None else "",
    )


def _cautions(made: list[_Made]) -> tuple[str, ...]:
    failed = [m for m in made if m.patch is None and m.do != "leave"]
    asked = [m for m in made if m.patch is None and m.do == "leave" and not m.opening.safe and not m.proposed]
    proposed = [m for m in made if m.patch is None and m.proposed]
    cautions = []
    if failed:
        ids = ", ".join(m.opening.id for m in failed[:6]) + (" ..." if len(failed) > 6 else "")
        cautions.append(
            f"{counted(len(failed), 'gap')} could not be closed without harm to the surface, left open: {ids}."
        )
    if asked:
        ids = ", ".join(m.opening.id for m in asked[:6]) + (" ..." if len(asked) > 6 else "")
        cautions.append(
            f"{counted(len(asked), 'opening')} left open, which may be real (ends of holes, borders): {ids}."
        )
    if proposed:
        ids = ", ".join(m.opening.id for m in proposed)
        cautions.append(
            f"{counted(len(proposed), 'gap')} proposed for closing, not closed, for want of metal behind: {ids}; look "
            'at the pictures, and close with do = "close" under [[fill.gaps]].'
        )
    return tuple(cautions)
