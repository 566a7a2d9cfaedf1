"""Reading, cleaning and filling four million facets: seconds and bytes a facet, in a process of its own."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from sample_meshes.make_scan import make_scan, write_stl

_MEASURED = """
import json, sys, time
from pathlib import Path
from pipeline.job import CleanSettings, FillSettings, ReadSettings, RecoverSettings
from pipeline.progress import silent
from pipeline.stages.clean import clean
from pipeline.stages.fill import fill
from pipeline.stages.read import read
from pipeline.stages.recover import recover

def peak():
    # Of this program alone: what getrusage tells starts from the peak of the process that started it.
    lines = Path("/proc/self/status").read_text().splitlines()
    return 1024 * int(next(line for line in lines if line.startswith("VmHWM")).split()[1])

def forget_peak():
    Path("/proc/self/clear_refs").write_text("5")

# The small scan first: compiled kernels are loaded before anything is measured.
scan = read(Path(sys.argv[1]), ReadSettings(), silent)
part = clean(scan, CleanSettings(), silent)
fill(part, recover(part, scan.source, RecoverSettings(), (), silent), scan.source, FillSettings(), silent)
forget_peak()
before, start = peak(), time.process_time()
scan = read(Path(sys.argv[2]), ReadSettings(), silent)
facets = scan.surface.facets
seconds, after = time.process_time() - start, peak()
mesh = scan.surface.vertices.nbytes + scan.surface.faces.nbytes + scan.surface.origin.nbytes
forget_peak()
start = time.process_time()
part = clean(scan, CleanSettings(), silent)
clean_seconds, clean_peak = time.process_time() - start, peak()
features = recover(part, scan.source, RecoverSettings(), (), silent)
forget_peak()
start = time.process_time()
filled = fill(part, features, scan.source, FillSettings(), silent)
fill_seconds, fill_peak = time.process_time() - start, peak()
walls = []
for _ in range(3):
    wall = time.monotonic()
    part = clean(scan, CleanSettings(), silent)
    filled = fill(part, features, scan.source, FillSettings(), silent)
    walls.append(time.monotonic() - wall)
print(json.dumps({
    "facets": facets,
    "read_seconds": seconds,
    "read_bytes": (after - before) / facets,
    "clean_seconds": clean_seconds,
    "clean_bytes": (clean_peak - before - mesh) / facets,
    "closed": sum(gap.done == "closed" for gap in filled.gaps),
    "fill_seconds": fill_seconds,
    "fill_bytes": (fill_peak - before - mesh) / facets,
    "walls": walls,
}))
"""


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="peak memory is read from Linux's /proc")
def test_four_million_facets(tmp_path: Path) -> None:
    options = {"stub": True, "second_pass": True, "gap_radius": (2.0, 8.0)}
    write_stl(tmp_path / "small.stl", make_scan(60_000, 3, gaps=40, **options))
    write_stl(tmp_path / "big.stl", make_scan(4e6, 3, gaps=200, **options))
    command = [sys.executable, "-c", _MEASURED, str(tmp_path / "small.stl"), str(tmp_path / "big.stl")]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    figures = json.loads(done.stdout)
    print(figures)
    assert figures["facets"] > 3.8e6
    assert figures["read_seconds"] < 2.0
    assert 12 < figures["read_bytes"] < 150
    assert figures["closed"] >= 200
    assert min(figures["walls"]) < 15.0  # the best of three: others may be at work on the machine
    assert 12 < figures["clean_bytes"] < 150
    assert 12 < figures["fill_bytes"] < 150
