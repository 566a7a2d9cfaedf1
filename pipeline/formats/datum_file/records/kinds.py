"""What the datum file holds of each kind of surface, beside a point: told by the parameters that the kind declares."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

# A local parameter of a kind (`pipeline.surfaces`) and the key of the file that it is a size of.
_SIZES = {"r": "radius", "h": "half_angle", "R": "major_radius"}


@dataclass(frozen=True)
class Held:
    """sided: it is a bore or a boss; direction, orientation: it has one; sizes: the keys of its sizes. All others are
    null."""

    sided: bool
    direction: bool
    orientation: bool
    sizes: tuple[str, ...]

    @property
    def radius(self) -> bool:
        return "radius" in self.sizes


def held_of() -> dict[str, Held]:
    """What is held of each kind that there is, by its name."""
    from pipeline.surfaces import KINDS

    return {
        name: Held(
            not kind.flat,
            "a" in kind.parameters,
            "t" in kind.parameters,
            tuple(key for letter, key in _SIZES.items() if letter in kind.parameters),
        )
        for name, kind in KINDS.items()
    }


def contradiction(kind: str, values: dict[str, Any]) -> str | None:
    """What of a feature's values does not go with its kind, as words; None where all of it does."""
    known = held_of()
    if kind not in known:
        return f"kind must be one of {', '.join(known)}"
    for key, there in _rules(known[kind]).items():
        if (values[key] is not None) != there:
            return f"{key} of a {kind} must {'not be null' if there else 'be null'}"
    return None


def kinds_schema(schema: dict[str, Any]) -> None:
    """Put what goes with each kind into the JSON Schema of a feature."""
    known = held_of()
    schema["properties"]["kind"]["enum"] = list(known)
    schema["allOf"] = [
        {"if": {"properties": {"kind": {"const": kind}}}, "then": _then(_rules(held))} for kind, held in known.items()
    ]


def _rules(held: Held) -> dict[str, bool]:
    """For each key that depends on the kind, whether it has a value there or null."""
    rules = {"side": held.sided, "direction": held.direction, "orientation": held.orientation}
    return rules | {key: key in held.sizes for key in _SIZES.values()}


def _then(rules: dict[str, bool]) -> dict[str, Any]:
    null: dict[str, Any] = {"type": "null"}
    given = [key for key, there in rules.items() if there]
    return {"properties": {key: {"not": null} if there else null for key, there in rules.items()}, "required": given}
