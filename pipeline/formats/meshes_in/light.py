"""Reading our own light mesh again: its facets know their features."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError
from pipeline.files import bytes_of
from pipeline.values import ORIGIN_NAMES, Surface

_FACET = np.dtype([("count", "u1"), ("corners", "<i4", 3), ("feature", "<i4"), ("origin", "u1")])
_ORDER = "comment feature counts into:"


def read_light(path: Path) -> tuple[Surface, NDArray[np.int32], tuple[str, ...]]:
    """A light mesh as `write_ply` wrote it: surface, feature of each facet, and the ids that these count into.

    Raises InputError where there is none, or where it was not written so.

    >>> from tempfile import TemporaryDirectory
    >>> from pipeline.formats.meshes_out import write_ply
    >>> points, facet = np.eye(3), np.array([[0, 1, 2]], np.int32)
    >>> order = "feature counts into: H1 F1; -1 none"
    >>> with TemporaryDirectory() as folder:
    ...     path = Path(folder) / "light.ply"
    ...     write_ply(path, points, facet, np.array([1], np.int32), np.array([0], np.uint8), (order,))
    ...     light, labels, ids = read_light(path)
    >>> light.facets, labels.tolist(), ids
    (1, [1], ('H1', 'F1'))
    """
    try:
        head, mark, body = bytes_of(path).partition(b"end_header\n")
    except OSError as error:
        raise InputError(
            f"The light mesh {path} can't be read ({error.strerror}); give the folder of a run, or run the scan again."
        ) from None
    lines = head.decode("ascii", "replace").splitlines()
    counts = [int(line.split()[2]) for line in lines if line.startswith("element ") and line.split()[2].isdigit()]
    order = next((line for line in lines if line.startswith(_ORDER)), None)
    wanted = 24 * counts[0] + _FACET.itemsize * counts[1] if len(counts) == 2 else -1
    if not mark or order is None or "property int feature" not in lines or len(body) != wanted:
        raise InputError(f"{path} is no light mesh as datumlift writes it; run the scan again.")
    points = np.frombuffer(body, "<f8", 3 * counts[0]).reshape(-1, 3)
    rows = np.frombuffer(body, _FACET, offset=24 * counts[0])
    ids = tuple(order.removeprefix(_ORDER).partition(";")[0].split())
    corners, labels = rows["corners"], rows["feature"]
    sound = len(rows) > 0 and np.isfinite(points).all() and (rows["origin"] < len(ORIGIN_NAMES)).all()
    sound = sound and ((corners >= 0) & (corners < len(points))).all() and ((labels >= -1) & (labels < len(ids))).all()
    if not sound:
        raise InputError(f"{path} is damaged: its facets can't be what datumlift wrote; run the scan again.")
    surface = Surface(points.copy(), corners.astype(np.int32), rows["origin"].copy())
    return surface, labels.astype(np.int32), ids
