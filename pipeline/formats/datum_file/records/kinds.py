"""What the datum file holds of each kind of surface, beside a point."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Held:
    """sided: it is a bore or a boss; direction, radius: it has one, else null stands there; also: further keys that
    may not be null."""

    sided: bool = True
    direction: bool = True
    radius: bool = True
    also: tuple[str, ...] = ()


HELD = {
    "plane": Held(sided=False, radius=False),
    "cylinder": Held(),
    "cone": Held(also=("half_angle",)),
    "sphere": Held(direction=False),
    "torus": Held(also=("major_radius",)),
}


def contradiction(kind: str, values: dict[str, Any]) -> str | None:
    """What of a feature's values does not go with its kind, as words; None where all of it does."""
    held = HELD.get(kind)
    if held is None:
        return f"kind must be one of {', '.join(HELD)}"
    for key, there in (("side", held.sided), ("direction", held.direction), ("radius", held.radius)):
        if (values[key] is not None) != there:
            return f"{key} of a {kind} must {'not be null' if there else 'be null'}"
    lacking = [key for key in held.also if values[key] is None]
    return f"a {kind} needs {' and '.join(lacking)}" if lacking else None


def kinds_schema(schema: dict[str, Any]) -> None:
    """Put what goes with each kind into the JSON Schema of a feature."""
    schema["properties"]["kind"]["enum"] = list(HELD)
    schema["allOf"] = [
        {"if": {"properties": {"kind": {"const": kind}}}, "then": _then(held)} for kind, held in HELD.items()
    ]


def _then(held: Held) -> dict[str, Any]:
    null, given = {"type": "null"}, {"not": {"type": "null"}}
    wanted = {"side": held.sided, "direction": held.direction, "radius": held.radius}
    properties = {key: given if there else null for key, there in wanted.items()}
    rule: dict[str, Any] = {"properties": properties | {key: given for key in held.also}}
    return rule | {"required": list(held.also)} if held.also else rule
