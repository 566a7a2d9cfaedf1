"""The demo part: its exact design, its truth, and the script that makes a scan of it at any density."""

from __future__ import annotations

from pathlib import Path

FIT = tuple(
    f"turbine_{name}"
    for name in ("fit.toml", "make.toml", "close.toml", "casing.step", "frame.step", "coupling.step", "guard.step")
)
"""The layouts of parts that the demo part is fitted up with and of what is made to it, beside its scan's run, and its
neighbours."""


def fit_files() -> tuple[Path, ...]:
    """The files of FIT, as they are shipped."""
    return tuple(Path(__file__).resolve().parent / name for name in FIT)


def make_demo(
    out_dir: str | Path, facets: float | None = None, seed: int = 1, units: str = "mm", **options: object
) -> tuple[Path, Path]:
    """Write a demo scan (binary STL) and its truth (JSON) into `out_dir`; returns both paths.

    facets   wanted facets of the scan, 200,000 unless given
    seed     of noise, gaps and pose
    units    "mm" or "in": of the coordinates in the STL file; the truth is always in mm
    options  passed on to `sample_meshes.make_scan.make_scan`
    """
    from sample_meshes.make_scan import make_scan, write_stl, write_truth

    scan = make_scan(facets=200_000 if facets is None else facets, seed=seed, **options)
    folder = Path(out_dir)
    folder.mkdir(parents=True, exist_ok=True)
    scan_path, truth_path = folder / "bearing_housing_scan.stl", folder / "bearing_housing_truth.json"
    write_stl(scan_path, scan, units)
    write_truth(truth_path, scan)
    return scan_path, truth_path
