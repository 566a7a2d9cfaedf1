"""Travel and envelope in a layout: what the command says of them, and of what makes no sense.

Covers: pipeline.questions.travel, pipeline.questions.envelope, pipeline.formats.fit_file.travel
Covers: pipeline.formats.fit_file.envelope
"""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from pipeline.errors import SettingsError
from pipeline.formats.fit_file import FitFile, fit_schema_text
from tests.cli.test_fit import run

LAYOUT = """
[part.tube]
turned = [[0, 60], [20, 60], [20, 44], [60, 44]]
uncertainty = 0.01

[part.rotor]
turned = [[0, 20], [30, 20], [30, 40], [50, 40]]
uncertainty = 0.005
at = [[1, 0, 0, 60], [0, 1, 0, 0], [0, 0, 1, 5], [0, 0, 0, 1]]

[[travel]]
move = "rotor"
along = [-1, 0, 0]
up_to = 100
least = 0.5
at_least = ASKED
way = "both"
second = { about = "tube: axis", over = [-5, 5], steps = 3 }

[[travel]]
move = "rotor"
about = "tube: y"
up_to = 90

[[envelope]]
turn = "rotor"
about = "rotor: axis"
least = 25
"""


def test_travel_and_envelope_of_a_layout(tmp_path: Path) -> None:
    """The rotor's collar, 20 out of an axis 60 off, comes to the tube's 22 less 0.5; with 2 mm milled off
    there its D20 comes to the tube's 30."""
    path = tmp_path / "job.toml"
    path.write_text(LAYOUT.replace("ASKED", "12"))
    status, text = run(path, "--json", "--quiet")
    assert status == 3
    jsonschema.validate(json.loads(text), json.loads(fit_schema_text()))
    found = FitFile.model_validate_json(text)
    sideways, turned = found.travels
    forward, back = sideways.runs
    assert (forward.verdict, back.run) == ("far enough", 100.0)
    assert forward.run == pytest.approx(17.5, abs=0.003)
    assert forward.sure < forward.run
    assert forward.stop is not None
    assert forward.stop.on == (None, "step 2") or forward.stop.on == ("step 2", "step 2")
    *_, gain = (gain for gain in forward.gains if gain.part == "tube" and gain.milling is not None)
    assert gain.milling is not None
    assert gain.run == pytest.approx(19.5, abs=0.01)
    assert (gain.milling.on, gain.stop) == (("step 2",), "tube")
    assert gain.milling.depth == pytest.approx(2.0, abs=0.01)
    assert sideways.map is not None
    assert np.array(sideways.map.gaps, float).shape == (3, 21)
    assert (turned.turns, turned.runs[0].verdict, turned.runs[0].run) == (True, "told", pytest.approx(90.0))
    (envelope,) = found.envelopes
    (reached,) = envelope.reached
    assert reached.clearance.verdict == "too near"
    assert reached.place is not None
    assert reached.place[1] == pytest.approx(180.0, abs=0.6)
    assert reached.relief is not None
    status, text = run(path, "--quiet")
    assert not text
    lines = run(path)[1]
    assert "travel     rotor, forward along [-1.0, 0.0, 0.0]: far enough" in lines
    assert (
        "2.00 mm more, +-0.02 mm (95 %), until tube: skin stops it, if 2.00 mm, +-0.02 mm, were milled off tube"
        in lines
    )
    assert "envelope   rotor about rotor: axis: D40.000" in lines


@pytest.mark.parametrize(
    ("wrong", "right", "said"),
    [
        ('about = "tube: y"', 'about = "tube"', "written PART: WORDS"),
        ('about = "tube: y"', 'about = "pipe: y"', "of one of the parts"),
        ('about = "tube: y"', 'about = "tube: end"', "is a face, where an axis is wanted"),
        ('about = "tube: y"', "", "along something or about something"),
        ("along = [-1, 0, 0]", "along = [0, 0, 0]", "no length"),
        ("up_to = 90", "up_to = 400", "360 degrees"),
        ("ASKED", "120", "moved no farther than that"),
        ("over = [-5, 5]", "over = [5, -5]", "from the smaller figure"),
        ('turn = "rotor"', 'turn = "stator"', "no part 'stator'"),
        ('move = "rotor"', 'move = "rotor"\nagainst = ["rotor"]', "from itself"),
    ],
)
def test_what_makes_no_sense_is_one_sentence(tmp_path: Path, wrong: str, right: str, said: str) -> None:
    path = tmp_path / "job.toml"
    path.write_text(LAYOUT.replace(wrong, right).replace("ASKED", "12"))
    with pytest.raises(SettingsError, match=said) as error:
        run(path)
    assert "\n" not in str(error.value)
    assert not (tmp_path / "job").exists()
