"""Which features make good datums: filling in what the user left open, and proposals with their reasons."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.errors import SettingsError
from pipeline.features.datums.datum_system import Datums, frame_of, reach_of, solve_chosen
from pipeline.features.datums.designation import Choice
from pipeline.features.datums.freedoms import LETTERS
from pipeline.features.naming import form_in_words, term_of
from pipeline.geometry import Floats, transformed, turn_levers
from pipeline.lengths import mm, mm2, size_in_mm, um
from pipeline.surfaces import kind_of, shape_of
from pipeline.values import Feature, Frame, Pattern

FACES, ROUNDS = 5, 8  # how many of the largest are looked at for a further datum
MUCH = 0.5  # a merit smaller by this factor makes the face second and the main bore third


@dataclass(frozen=True)
class DatumProposal:
    """A frame, what it was made of, how it moves with its features' errors, and its mean error at the features.

    merit  mm, k = 1: rms over the part's features of the error that the frame puts into their places
    """

    datums: Datums
    frame: Frame
    gains: dict[str, Floats]
    merit: float


def usable(features: Sequence[Feature]) -> list[Feature]:
    """Features fit for a datum, largest seen area first; those of low confidence only if there are no others.

    Kinds on which nothing sits, such as grooves and fillets, are datums where they are asked for only: common practice,
    no source.
    """
    good = [f for f in features if f.confidence == "good" and f.machined and kind_of(f).seat]
    return sorted(good or list(features), key=lambda f: (-f.extent.area, f.id))


def main_bore(features: Sequence[Feature], patterns: Sequence[Pattern]) -> Feature | None:
    """The largest bore (or outside diameter, where there is no bore) of the coaxial group with most area seen."""
    for side in ("bore", "boss"):
        rounds = [f for f in usable(features) if kind_of(f).cylindrical and f.side == side]
        if rounds:
            group = {m: p for p in patterns if p.kind == "coaxial" for m in p.members}
            area = {f.id: f.extent.area for f in features}

            def weight(f: Feature, group: dict[str, Pattern] = group, area: dict[str, float] = area) -> float:
                members = group[f.id].members if f.id in group else (f.id,)
                return sum(area.get(m, 0.0) for m in members)

            heaviest = max(weight(f) for f in rounds)
            return max((f for f in rounds if weight(f) == heaviest), key=lambda f: (f.extent.area, f.id))
    return None


def complete(
    given: Sequence[Choice],
    features: Sequence[Feature],
    patterns: Sequence[Pattern],
    z: str | None = None,
    x: str | None = None,
) -> DatumProposal:
    """The frame of the datums given, with further ones taken from the part as long as it offers any.

    Three that each constrain something always fix the part. Raises SettingsError when one of those given constrains
    nothing.

    >>> from tests.features.made import block
    >>> complete((), block(), ()).frame.complete
    True
    """
    base = Datums(tuple(given), tuple(features), reach_of(features), z, x)
    if given:
        _check(replace(base, z=None, x=None))
    chosen = base
    if not chosen.choices:
        first = _first(features)
        if first is None:
            raise SettingsError("There is no feature to make a datum of.")
        chosen = replace(chosen, choices=(Choice("feature", (first.id,)),))
    if not given:
        return _usual(chosen, patterns)
    return _made(_filled(chosen, patterns))


def _usual(start: Datums, patterns: Sequence[Pattern]) -> DatumProposal:
    """Largest face, main bore, a third; or the bore last, where a short bore's own direction would turn the frame by
    much more than the third's does."""
    usual = _made(_filled(start, patterns))
    bore = main_bore(start.features, patterns)
    if bore is None or len(usual.datums.choices) < 3 or usual.datums.choices[1] != _of(bore):
        return usual
    a, b, c = usual.datums.choices
    try:
        other = _made(replace(usual.datums, choices=(a, c, b)))
    except SettingsError:
        return usual
    return other if other.frame.complete and other.merit < MUCH * usual.merit else usual


