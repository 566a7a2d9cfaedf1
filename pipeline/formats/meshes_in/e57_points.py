"""Reading the points of E57 files (ASTM E2807): all scans of one, in the file's own coordinates."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from pipeline.errors import InputError
from pipeline.files import copied_as_text
from pipeline.geometry import Floats

_FLAT = ("cartesianX", "cartesianY", "cartesianZ")
_ROUND = ("sphericalRange", "sphericalAzimuth", "sphericalElevation")
_STATES = ("cartesianInvalidState", "sphericalInvalidState")
_WANTED = {*_FLAT, *_ROUND, *_STATES}


def read_e57(path: Path) -> tuple[Floats, Floats | None]:
    """Points (n, 3) in metres, each scan moved by its pose, and directions (n, 3) from them to their scanner.

    No directions where a scan of the file has no pose that moves it, which tells where its scanner stood. Points that
    the file marks as invalid are left out. Raises InputError.
    """
    import pye57
    import pye57.libe57

    try:
        file = pye57.E57(str(path))
    except (pye57.libe57.E57Exception, RuntimeError, ValueError) as error:
        raise _broken(path, error) from None
    try:
        return _read(path, file)
    except InputError:
        raise
    except (pye57.libe57.E57Exception, RuntimeError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise _broken(path, error) from None
    finally:
        file.close()


def _broken(path: Path, error: Exception) -> InputError:
    why = copied_as_text(path) or " ".join(str(error).split())
    return InputError(f"{path} is cut short or no sound E57 file ({why:.120}); export or copy it again.")


def _read(path: Path, file: Any) -> tuple[Floats, Floats | None]:
    size = path.stat().st_size
    points: list[Floats] = []
    towards: list[Floats] = []
    for number in range(file.scan_count):
        header = file.get_header(number)
        # Three coordinates of a point don't go into less than a byte.
        if not 0 <= header.point_count <= size:
            raise InputError(
                f"{path} is cut short or broken: its scan {number + 1} promises {header.point_count:,} points, and the "
                f"file has {size:,} bytes; export or copy it again."
            )
        if header.point_count == 0:
            continue
        data, buffers = file.make_buffers([f for f in header.point_fields if f in _WANTED], header.point_count)
        header.points.reader(buffers).read()
        here = _cartesian(path, number, data)
        valid = np.ones(len(here), dtype=bool)
        for state in _STATES:
            if state in data:
                valid &= np.asarray(data[state]) == 0
        here = here[valid]
        shift = np.zeros(3)
        if header.has_pose():
            turn = np.asarray(header.rotation_matrix, dtype=np.float64)
            shift = np.asarray(header.translation, dtype=np.float64).reshape(3)
            here = here @ turn.T + shift
            # Many programs write a pose that does nothing, and no scanner stood there.
            if shift.any():
                towards.append(shift - here)
        points.append(here)
    if not points:
        raise InputError(f"{path} holds no points; export the scan again.")
    known = len(towards) == len(points)
    return np.concatenate(points), np.concatenate(towards) if known else None


def _cartesian(path: Path, number: int, data: dict[str, Any]) -> Floats:
    if all(name in data for name in _FLAT):
        return np.column_stack([np.asarray(data[name], dtype=np.float64) for name in _FLAT])
    if not all(name in data for name in _ROUND):
        raise InputError(f"{path}: scan {number + 1} has points without coordinates; export it again.")
    # ASTM E2807: azimuth from x towards y, elevation from the xy plane, radians.
    far, azimuth, elevation = (np.asarray(data[name], dtype=np.float64) for name in _ROUND)
    flat = far * np.cos(elevation)
    return np.column_stack([flat * np.cos(azimuth), flat * np.sin(azimuth), far * np.sin(elevation)])
