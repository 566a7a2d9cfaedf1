"""What the words of a [[make]] table mean: an axis or a face where its part stands, and the feature that it is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.errors import SettingsError
from pipeline.fitup import Item, Placed, item_in_words, item_where, part_in_words
from pipeline.values import Feature


@dataclass(frozen=True)
class Meant:
    """What words mean: of which part, the axis or plane where that stands, with all that moves it, and the feature of
    the part that has it; None where it is made of several, or is an axis of the coordinates."""

    part: str
    item: Item
    feature: Feature | None


def meant_by(parts: Mapping[str, Placed], text: str, wanted: str, where: str) -> Meant:
    """What "PART: WORDS" mean where "axis" or "face" is wanted; `where` a sentence on it begins with.

    Raises SettingsError where there is no such part or feature.

    >>> from pipeline.fitup.placing import placed
    >>> from pipeline.fitup.figures import turned_body
    >>> rod = Placed(turned_body("rod", [(0, 20), (50, 20)], 0.01), placed([]))
    >>> found = meant_by({"rod": rod}, "rod: end", "face", "it")
    >>> found.item.point.tolist(), found.feature.id
    ([0.0, 0.0, 50.0], 'end')
    """
    name, words = part_in_words(parts, text, where)
    part = parts[name]
    try:
        own = item_in_words(part.body, words, wanted)
    except SettingsError as error:
        raise SettingsError(f"{where}: {error}") from None
    return Meant(name, item_where(part, own), _feature_of(part, own))


def _feature_of(part: Placed, own: Item) -> Feature | None:
    """The one feature that an item of the part is made of, in the part's coordinates."""
    return part.body.features[part.body.index_of(own.of[0])] if len(own.of) == 1 else None
