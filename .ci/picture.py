"""Make sample_meshes/picture.png anew: the committed scan's light mesh with today's datums, as a run draws it."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

import pipeline

HERE = Path(__file__).resolve().parent.parent / "sample_meshes"


def main() -> None:
    """Run the job on the committed scan in a folder of its own and take the view from a corner."""
    with tempfile.TemporaryDirectory() as folder:
        result = pipeline.run(HERE / "bearing_housing_scan.ply", out=Path(folder) / "run")
        shutil.copyfile(Path(folder) / "run" / "pictures" / "corner.png", HERE / "picture.png")
    print(", ".join(f"{datum.letter} {datum.feature}" for datum in result.frame.datums))


if __name__ == "__main__":
    main()
