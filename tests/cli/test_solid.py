"""The command solid: what it says where there is nothing to make a solid of."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.cli.main import main


def refused(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    with pytest.raises(SystemExit) as left:
        main(arguments)
    assert left.value.code == 2
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    assert "Traceback" not in told
    return told


def test_a_folder_without_a_run_is_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "There is no datum file" in refused(["solid", str(tmp_path)], capsys)
    assert not list(tmp_path.iterdir())
