"""Equal features in one row: what a drawing would give one dimension, "8 x D11 on PCD 138"."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from pipeline.features.uncertainty import without_scale
from pipeline.formats.datum_file import DatumFile, FeatureRecord
from pipeline.surfaces import kind_of

# Standard uncertainties of the difference of two sizes within which they are one: 99.7 % of equal ones are, so that
# rarely one of many falls out of its row.
_SAME = 3.0


@dataclass(frozen=True)
class Group:
    """members: indices of features of one kind and size; pattern: index of the pattern that holds them, or None."""

    members: tuple[int, ...]
    pattern: int | None = None


def groups_of(data: DatumFile) -> tuple[Group, ...]:
    """All features, each in one group, in the order of their first members.

    Of one group are the equal ones of a pitch circle or rectangle, and others of one kind, side, and size within the
    uncertainty; what is of low confidence or has no size of its own stands alone.
    """
    index = {feature.id: i for i, feature in enumerate(data.features)}
    left = {i for i, feature in enumerate(data.features) if _sized(feature)}
    groups = []
    for number, pattern in enumerate(data.patterns):
        if pattern.kind in ("pitch_circle", "rectangle"):
            members = [index[m] for m in pattern.members if index.get(m) in left]
            for alike in _alike(data, members):
                if len(alike) > 1:
                    groups.append(Group(tuple(sorted(alike)), number))
                    left -= set(alike)
    groups += [Group(tuple(sorted(alike))) for alike in _alike(data, sorted(left))]
    groups += [Group((i,)) for i, feature in enumerate(data.features) if not _sized(feature)]
    return tuple(sorted(groups, key=lambda group: group.members[0]))


def ids_of(data: DatumFile, group: Group) -> str:
    """The members' ids, those that follow each other as a stretch: "H11 to H18"; names that the job gave behind them.

    >>> from pipeline.formats.datum_file import build
    >>> from tests.outcomes import outcome
    >>> ids_of(build(outcome()), Group((6, 7)))
    'cone-1, cylinder-1 (main bore)'
    """
    told = []
    for stretch in _stretches([data.features[i] for i in group.members]):
        first, last = (f"{f.id} ({f.name})" if f.name else f.id for f in (stretch[0], stretch[-1]))
        told.append(f"{first} to {last}" if len(stretch) > 2 else ", ".join(dict.fromkeys((first, last))))
    return ", ".join(told)


def _sized(feature: FeatureRecord) -> bool:
    return kind_of(feature).one_size and feature.confidence == "good" and feature.uncertainty.radius is not None


def _alike(data: DatumFile, members: Sequence[int]) -> list[list[int]]:
    """Members parted by kind, side, and size: of a part all differ by no more than their uncertainty explains."""
    parts: list[list[int]] = []
    features, scale = data.features, data.source.scale
    for i in sorted(members, key=lambda i: (features[i].kind, features[i].side or "", features[i].radius or 0.0)):
        if parts and _same(features[parts[-1][0]], features[i], scale):
            parts[-1].append(i)
        else:
            parts.append([i])
    return parts


def _same(smaller: FeatureRecord, larger: FeatureRecord, scale: float) -> bool:
    if any(getattr(smaller, what) != getattr(larger, what) for what in ("kind", "side", "machined")):
        return False
    # The scan's scale is the same for both.
    own = [without_scale(f.uncertainty.radius or 0.0, f.radius or 0.0, scale) for f in (smaller, larger)]
    doubt = math.hypot(*own)
    return (larger.radius or 0.0) - (smaller.radius or 0.0) <= _SAME * doubt


def _stretches(features: Sequence[FeatureRecord]) -> list[list[FeatureRecord]]:
    """Features parted into stretches of ids that count upwards by one and have no name of the job's."""

    def place(feature: FeatureRecord) -> tuple[str, int]:
        found = re.fullmatch(r"([A-Z]+)([0-9]+)", feature.id)
        return (found[1], int(found[2])) if found and not feature.name else (feature.id, 0)

    ordered = sorted(features, key=place)
    parts = [[ordered[0]]]
    for before, after in pairwise(ordered):
        (letters, number), (letter, follows) = place(before), place(after)
        if letters == letter and follows == number + 1:
            parts[-1].append(after)
        else:
            parts.append([after])
    return parts