def _filled(chosen: Datums, patterns: Sequence[Pattern]) -> Datums:
    """With a second and a third datum where the ones before leave something free and the part offers them."""
    if len(chosen.choices) == 1 and _free(chosen):
        second = _second(chosen, patterns)
        chosen = chosen if second is None else replace(chosen, choices=(*chosen.choices, second))
    if len(chosen.choices) == 2 and _free(chosen):
        third = _third(chosen)
        chosen = chosen if third is None else replace(chosen, choices=(*chosen.choices, third))
    return chosen


def proposals(features: Sequence[Feature], patterns: Sequence[Pattern]) -> list[DatumProposal]:
    """Frames that the part offers: the usual one first (largest face, main bore, a third), the others by merit.

    >>> from tests.features.made import block
    >>> first = proposals(block(), ())[0]
    >>> [datum.letter for datum in first.frame.datums], first.frame.complete
    (['A', 'B', 'C'], True)
    """
    good = usable(features)
    bore = main_bore(features, patterns)
    faces = [f for f in good if kind_of(f).flat]
    starts: list[tuple[Choice, ...]] = [()]
    if bore is not None:
        starts.append((_of(bore),))
        starts += [(_of(bore), _of(f)) for f in faces[:3]]
        starts += [(_of(f), _of(bore)) for f in faces[:3]]
    if len(faces) > 1:
        starts += [(_of(a), _of(b)) for a in faces[:2] for b in faces[:4] if a is not b]
    starts += _two_holes(faces, patterns)
    starts += _common_axes(faces, patterns, {f.id: f for f in features})
    found: list[DatumProposal] = []
    for start in starts:
        try:
            made = complete(start, features, patterns)
        except (SettingsError, np.linalg.LinAlgError):
            continue
        if all(made.datums.choices != p.datums.choices for p in found):
            found.append(made)
    rest = sorted(found[1:], key=lambda p: (not p.frame.complete, p.merit))
    return found[:1] + rest[:8]


def reason(proposal: DatumProposal) -> tuple[str, ...]:
    """Why each datum was taken, in words.

    >>> from pipeline.lengths import in_unit
    >>> from tests.features.made import block
    >>> for line in reason(proposals(block(), ())[0]):
    ...     print(in_unit(line, "mm").replace(", direction", ",\\n  direction"))
    A top: face of 9,000 mm2, form: not told from the scan's noise, at most 0.050 mm,
      direction known to 0.0023 deg (k=1)
    B main: bore D50.00 mm x 40.0 mm,
      direction known to 0.0023 deg (k=1)
    C front: face of 4,000 mm2, form: not told from the scan's noise, at most 0.050 mm,
      direction known to 0.0023 deg (k=1)
    puts 5.9 um (k=1, mean over the features) into places
    """
    by_id = {f.id: f for f in proposal.datums.features}
    out = []
    for letter, choice in zip(LETTERS, proposal.datums.choices, strict=False):
        words = "; ".join(_described(by_id[m]) for m in choice.members)
        out.append(f"{letter} {choice.label}: {words}")
    if np.isfinite(proposal.merit):
        out.append(f"puts {um(proposal.merit, '.1f')} (k=1, mean over the features) into places")
    return tuple(out)


def _described(f: Feature) -> str:
    kind = kind_of(f)
    if kind.flat:
        words = f"face of {mm2(f.extent.area)}, {form_in_words(f.form)}"
    else:
        length = "" if f.extent.length is None else f" x {mm(f.extent.length, '.1f')}"
        size = size_in_mm(kind.size(shape_of(f))) if kind.invariance == "prismatic" else f"D{mm(2 * (f.radius or 0.0))}"
        words = f"{term_of(f)} {size}{length}"
    if f.uncertainty.direction is not None:
        words += f", direction known to {np.degrees(f.uncertainty.direction):.4f} deg (k=1)"
    return words


def _of(feature: Feature) -> Choice:
    return Choice("feature", (feature.id,))


def _first(features: Sequence[Feature]) -> Feature | None:
    good = usable(features)
    return next((f for f in good if kind_of(f).flat), good[0] if good else None)


def _check(datums: Datums) -> None:
    solve_chosen(datums, datums.shapes(), {})


def _free(datums: Datums) -> tuple[str, ...]:
    return solve_chosen(replace(datums, z=None, x=None), datums.shapes(), {}).free


