"""Settings as a user writes them in a TOML file, and what is wrong with them in one sentence."""

from __future__ import annotations

import difflib
import tomllib
from pathlib import Path
from typing import Any, TypeVar, get_origin

from pydantic import BaseModel, ConfigDict, ValidationError

from pipeline.errors import InputError, SettingsError
from pipeline.files import text_of

_MINUS = "\u2212"


class Settings(BaseModel):
    """A table of settings: frozen, and without keys that it doesn't know."""

    model_config = ConfigDict(frozen=True, extra="forbid")


_S = TypeVar("_S", bound=Settings)


def plain_toml(path: str | Path, what: str, instead: str) -> dict[str, Any]:
    """What stands in a TOML file; `what` it is, and what to do instead where there is none, are for errors.

    Raises InputError when the file can't be read or isn't TOML.

    >>> try:
    ...     plain_toml("nowhere.toml", "job file", "make one")
    ... except InputError as error:
    ...     print(error)
    There is no job file nowhere.toml; check the name, or make one
    """
    try:
        return _toml(text_of(path))
    except FileNotFoundError:
        raise InputError(f"There is no {what} {path}; check the name, or {instead}") from None
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"The {what} {path} can't be read ({_reason(error)}); check it and try again.") from None
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"The {what} {path} is not valid TOML ({error}); mend that line.") from None
    except RecursionError:
        raise InputError(f"The {what} {path} has lists in lists without end; mend it.") from None


def _toml(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        if _MINUS not in text:
            raise
    # Figures copied from a report have the minus that is printed.
    return tomllib.loads(text.replace(_MINUS, "-"))


def checked(data: dict[str, Any], model: type[_S], where: str) -> _S:
    """Plain data as settings of a model; SettingsError names the first thing that is wrong, `where` the file is.

    >>> class Hole(Settings):
    ...     diameter: float
    >>> try:
    ...     checked({"diametre": 5}, Hole, "hole.toml")
    ... except SettingsError as error:
    ...     print(error)
    hole.toml: there is no setting 'diametre'; did you mean 'diameter'? (1 more like it)
    """
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise SettingsError(_sentence(error, model, where)) from None


def _reason(error: Exception) -> str:
    return error.strerror if isinstance(error, OSError) and error.strerror else str(error)


def _sentence(error: ValidationError, model: type[Settings], where: str) -> str:
    # A misspelt key also makes the right one missing: the misspelling is the thing to show.
    first = min(error.errors(), key=lambda e: e["type"] != "extra_forbidden")
    place = ".".join(str(part + 1) if isinstance(part, int) else part for part in first["loc"] if part != "mm")
    more = "" if error.error_count() == 1 else f" ({error.error_count() - 1} more like it)"
    if first["type"] == "extra_forbidden":
        known = _known_keys(first["loc"][:-1], model)
        close = difflib.get_close_matches(str(first["loc"][-1]), known, n=1)
        hint = f"did you mean {close[0]!r}?" if close else f"known here: {', '.join(sorted(known))}."
        return f"{where}: there is no setting {place!r}; {hint}{more}"
    if first["type"] == "missing":
        return f"{where}: the setting {place!r} is missing; add it.{more}"
    message = first["msg"].removeprefix("Value error, ")
    message = message[:1].lower() + message[1:]
    about = f"the setting {place!r} is wrong, {message}" if place else message
    # A table as a whole says nothing that isn't in the file.
    was = "" if isinstance(first["input"], dict) else f"; it was {first['input']!r:.80}"
    return f"{where}: {about}{was}.{more}"


def _known_keys(location: tuple[int | str, ...], model: type[Settings]) -> list[str]:
    inner: Any = model
    for part in location:
        # The number of a row, or the user's own name for a table, says nothing of what is in it.
        if isinstance(part, int) or not hasattr(inner, "model_fields"):
            inner = inner if isinstance(part, int) else inner.__args__[-1]
            continue
        inner = inner.model_fields[part].annotation
        while not hasattr(inner, "model_fields") and get_origin(inner) is not dict:
            inner = inner.__args__[0]
    return list(inner.model_fields)
