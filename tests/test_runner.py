"""The runner's bookkeeping, with stages of two lines: what is reused, what is made anew, what is refused."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

import pipeline
from pipeline import runner
from pipeline.errors import InputError, OutputError, SettingsError
from pipeline.formats.names_file import read_names
from pipeline.job import CleanSettings, RecoverSettings, make_job
from pipeline.output_folder import opened
from pipeline.progress import Progress
from pipeline.values import NameBook, NoiseModel, NumberedFeature, ReadResult, RecoverResult, Source

MADE: list[str] = []
SOURCE = Source("a.stl", "0", 1, 3, "mm", 1.0, 0.01, 0.5, ((0.0, 0.0, 0.0), (1.0, 1.0, 1.0)))


def read(path: Path, progress: Progress) -> ReadResult:
    MADE.append("read")
    return ReadResult(path.read_text(), SOURCE)  # type: ignore[arg-type]


def clean(read: ReadResult, settings: CleanSettings, progress: Progress) -> tuple[str, float]:
    MADE.append("clean")
    return (str(read.surface), settings.debris_share)


def recover(
    clean: tuple[str, float], source: Source, settings: RecoverSettings, progress: Progress, book: NameBook
) -> RecoverResult:
    """With one number more each time that it finds numbers."""
    MADE.append("recover")
    if settings.min_area == 13:
        raise KeyboardInterrupt
    more = NumberedFeature(f"F{len(book.features) + 1}", "plane", None)
    noise = NoiseModel(0.01, 0.01, np.zeros((1, 2)), "made up")
    book = NameBook(source.sha256, (*book.features, more))
    return RecoverResult((), np.zeros(0, np.int32), noise, cautions=(clean[0],), book=book)


STAGES = {"read": read, "clean": clean, "recover": recover}


@pytest.fixture(autouse=True)
def _stages(monkeypatch: pytest.MonkeyPatch) -> None:
    MADE.clear()
    stage: Callable[..., object] = lambda shelf, name: STAGES[name]  # noqa: E731
    monkeypatch.setattr(runner._Shelf, "stage", stage)


@dataclass
class Place:
    scan: Path
    out: Path

    def run(self, **settings: object) -> pipeline.Result:
        MADE.clear()
        fresh = bool(settings.pop("fresh", False))
        return pipeline.run(make_job({"scan": self.scan, **settings}), out=self.out, until="recover", fresh=fresh)


@pytest.fixture
def place(tmp_path: Path) -> Place:
    scan = tmp_path / "a.stl"
    scan.write_text("first")
    return Place(scan, tmp_path / "out")


def test_a_second_run_makes_nothing(place: Place) -> None:
    assert [s.reused for s in place.run().stages] == [False] * 3
    again = place.run()
    assert MADE == []
    assert [s.reused for s in again.stages] == [True] * 3
    assert again.source == SOURCE


def test_a_changed_setting_makes_only_what_hangs_on_it(place: Place) -> None:
    place.run()
    place.run(recover={"min_area": 2})
    assert MADE == ["recover"]
    place.run(clean={"debris_share": 0.1}, recover={"min_area": 2})
    assert MADE == ["clean", "recover"]


def test_changed_content_under_the_same_name_makes_everything_anew(place: Place) -> None:
    place.run()
    place.scan.write_text("other")
    assert place.run().recover.cautions[0] == "other"
    assert MADE == ["read", "clean", "recover"]


def test_fresh_ignores_what_is_there(place: Place) -> None:
    place.run()
    place.run(fresh=True)
    assert MADE == ["read", "clean", "recover"]


def test_a_stopped_run_goes_on_where_it_was(place: Place) -> None:
    with pytest.raises(KeyboardInterrupt):
        place.run(recover={"min_area": 13})
    place.run()
    assert MADE == ["recover"]


def given(place: Place) -> list[str]:
    return [feature.id for feature in read_names(place.out / "names.json").features]


def test_the_file_of_names_that_a_run_wrote_makes_nothing_anew(place: Place) -> None:
    place.run()
    assert given(place) == ["F1"]
    for _ in range(2):
        place.run()
        assert (MADE, given(place)) == ([], ["F1"])


def test_what_is_made_anew_is_made_from_the_file_as_it_stands(place: Place) -> None:
    place.run()
    place.run(recover={"min_area": 2})
    assert (MADE, given(place)) == (["recover"], ["F1", "F2"])
    place.run(recover={"min_area": 2})
    assert (MADE, given(place)) == ([], ["F1", "F2"])
    place.run(fresh=True)
    assert given(place) == ["F1", "F2", "F3"]
    place.run()
    assert (MADE, given(place)) == ([], ["F1", "F2", "F3"])


def test_a_file_of_names_that_was_changed_or_taken_away_is_heeded(place: Place) -> None:
    place.run()
    before = (place.out / "names.json").read_text(encoding="utf-8")
    (place.out / "names.json").unlink()
    place.run()
    assert (MADE, given(place)) == (["recover"], ["F1"])
    place.run(recover={"min_area": 2})
    (place.out / "names.json").write_text(before, encoding="utf-8")
    place.run(recover={"min_area": 2})
    assert (MADE, given(place)) == (["recover"], ["F1", "F2"])
    (place.out / "names.json").write_text("{", encoding="utf-8")
    with pytest.raises(InputError, match="not one"):
        place.run()
    assert (place.out / "names.json").read_text(encoding="utf-8") == "{"


def test_a_run_that_was_stopped_leaves_the_file_of_names(place: Place) -> None:
    place.run()
    with pytest.raises(KeyboardInterrupt):
        place.run(recover={"min_area": 13})
    place.run()
    assert (MADE, given(place)) == ([], ["F1"])


def test_damaged_work_is_made_again(place: Place) -> None:
    place.run()
    (place.out / "work" / "clean.npz").unlink()
    place.run()
    assert MADE == ["clean"]
    (place.out / "work" / "manifest.json").write_text("{nonsense")
    place.run()
    assert MADE == ["read", "clean", "recover"]


def test_the_result_of_another_scan_is_made_again(place: Place) -> None:
    """Where the markers of both folders and the manifest say that all is as it was written."""
    place.run()
    other = Place(place.scan.with_name("b.stl"), place.out.with_name("other"))
    other.scan.write_text("second")
    other.run()
    for name in (".datumlift", "read.npz", "clean.npz", "recover.npz"):
        (place.out / "work" / name).write_bytes((other.out / "work" / name).read_bytes())
    with opened(place.out) as folder:
        folder.put_text("work/manifest.json", (place.out / "work" / "manifest.json").read_text())
        assert all(folder.wrote(f"work/{name}.npz") for name in ("read", "clean", "recover"))
    assert place.run().recover.cautions == ("first",)
    assert MADE == ["read", "clean", "recover"]


def test_a_missing_scan_and_a_folder(place: Place) -> None:
    with pytest.raises(InputError, match="does not exist"):
        pipeline.run(place.scan.with_name("b.stl"))
    with pytest.raises(InputError, match="is a folder"):
        pipeline.run(place.scan.parent)


def test_a_file_in_the_place_of_the_output_folder(place: Place) -> None:
    place.out.write_text("mine")
    with pytest.raises(OutputError, match="file of that name"):
        place.run()
    assert place.out.read_text() == "mine"


def test_foreign_files_in_the_output_folder_are_left_alone(place: Place) -> None:
    place.out.mkdir()
    (place.out / "datums.json").write_text(json.dumps({"mine": 1}))
    with pytest.raises(OutputError, match=r"datums\.json"):
        pipeline.run(place.scan, out=place.out)
    assert json.loads((place.out / "datums.json").read_text()) == {"mine": 1}


def test_an_unknown_stage(place: Place) -> None:
    with pytest.raises(SettingsError, match="no stage"):
        pipeline.run(place.scan, until="polish")


def test_two_runs_do_not_write_one_folder(place: Place) -> None:
    pytest.importorskip("fcntl")
    with opened(place.out), pytest.raises(OutputError, match="Another run"):
        place.run()


def test_several_scans_are_a_job_of_set_ups(tmp_path: Path) -> None:
    job = runner.job_of("one.stl", "two.xyz", "three.e57")
    assert job.scan == Path("one.stl")
    assert [one.scan for one in job.set_up] == [Path("two.xyz"), Path("three.e57")]
    for names in (("job.toml", "two.stl"), ("one.stl", "job.toml")):
        with pytest.raises(SettingsError, match="stands alone"):
            runner.job_of(*names)


def test_another_version_of_the_code_or_of_a_library_makes_everything_anew(
    place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = runner.code_digest()
    with monkeypatch.context() as patch:
        patch.setattr(runner, "library_versions", lambda: {"numpy": "0.0.1"})
        assert runner.code_digest() != before
    place.run()
    monkeypatch.setattr(runner, "code_digest", lambda: "another")
    place.run()
    assert MADE == ["read", "clean", "recover"]


SETTINGS = {
    "measured": {"measured": [{"what": "diameter", "features": ["H1"], "value": 30.0, "uncertainty": 0.01}]},
    "refits": {"refit": [{"feature": "H1", "radius": 15.0}]},
    "names": {"names": {"H1": "main bore"}},
    "exclude": {"clean": {"exclude": [{"shape": "sphere", "centre": "scan: [0, 0, 0]", "radius": 1.0}]}},
    "recovery": {"recover": {"min_area": 2}},
    "job": {"title": "another"},
}


@pytest.mark.parametrize("parameter", SETTINGS)
def test_whatever_a_stage_asks_of_the_job_is_in_its_key(
    parameter: str, place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    names = {"read": "read", "progress": "progress", parameter: "asked"}
    scope: dict[str, object] = {}
    exec(f"def clean({', '.join(names)}): return made({parameter})", {"made": lambda v: MADE.append("clean")}, scope)
    monkeypatch.setitem(STAGES, "clean", scope["clean"])
    monkeypatch.setitem(STAGES, "recover", lambda read, progress: MADE.append("recover"))
    monkeypatch.setattr(runner, "NUMBERS", ())
    place.run()
    place.run()
    assert MADE == []
    place.run(**SETTINGS[parameter])
    assert MADE == ["clean"]


def test_what_a_set_up_is_made_of_is_in_the_key_of_the_join(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its file, how it is to be read and cleaned, and what the job says of it."""

    def join(set_ups: tuple[object, ...], progress: Progress) -> RecoverResult:
        MADE.append("join")
        return RecoverResult((), np.zeros(0, np.int32), NoiseModel(0.01, 0.01, np.zeros((1, 2)), "made up"))

    monkeypatch.setitem(STAGES, "join", join)
    scan, other = tmp_path / "a.stl", tmp_path / "b.stl"
    scan.write_text("one")
    other.write_text("two")

    def joined_anew(turned_over: bool = False, **settings: object) -> bool:
        MADE.clear()
        set_up = {"scan": other, "turned_over": turned_over}
        pipeline.run(make_job({"scan": scan, "set_up": [set_up], **settings}), out=tmp_path / "out", until="join")
        return "join" in MADE

    assert [joined_anew() for _ in range(2)] == [True, False]
    other.write_text("two, scanned again")
    for settings in ({}, {"clean": {"debris_share": 0.1}}, {"read": {"units": "in"}}, {"turned_over": True}):
        assert [joined_anew(**settings) for _ in range(2)] == [True, False], settings
