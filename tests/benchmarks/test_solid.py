"""The solid against the exact part: what it is held to, part by part, and what a CAD kernel can do with it.

Exact part: the demo's design and designs that nobody adjusted anything to, as signed distances (`sample_meshes/`).
Readers beside the kernel that wrote it: gmsh's own build of it with its own mesher (PyPI gmsh, GPL-2+), and a plain
reader of the STEP text.

Each test prints its table: pytest -m slow tests/benchmarks/test_solid.py -s
"""

from __future__ import annotations

import subprocess
import sys
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from pipeline.formats.step import label_of
from tests.benchmarks.operations import drawn_tools, half_of_it, offset_of_a_face, operated
from tests.benchmarks.solids import WHOLE, Figures, Held, figures, made, written_faces
from tests.scans import demo_scan

pytestmark = pytest.mark.slow

HELD_OUT = range(726, 736)


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Held:
    return made("demo", demo_scan(2e5, 1), tmp_path_factory.mktemp("solid"))


def _is_exact(found: Figures) -> bool:
    """Valid and closed, each good feature an exact face, edges within 10 um, the surfaces within 1 um of the datum file
    and a fine tessellation of them within 2 um, the volume within 0.1 % of the exact part's."""
    return (
        found.closed and found.valid and found.exact == found.good and found.tolerance <= 0.01
        and found.off_parameters <= 1e-3 and found.off_surface <= 2e-3 and abs(found.off_volume) <= 1e-3
    )  # fmt: skip


@pytest.mark.parametrize("facets", [2e5, 1e6])
def test_demo_is_exact_and_its_skin_holds_its_tolerance(facets: float, tmp_path: Path) -> None:
    """With gaps, unseen depths of holes and a plug, which counts as part of it here: it was scanned.

    Skin: nowhere farther than its 0.5 mm from what the scan shows without its noise, or from the exact part. From the
    exact part alone it is farther along some edges, up to 0.9 mm at 200 k facets, since the scan is: there its facets,
    1.4 mm long, bridge edges that are sharp or rounded by 0.35 mm.
    """
    found = figures(made("demo", demo_scan(facets, 1), tmp_path))
    print(f"\n{found}")
    assert _is_exact(found)
    assert found.from_seen <= 0.5


def test_designs_that_nobody_adjusted_to(tmp_path: Path) -> None:
    """Ten of other sizes and counts, closed scans of 500 k facets: nine hold all that the demo is held to."""
    found = []
    for seed in HELD_OUT:
        found.append(figures(made(f"d{seed}", demo_scan(5e5, seed, seed, **WHOLE), tmp_path)))
        print(f"\n{found[-1]}", end="")
    assert sum(_is_exact(f) and f.from_seen <= 0.5 for f in found) >= 9
    # The tenth is told, never an invalid body in silence.
    assert all(f.told for f in found if not (f.closed and f.valid and f.exact == f.good))


def test_another_kernel_meshes_it_watertight_and_a_plain_reader_finds_its_names(demo: Held) -> None:
    import gmsh

    path = demo.folder / "part.step"
    names = Counter(face.name for face in written_faces(path))
    solid = demo.data.solid
    assert solid is not None
    told = {label_of(f) for f in demo.data.features if f.id in solid.features}
    assert told <= set(names)
    assert set(names) <= told | {"skin", "filled", "never seen"}
    assert names.total() == solid.faces
    gmsh.initialize(interruptible=False)
    try:
        gmsh.option.setNumber("General.Terminal", 0)
        gmsh.model.occ.importShapes(str(path))
        gmsh.model.occ.synchronize()
        assert len(gmsh.model.getEntities(3)) == 1
        assert len(gmsh.model.getEntities(2)) == solid.faces
        mass = gmsh.model.occ.getMass(3, gmsh.model.getEntities(3)[0][1])
        gmsh.option.setNumber("Mesh.MeshSizeFromCurvature", 24)
        gmsh.option.setNumber("Mesh.MeshSizeMax", 8.0)
        gmsh.model.mesh.generate(2)
        kinds, _, nodes = gmsh.model.mesh.getElements(2)
        triangles = np.concatenate([n.reshape(-1, 3) for kind, n in zip(kinds, nodes, strict=True) if kind == 2])
    finally:
        gmsh.finalize()
    edges = np.sort(np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]]), axis=1)
    assert (np.unique(edges, axis=0, return_counts=True)[1] == 2).all()
    assert mass == pytest.approx(solid.volume, rel=1e-6)


