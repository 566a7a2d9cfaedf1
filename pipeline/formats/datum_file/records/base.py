"""What all records of the datum file share: how strict they are, and the types of their figures.

A record is what stands in the file: millimetres, degrees, null where there is no figure that could be vouched for.
Records are frozen. Keys that they don't know are passed over, since a later file of the same major version may have
more of them.
"""

from __future__ import annotations

import math
from typing import Annotated, Any, ClassVar, Self, TypeVar

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    GetJsonSchemaHandler,
    SerializerFunctionWrapHandler,
    model_serializer,
    model_validator,
)
from pydantic.json_schema import JsonSchemaValue

from pipeline.job import Row, is_rigid

_T = TypeVar("_T")


def nine_figures(value: float) -> float:
    """No more is known of an uncertainty, and the last bits depend on where arrays lie in memory.

    >>> nine_figures(0.12345678912345)
    0.123456789
    """
    return float(f"{value:.9g}")


# What directions may be off by once they are written out.
_WRITTEN = 1e-6


def _unit(value: tuple[float, float, float]) -> tuple[float, float, float]:
    if abs(math.hypot(*value) - 1.0) > _WRITTEN:
        raise ValueError("a direction has the length 1")
    return value


def _rigid(value: tuple[Row, ...]) -> tuple[Row, ...]:
    """Nothing but a turn and a shift leads from one of the file's coordinates to another."""
    if not is_rigid(value):
        raise ValueError("a matrix turns and shifts, and does nothing else")
    return value


class _MayLack:
    """Marks a field that the file may lack but that is never null in it."""

    def __get_pydantic_json_schema__(self, core: Any, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        (given, _) = handler(core)["anyOf"]
        return given


# None says that the key is not there.
LeftOut = Annotated[_T | None, _MayLack()]

Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Count = Annotated[int, Field(ge=0)]
# A standard uncertainty (k = 1), or a figure made with one.
Doubt = Annotated[float, Field(ge=0), AfterValidator(nine_figures)]
Chance = Annotated[float, Field(ge=0, le=1), AfterValidator(nine_figures)]

Place = tuple[float, float]
"""(2,) in a flange's sketch, mm; or a lower and an upper end."""
Vector = tuple[float, float, float]
"""(3,), mm."""
# A unit vector.
_Component = Annotated[float, Field(ge=-1.000000001, le=1.000000001)]
Direction = Annotated[tuple[_Component, _Component, _Component], AfterValidator(_unit)]
Matrix = Annotated[tuple[Row, Row, Row, Row], AfterValidator(_rigid)]
"""(4, 4), row-major: a rigid motion, mm."""


class Record(BaseModel):
    """One JSON object of the file.

    >>> class Size(Record):
    ...     diameter: Positive
    ...     depth: LeftOut[Positive] = None
    >>> Size.model_validate_json('{"diameter": 9.0, "thread": "M10"}').model_dump()  # keys that it doesn't know go
    {'diameter': 9.0}
    """

    model_config = ConfigDict(frozen=True, strict=True, extra="ignore", allow_inf_nan=False)

    may_lack: ClassVar[frozenset[str]] = frozenset()

    @classmethod
    def __pydantic_init_subclass__(cls, **kwargs: Any) -> None:
        super().__pydantic_init_subclass__(**kwargs)
        cls.may_lack = frozenset(
            name for name, field in cls.model_fields.items() if any(isinstance(m, _MayLack) for m in field.metadata)
        )

    @model_validator(mode="after")
    def _none_null(self) -> Self:
        for name in self.model_fields_set & self.may_lack:
            if getattr(self, name) is None:
                raise ValueError(f"{name} must not be null, only left out")
        return self

    @model_serializer(mode="wrap")
    def _written(self, handler: SerializerFunctionWrapHandler) -> dict[str, Any]:
        lacking = self.lacking()
        return {key: value for key, value in handler(self).items() if value is not None or key not in lacking}

    def lacking(self) -> frozenset[str]:
        """The keys that are left out of the file where they have no value; the others are null then."""
        return self.may_lack
