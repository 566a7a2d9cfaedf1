"""Stage results on disk: nested frozen dataclasses of plain values, arrays and settings, in one .npz file each.

The structure goes into a JSON text inside the archive, each array beside it under a number. Only
dataclasses and settings of this package are rebuilt, so a foreign file can't make anything else come to life. An
artefact that can't be read counts as absent: the stage is simply run again. So does one that was stored under another
key: the arrays of another scan's results don't fit those of this one, and compiled code doesn't look.
"""

from __future__ import annotations

import dataclasses
import hashlib
import importlib
import json
import os
import zipfile
import zlib
from pathlib import Path
from typing import Any

import numpy as np
from numpy.lib import format as format_

from pipeline.errors import OutputError
from pipeline.settings_file import Settings

# What a damaged archive makes its readers raise.
_UNREADABLE = (
    ArithmeticError, AttributeError, EOFError, ImportError, LookupError, MemoryError, NotImplementedError, OSError,
    RecursionError, RuntimeError, TypeError, ValueError, zipfile.BadZipFile, zlib.error,
)  # fmt: skip

_SEAL = "seal"


def store(value: Any, path: Path, key: str = "") -> None:
    """Write `value`, made of what `key` stands for, whole or not at all.

    Raises OutputError when the place can't be written.
    """
    arrays: list[np.ndarray] = []
    text = json.dumps(_pack(value, arrays))
    temporary = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with zipfile.ZipFile(temporary, "w") as archive:
            _write(archive, "structure", np.array(text))
            for i, array in enumerate(arrays):
                _write(archive, f"a{i}", array)
            archive.writestr(zipfile.ZipInfo(_SEAL), json.dumps([key, _sealed(archive, key)]))
        os.replace(temporary, path)
    except OSError as error:
        raise OutputError(
            f"{path.parent} can't be written ({error.strerror or error}); free some space or choose another --out."
        ) from None
    finally:
        temporary.unlink(missing_ok=True)


def _write(archive: zipfile.ZipFile, name: str, array: np.ndarray) -> None:
    """One array as numpy's own format has it, and without a copy of it."""
    told = format_.header_data_from_array_1_0(array)
    laid = array.T if told["fortran_order"] else np.ascontiguousarray(array)
    with archive.open(f"{name}.npy", "w", force_zip64=True) as part:
        format_.write_array_header_1_0(part, told)
        part.write(laid.reshape(-1).view(np.uint8).data)


def fingerprint(value: Any) -> str:
    """SHA-256 of all that `store` would write of a value, in hexadecimal.

    >>> fingerprint((1.0, "a")) == fingerprint((1.0, "a")), fingerprint((1.0, "a")) == fingerprint((1.0, "b"))
    (True, False)
    """
    arrays: list[np.ndarray] = []
    digest = hashlib.sha256(json.dumps(_pack(value, arrays)).encode())
    for array in arrays:
        digest.update(f"{array.dtype.str} {array.shape}".encode())
        digest.update(np.ascontiguousarray(array).tobytes())
    return digest.hexdigest()


def fits(path: Path, key: str) -> bool:
    """Whether what is stored at `path` was made of what `key` stands for, and no part of it was exchanged since."""
    try:
        with zipfile.ZipFile(path) as archive:
            return _key_of(archive) == key
    except _UNREADABLE:
        return False


def fetch(path: Path, part: str | None = None, key: str | None = None) -> Any:
    """The value stored at `path`, or only its field `part`: big arrays of other fields stay on disk.

    Raises FileNotFoundError when there is nothing there that can be read, or what is there was put together by another
    program or stored under another key than `key`, if one is given.
    """
    try:
        with np.load(path, allow_pickle=False) as archive:
            if sum(member.file_size for member in archive.zip.infolist()) > os.path.getsize(path):
                raise ValueError(f"{path} was packed by another program")
            if _key_of(archive.zip) != key and key is not None:
                raise ValueError(f"{path} was made of something else")
            structure = json.loads(str(archive["structure"]))
            return _unpack(structure if part is None else structure["is"][part], archive)
    except _UNREADABLE:
        raise FileNotFoundError(path) from None


def _key_of(archive: zipfile.ZipFile) -> str:
    """The key that an archive was stored under. Raises ValueError where its parts are no longer those of then."""
    key, seal = json.loads(archive.read(_SEAL))
    if seal != _sealed(archive, str(key)):
        raise ValueError("parts of it were exchanged")
    return str(key)


def _sealed(archive: zipfile.ZipFile, key: str) -> str:
    """What ties an archive's parts to each other and to the key: a digest of that and of their names and checksums.

    Readers compare each part with its checksum anyhow.
    """
    parts = sorted((part.filename, part.CRC, part.file_size) for part in archive.infolist() if part.filename != _SEAL)
    return hashlib.sha256(json.dumps([key, parts]).encode()).hexdigest()


def _pack(value: Any, arrays: list[np.ndarray]) -> Any:
    if value is None or isinstance(value, (bool, str)):
        return value
    if isinstance(value, (np.generic, int, float)):
        plain = value.item() if isinstance(value, np.generic) else value
        # JSON has no word for these; a figure that is not a number must come back as just that.
        return plain if np.isfinite(plain) else {"#": "float", "is": repr(plain)}
    if isinstance(value, np.ndarray):
        arrays.append(value)
        return {"#": "array", "is": len(arrays) - 1}
    if isinstance(value, (tuple, list)):
        return {"#": "tuple" if isinstance(value, tuple) else "list", "is": [_pack(v, arrays) for v in value]}
    if isinstance(value, dict):
        return {"#": "dict", "is": [[_key(k), _pack(v, arrays)] for k, v in value.items()]}
    if dataclasses.is_dataclass(value):
        kind = type(value)
        return {
            "#": f"{kind.__module__}:{kind.__qualname__}",
            "is": {f.name: _pack(getattr(value, f.name), arrays) for f in dataclasses.fields(value)},
        }
    if isinstance(value, Settings):
        kind = type(value)
        return {
            "#": f"{kind.__module__}:{kind.__qualname__}",
            "is": {
                name: _pack(getattr(value, name), arrays)
                for name in kind.model_fields
                if name in value.model_fields_set
            },
        }
    raise TypeError(f"{type(value).__name__} can't be kept in an artefact")


def _key(key: Any) -> Any:
    """A dictionary's key: text, or a tuple of such."""
    return {"#": "tuple", "is": list(map(str, key))} if isinstance(key, tuple) else str(key)


def _unpack(node: Any, arrays: Any) -> Any:
    if not isinstance(node, dict):
        return node
    kind, content = node["#"], node["is"]
    if kind == "float":
        return float(content)
    if kind == "array":
        return arrays[f"a{content}"]
    if kind in ("tuple", "list"):
        items = [_unpack(item, arrays) for item in content]
        return tuple(items) if kind == "tuple" else items
    if kind == "dict":
        return {_unpack(key, arrays): _unpack(item, arrays) for key, item in content}
    module, _, name = kind.partition(":")
    if not module.startswith("pipeline."):
        raise ValueError(f"{kind} is not a type of this package")
    made = getattr(importlib.import_module(module), name)
    if not (isinstance(made, type) and (dataclasses.is_dataclass(made) or issubclass(made, Settings))):
        raise ValueError(f"{kind} is neither a value type nor settings")
    value = made(**{key: _unpack(item, arrays) for key, item in content.items()})
    # Compiled code doesn't look whether the vertices that it is told of are there.
    if not getattr(value, "is_sound", True):
        raise ValueError(f"{kind} has arrays that don't fit each other")
    return value