def _try(datums: Datums, choice: Choice) -> Datums | None:
    """The datums with one more, if it constrains something and the words for the axes still fit."""
    more = replace(datums, choices=(*datums.choices, choice))
    try:
        _check(replace(more, z=None, x=None))
    except SettingsError:
        return None
    return more


def _second(datums: Datums, patterns: Sequence[Pattern]) -> Choice | None:
    """The main bore, or else the largest feature that constrains most."""
    good = [f for f in usable(datums.features) if f.id not in datums.choices[0].members]
    bore = main_bore(datums.features, patterns)
    free = len(_free(datums))
    best: tuple[int, Choice] | None = None
    for feature in ([bore] if bore is not None else []) + good[: FACES + ROUNDS]:
        if feature.id in datums.choices[0].members:
            continue
        more = _try(datums, _of(feature))
        if more is None:
            continue
        took = free - len(_free(more))
        if took >= 2 and feature is bore:
            return _of(feature)
        if best is None or took > best[0]:
            best = took, _of(feature)
    return None if best is None else best[1]


def _third(datums: Datums) -> Choice | None:
    """The feature that leaves least free, and of those the one whose frame errs least at the part's features."""
    used = {m for c in datums.choices for m in c.members}
    good = [f for f in usable(datums.features) if f.id not in used]
    faces = [f for f in good if kind_of(f).flat][:FACES]
    rounds = [f for f in good if not kind_of(f).flat][:ROUNDS]
    best: tuple[tuple[int, float, float], Choice] | None = None
    for feature in faces + rounds:
        more = _try(datums, _of(feature))
        if more is None:
            continue
        key = (len(_free(more)), _made(replace(more, z=None, x=None)).merit, -feature.extent.area)
        if best is None or key < best[0]:
            best = key, _of(feature)
    return None if best is None else best[1]


def _two_holes(faces: Sequence[Feature], patterns: Sequence[Pattern]) -> list[tuple[Choice, ...]]:
    """A face and the two holes of its pattern that lie furthest apart."""
    out = []
    for pattern in patterns:
        if pattern.kind in ("pitch_circle", "rectangle") and faces and pattern.normal is not None:
            face = next(
                (f for f in faces if f.direction is not None and abs(f.direction @ pattern.normal) > 0.996),
                None,
            )
            if face is not None:
                half = len(pattern.members) // 2
                pair = pattern.members[0], pattern.members[half]
                out.append((_of(face), *(Choice("feature", (m,)) for m in pair)))
    return out[:2]


def _common_axes(
    faces: Sequence[Feature], patterns: Sequence[Pattern], by_id: dict[str, Feature]
) -> list[tuple[Choice, ...]]:
    """The axis through the two largest bores of a stepped bore that lie furthest apart, with a face."""
    out: list[tuple[Choice, ...]] = []
    for pattern in patterns:
        if pattern.kind != "coaxial":
            continue
        members = [by_id[m] for m in pattern.members]
        bores = [f for f in members if kind_of(f).cylindrical and f.confidence == "good"]
        bores = sorted(bores, key=lambda f: -f.extent.area)[:4]
        pairs = [(a, b) for i, a in enumerate(bores) for b in bores[i + 1 :]]
        if pairs:
            a, b = max(pairs, key=lambda p: float(np.linalg.norm(p[0].point - p[1].point)))
            axis = Choice("common axis", (a.id, b.id))
            out += [(axis, _of(f)) for f in faces[:2]] or [(axis,)]
            break
    return out


def _made(datums: Datums) -> DatumProposal:
    frame, gains = frame_of(datums)
    return DatumProposal(datums, frame, gains, merit_of(frame, datums.features))


def merit_of(frame: Frame, features: Sequence[Feature]) -> float:
    """rms over the features of the place error, mm (k = 1), that the frame's covariance means; inf if unknown."""
    if frame.covariance is None or not features:
        return float("inf")
    points = transformed(frame.matrix, np.array([f.point for f in features]))
    lever = np.zeros((len(points), 3, 6))
    lever[:, :, :3] = np.eye(3)
    lever[:, :, 3:] = turn_levers(points)
    spread = np.einsum("nij,jk,nik->n", lever, frame.covariance, lever)
    return float(np.sqrt(np.mean(spread)))
