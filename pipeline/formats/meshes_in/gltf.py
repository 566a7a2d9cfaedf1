"""Reading glTF 2.0, text and binary: the triangles of all meshes where the nodes of the scene put them.

Source: Khronos Group, glTF 2.0 specification (ISO/IEC 12113). Every count and every offset is held against the bytes
that are there before anything is made of it.
"""

from __future__ import annotations

import base64
import binascii
import json
import math
import os
import re
import struct
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError
from pipeline.files import bytes_of, copied_as_text
from pipeline.geometry import Floats, Ints

_MAGIC, _JSON, _BIN = b"glTF", 0x4E4F534A, 0x004E4942
_TYPES = {5120: "<i1", 5121: "<u1", 5122: "<i2", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
_WIDTHS = {"SCALAR": 1, "VEC3": 3}
_TRIANGLES, _STRIP, _FAN = 4, 5, 6
_COMPRESSED = ("KHR_draco_mesh_compression", "EXT_meshopt_compression")
# Of those in the Khronos Group's registry: whole numbers for coordinates, which are read, and what says how a surface
# looks.
_HARMLESS = ("KHR_mesh_quantization", "KHR_materials_", "KHR_texture_", "EXT_texture_", "KHR_lights_")
# A mesh may be placed many times over; more facets than a file of this size could hold are no scan.
_MOST_FACETS = 1_000_000


def read_gltf(path: Path) -> tuple[Floats, Ints]:
    """Points (n, 3) in metres and faces (m, 3) of a .gltf or .glb file. Raises InputError."""
    data = path.read_bytes()
    text, chunk = _chunks(path, data) if data[:4] == _MAGIC else (data, b"")
    try:
        tree = json.loads(text.decode("utf-8-sig"))
    except (ValueError, RecursionError):
        raise InputError(f"{path} can't be understood as glTF: its JSON is broken; export or copy it again.") from None
    return _Reader(path, tree, chunk, len(data)).read()


def _old(path: Path, version: Any) -> InputError:
    return InputError(f"{path} is glTF of version {version!s:.20}, and only 2.0 is read; export it again, as 2.0.")


def _chunks(path: Path, data: bytes) -> tuple[bytes, bytes]:
    """The JSON and the binary chunk."""
    if len(data) < 20:
        raise InputError(f"{path} is cut short: {len(data)} bytes are no binary glTF; export or copy it again.")
    version, stated = struct.unpack_from("<II", data, 4)
    told = copied_as_text(path) if stated != len(data) else ""
    if told:
        raise InputError(f"{path} is no sound binary glTF: {told}; copy it again as a binary file.")
    if version != 2:
        raise _old(path, version)
    found: dict[int, bytes] = {}
    at = 12
    while at + 8 <= len(data):
        length, kind = struct.unpack_from("<II", data, at)
        if at + 8 + length > len(data):
            raise InputError(f"{path} is cut short: a part of it is longer than the file; export or copy it again.")
        found.setdefault(kind, data[at + 8 : at + 8 + length])
        at += 8 + length
    if _JSON not in found:
        raise InputError(f"{path} is a binary glTF without its JSON part; export or copy it again.")
    return found[_JSON], found.get(_BIN, b"")


class _Reader:
    def __init__(self, path: Path, tree: Any, chunk: bytes, size: int) -> None:
        self._path = path
        self._tree = tree if isinstance(tree, dict) else {}
        self._chunk = chunk
        self._most = max(_MOST_FACETS, 4 * size)
        self._meshes: dict[int, tuple[Floats, Ints]] = {}
        self._buffers: dict[int, bytes] = {}

    def read(self) -> tuple[Floats, Ints]:
        asset = self._tree.get("asset")
        version = asset.get("version", "2.0") if isinstance(asset, dict) else "2.0"
        if not re.match(r"2(\.|$)", str(version)):
            raise _old(self._path, version)
        unread = [name for name in map(str, self._list("extensionsRequired")) if not name.startswith(_HARMLESS)]
        if unread:
            why = "is compressed" if unread[0] in _COMPRESSED else "can't be read without an extension that it requires"
            raise InputError(
                f"{self._path} {why} ({unread[0]:.60}), which is not known here; export it uncompressed, as plain "
                "glTF 2.0."
            )
        points, faces, total, start = [], [], 0, 0
        for mesh, matrix in self._placed():
            if mesh not in self._meshes:
                self._meshes[mesh] = self._mesh(mesh)
            p, f = self._meshes[mesh]
            total += len(f)
            if total > self._most:
                raise InputError(
                    f"{self._path} places its meshes so often that they come to more than {self._most:,} facets; give "
                    "the scan as one mesh."
                )
            with np.errstate(over="ignore", invalid="ignore"):
                points.append(p @ matrix[:3, :3].T + matrix[:3, 3])
                mirrored = np.linalg.det(matrix[:3, :3]) < 0
            faces.append((f[:, ::-1] if mirrored else f) + np.int32(start))
            start += len(p)
        if total == 0:
            raise InputError(f"{self._path} holds no facets; give the scan as a triangle mesh.")
        return np.concatenate(points), np.concatenate(faces).astype(np.int32)

    def _wrong(self, what: str) -> InputError:
        return InputError(f"{self._path}: {what} makes no sense in a glTF file; export or copy it again.")

    def _list(self, name: str) -> list[Any]:
        found = self._tree.get(name, [])
        if not isinstance(found, list):
            raise self._wrong(f"its list of {name}")
        return found

    def _item(self, name: str, index: Any) -> dict[str, Any]:
        items = self._list(name)
        good = isinstance(index, int) and not isinstance(index, bool) and 0 <= index < len(items)
        if not good or not isinstance(items[index], dict):
            raise self._wrong(f"number {index!r:.20} of its {name}")
        item: dict[str, Any] = items[index]
        return item

    def _count(self, item: dict[str, Any], key: str, default: int | None = None) -> int:
        value = item.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < 2**53:
            raise self._wrong(f"{key} {value!r:.30}")
        return value

    def _placed(self) -> list[tuple[int, Floats]]:
        """Each mesh with the (4, 4) matrix that puts it into the scene, in the order of the nodes."""
        nodes, scenes = self._list("nodes"), self._list("scenes")
        if not nodes:
            return [(k, np.eye(4)) for k in range(len(self._list("meshes")))]
        if scenes:
            roots = self._item("scenes", self._tree.get("scene", 0)).get("nodes", [])
        else:
            inner = {child for node in nodes if isinstance(node, dict) for child in self._children(node)}
            roots = [k for k in range(len(nodes)) if k not in inner]
        if not isinstance(roots, list):
            raise self._wrong("the list of nodes of its scene")
        out: list[tuple[int, Floats]] = []
        seen: set[int] = set()
        stack = [(index, np.eye(4)) for index in reversed(roots)]
        while stack:
            index, above = stack.pop()
            node = self._item("nodes", index)
            if index in seen:
                raise self._wrong(f"node {index}, which is part of two others or of itself,")
            seen.add(index)
            with np.errstate(over="ignore", invalid="ignore"):
                matrix = above @ self._matrix(node)
            if "mesh" in node:
                self._item("meshes", node["mesh"])
                out.append((node["mesh"], matrix))
            stack += [(child, matrix) for child in reversed(self._children(node))]
        return out

    def _children(self, node: dict[str, Any]) -> list[int]:
        children = node.get("children", [])
        if not isinstance(children, list) or not all(type(child) is int for child in children):
            raise self._wrong("the list of a node's children")
        return children

    def _numbers(self, node: dict[str, Any], key: str, default: list[float]) -> Floats:
        values = node.get(key, default)
        good = isinstance(values, list) and len(values) == len(default)
        if not good or not all(type(v) in (int, float) and abs(v) < 1e300 for v in values):
            raise self._wrong(f"the {key} of a node")
        return np.array(values, dtype=np.float64)

    def _matrix(self, node: dict[str, Any]) -> Floats:
        if "matrix" in node:
            return self._numbers(node, "matrix", np.eye(4).ravel().tolist()).reshape(4, 4).T
        x, y, z, w = self._numbers(node, "rotation", [0.0, 0.0, 0.0, 1.0])
        size = math.sqrt(x * x + y * y + z * z + w * w)
        if not 0 < size < 1e150:
            raise self._wrong("the rotation of a node")
        x, y, z, w = x / size, y / size, z / size, w / size
        out = np.eye(4)
        turn = np.array(
            [
                [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
                [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
                [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
            ]
        )
        out[:3, :3] = turn * self._numbers(node, "scale", [1.0, 1.0, 1.0])
        out[:3, 3] = self._numbers(node, "translation", [0.0, 0.0, 0.0])
        return out

    def _mesh(self, index: int) -> tuple[Floats, Ints]:
        """Points and faces of the triangles of a mesh; its points and lines are passed over."""
        primitives = self._item("meshes", index).get("primitives", [])
        if not isinstance(primitives, list):
            raise self._wrong(f"mesh {index}")
        points: list[Floats] = [np.empty((0, 3))]
        faces: list[Ints] = [np.empty((0, 3), np.int32)]
        start = 0
        for primitive in primitives:
            attributes = primitive.get("attributes") if isinstance(primitive, dict) else None
            if not isinstance(attributes, dict):
                raise self._wrong(f"a part of mesh {index}")
            mode = primitive.get("mode", _TRIANGLES)
            if type(mode) is not int or not 0 <= mode <= _FAN:
                raise self._wrong(f"mode {mode!r:.20} of mesh {index}")
            if mode < _TRIANGLES or "POSITION" not in attributes:
                continue
            p = self._accessor(attributes["POSITION"], "VEC3").astype(np.float64)
            corners = np.arange(len(p)) if "indices" not in primitive else self._indices(primitive["indices"], len(p))
            points.append(p)
            faces.append((_triangles(corners, mode) + start).astype(np.int32))
            start += len(p)
        return np.concatenate(points), np.concatenate(faces)

    def _indices(self, index: Any, points: int) -> NDArray[np.int64]:
        found = self._accessor(index, "SCALAR")
        if found.dtype.kind != "u":
            raise self._wrong(f"accessor {index}, whose numbers are no corners,")
        if len(found) and found.max() >= points:
            raise InputError(
                f"{self._path}: a facet has a corner {int(found.max()):,} that does not exist (there are {points:,} "
                "vertices); export the scan again."
            )
        return found.astype(np.int64).ravel()

    def _accessor(self, index: Any, kind: str) -> NDArray:
        """(k, 3) or (k, 1) numbers of the type in the file; whole numbers that stand for shares become those."""
        item = self._item("accessors", index)
        form = _TYPES.get(item.get("componentType", -1)) if type(item.get("componentType")) is int else None
        if form is None or item.get("type") != kind:
            raise self._wrong(f"accessor {index}, which is no {kind} of a known type,")
        if "sparse" in item or "bufferView" not in item:
            raise InputError(f"{self._path}: accessor {index} is sparse, which is not read; export it plainly.")
        view = self._item("bufferViews", item["bufferView"])
        data = self._buffer(view.get("buffer", 0))
        count, first = self._count(item, "count"), self._count(item, "byteOffset", 0)
        offset, length = self._count(view, "byteOffset", 0), self._count(view, "byteLength")
        size = np.dtype(form).itemsize * _WIDTHS[kind]
        stride = self._count(view, "byteStride", size) or size
        if stride < size or offset + length > len(data) or (count and first + (count - 1) * stride + size > length):
            raise InputError(
                f"{self._path} is cut short or broken: accessor {index} promises {count:,} records, which do not fit "
                f"into its {min(length, len(data)):,} bytes; export or copy it again."
            )
        flat = np.ndarray((count, _WIDTHS[kind]), form, data, offset + first, (stride, np.dtype(form).itemsize))
        found = flat.copy()
        if kind == "VEC3" and item.get("normalized") is True and found.dtype.kind in "iu":
            return np.maximum(found / np.iinfo(found.dtype).max, -1.0)
        return found

    def _buffer(self, index: Any) -> bytes:
        item = self._item("buffers", index)
        if index not in self._buffers:
            self._buffers[index] = self._bytes_of(item)
        return self._buffers[index]

    def _bytes_of(self, item: dict[str, Any]) -> bytes:
        uri = item.get("uri")
        if uri is None:
            return self._chunk
        if not isinstance(uri, str) or not uri.isprintable():
            raise self._wrong("the place of a buffer")
        if uri.startswith("data:"):
            try:
                return base64.b64decode(uri.partition(",")[2], validate=True)
            except (binascii.Error, ValueError):
                raise self._wrong("a buffer in it") from None
        place = self._path.parent / unquote(uri)
        try:
            folder = os.path.realpath(self._path.parent)
            inside = not urlsplit(uri).scheme and Path(os.path.realpath(place)).is_relative_to(folder)
        except (OSError, ValueError):
            inside = False
        if not inside:
            raise InputError(
                f"{self._path}: a buffer of it is said to be at {uri!r:.60}, which is not beside the file; export it "
                "as one file (.glb)."
            )
        try:
            return bytes_of(place)
        except OSError as error:
            raise InputError(
                f"{self._path} needs the file {uri:.60} beside it, which can't be read ({error.strerror}); copy both."
            ) from None


def _triangles(corners: NDArray[np.int64], mode: int) -> NDArray[np.int64]:
    if mode == _TRIANGLES or len(corners) < 3:
        return corners[: len(corners) // 3 * 3].reshape(-1, 3)
    if mode == _FAN:
        middle = np.full(len(corners) - 2, corners[0])
        return np.stack([corners[1:-1], corners[2:], middle], axis=1)
    out = np.stack([corners[:-2], corners[1:-1], corners[2:]], axis=1)
    out[1::2] = out[1::2, [1, 0, 2]]
    return out
