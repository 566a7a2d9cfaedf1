"""The scanner's own scale in an uncertainty: one error, the same for all lengths of a scan.

A scale that is off by a share s makes each length d off by s d, and all of them the same way (JCGM 100:2008, 5.2.2 and
F.1.2.3: input quantities that share a systematic effect are fully correlated). So it joins the rest of a length's
uncertainty in root of squares, and what two lengths of one scan differ by holds it once, for the difference.
"""

from __future__ import annotations

import math
from typing import overload


@overload
def with_scale(sigma: float, length: float, scale: float) -> float: ...
@overload
def with_scale(sigma: None, length: float, scale: float) -> None: ...
@overload
def with_scale(sigma: float | None, length: float, scale: float) -> float | None: ...
def with_scale(sigma: float | None, length: float, scale: float) -> float | None:
    """Standard uncertainty of a `length` with the scale's share in it, mm; None stays None.

    sigma  without it, mm; scale: its relative standard uncertainty, 5e-5 for 0.05 mm per m

    >>> round(with_scale(0.003, 80.0, 5e-5), 6)
    0.005
    """
    return None if sigma is None else math.hypot(sigma, scale * length)


@overload
def without_scale(sigma: float, length: float, scale: float) -> float: ...
@overload
def without_scale(sigma: None, length: float, scale: float) -> None: ...
@overload
def without_scale(sigma: float | None, length: float, scale: float) -> float | None: ...
def without_scale(sigma: float | None, length: float, scale: float) -> float | None:
    """What `with_scale` was given: for what compares lengths of one scan with each other, or with its light mesh.

    >>> round(without_scale(0.005, 80.0, 5e-5), 6)
    0.003
    """
    return None if sigma is None else math.sqrt(max(sigma**2 - (scale * length) ** 2, 0.0))
