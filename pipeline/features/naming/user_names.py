"""The user's own names for features."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from pipeline.errors import SettingsError
from pipeline.values import Feature


def named(features: Sequence[Feature], names: Mapping[str, str], numbers: Iterable[str] = ()) -> list[Feature]:
    """The features with the user's names, which may be written as number = name or name = number.

    numbers  all that were ever given, whether their features are there or not. What fits no feature is passed over.
    Raises SettingsError where two features would go by one name, one by two, or one by another's number.

    >>> from tests.features.made import bore
    >>> [f.name for f in named([bore('H1', (0.0, 0.0, 0.0), (0.0, 0.0, 1.0), 31.0)], {'seat A': 'H1'})]
    ['seat A']
    """
    taken = {*numbers, *(f.id for f in features), *(f.old_id for f in features)}
    found: dict[str, str] = {}
    for left, right in names.items():
        feature, name = _meant(features, left, right)
        if feature is None:
            continue
        if name in taken and name not in (feature.id, feature.old_id):
            raise SettingsError(
                f"[names] calls {feature.id} {name!r}, which is the number of another feature; choose another name."
            )
        if found.get(feature.id, name) != name:
            raise SettingsError(
                f"[names] calls {feature.id} both {found[feature.id]!r} and {name!r}; keep one of them."
            )
        other = next((ident for ident, given in found.items() if given == name and ident != feature.id), None)
        if other is not None:
            raise SettingsError(f"[names] calls both {other} and {feature.id} {name!r}; give each a name of its own.")
        found[feature.id] = name
    return [replace(f, name=found.get(f.id, f.name)) for f in features]


def nameless(features: Sequence[Feature], names: Mapping[str, str]) -> list[tuple[str, str]]:
    """The lines of the user's names, both sides, that fit no feature.

    >>> from tests.features.made import bore
    >>> nameless([bore('H1', (0.0, 0.0, 0.0), (0.0, 0.0, 1.0), 31.0)], {'seat A': 'H1', 'H7': 'seat B'})
    [('H7', 'seat B')]
    """
    return [(left, right) for left, right in names.items() if _meant(features, left, right)[0] is None]


def _meant(features: Sequence[Feature], left: str, right: str) -> tuple[Feature | None, str]:
    """The feature that is named, and its name."""
    for ident, name in ((left, right), (right, left)):
        for feature in features:
            if ident in (feature.id, feature.old_id):
                return feature, name
    return None, ""