def test_read_again_it_is_valid_and_so_is_what_is_written_of_that(demo: Held, tmp_path: Path) -> None:
    """As the kernel checks by itself; with exact curves the reader's own parameter curves don't all pass."""
    from pipeline.formats.solid import read_solid, write_solid
    from tests.benchmarks.operations import sound, volume

    once = read_solid(demo.folder / "part.step")
    write_solid(tmp_path / "again.step", once, "part", "read and written again")
    again = read_solid(tmp_path / "again.step")
    assert sound(once.shape)
    assert sound(again.shape)
    assert volume(again.shape) == pytest.approx(volume(once.shape), rel=1e-9)
    assert Counter(f.name for f in again.faces) == Counter(f.name for f in once.faces)


def test_a_cut_of_the_solid_as_it_is_read_is_valid_and_named(demo: Held) -> None:
    """As a layout's cuts are made: within 0.1 % of the exact part less the same tool."""
    from pipeline.formats.solid import cut_away, read_solid

    tool = next(drawn_tools(demo, seed=61))
    cut, verdict = cut_away(read_solid(demo.folder / "part.step"), tool.stroke, "faced")
    assert verdict.valid
    assert "faced" in {named.name for named in cut.faces}
    assert cut.volume == pytest.approx(demo.exact_volume - tool.common_with(demo.exact), rel=1e-3)


def test_operations_do_what_they_do_to_the_exact_part(demo: Held) -> None:
    """26 facings, rebores, counterbores and fused bosses drawn at random, two faces offset, two sections through the
    shell: 28 of 30 valid and within 0.1 % of the exact part's volume after the same one.

    Cuts as the product makes them; what the kernel makes of them alone is told beside: where a tool lies nearly along
    another cylinder it loses their crossing, of any solid.
    """
    tools = drawn_tools(demo, seed=16)
    drawn = [next(tools) for _ in range(26)]
    found, plain = [[operated(demo, tool, ours) for tool in drawn] for ours in (True, False)]
    bores = [f for f in demo.data.features if f.kind == "cylinder" and f.side == "bore" and f.confidence == "good"]
    others = [offset_of_a_face(demo, bore, 0.5) for bore in (bores[0], bores[-1])]
    others += [half_of_it(demo, bore) for bore in (bores[0], bores[len(bores) // 2])]
    right = [[one.valid and abs(one.off) < 1e-3 for one in some + others] for some in (found, plain)]
    for one, kernel in zip(found + others, right[1], strict=True):
        print(
            f"\n{one.what:<18} {'valid' if one.valid else 'INVALID':<8} {100 * one.off:+.4f} %"
            f"{'' if kernel else ', not right by the kernel alone'}", end="",
        )  # fmt: skip
    print(f"\n{sum(right[0])} of 30, {sum(right[1])} by the kernel alone")
    assert sum(right[0]) >= 28


_MEASURED = """
import resource, sys, time
from pathlib import Path
from pipeline.cli.workshop.solid import make
begin = time.process_time()
data, _ = make(Path(sys.argv[1]), float(sys.argv[2]), "AP242", "faces", True)
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(data.solid.faces, data.solid.bytes, time.process_time(), peak, data.solid.valid, data.solid.skin_held)
"""


def test_time_and_size_against_the_number_of_faces(demo: Held) -> None:
    """A process of its own each, its start and all imports in its time: 20 s and 1 GB for 7 k faces, 60 s for 50 k."""
    print("\n  skin   faces    MB    s   peak MB")
    for skin in (1.0, 0.5, 0.25, 0.1, 0.05):
        told = subprocess.run(
            [sys.executable, "-c", _MEASURED, str(demo.folder), str(skin)], check=True, capture_output=True, text=True
        ).stdout.split()
        faces, size, seconds, peak = int(told[0]), int(told[1]), float(told[2]), float(told[3])
        print(f"{skin:6.2f} {faces:7d} {size / 1e6:5.1f} {seconds:5.1f} {peak:7.0f}  valid {told[4]} held {told[5]}")
        assert told[4] == "True"
        if skin == 0.5:
            assert seconds < 20.0
            assert peak < 1000
        assert seconds < 60.0 or faces > 50_000
