# SPDX-License-Identifier: MIT
"""Every hidden fault of the simulated rig that lets a run finish: where its advice sends a person.

The order of the places is common practice, no source: what was seen, then the chain from the oil
to the coil, the valve last.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from rig.cli.main import cli

DEMO = Path(__file__).parents[2] / "demo"
STATED = ("--supply-voltage", "12.6 V", "--base-pressure", "40 psi")
READBACK = "[readback]\nline = 27\n"

CASES = [
    # fault, what is stated, with read-back, result, begin of the next check (None: none)
    ("none", (), True, "conforms", None),
    ("low oil pressure", (), True, "undecided", "look at oil level"),
    ("low oil pressure", STATED, True, "undecided", "measure the base pressure in front"),
    ("cold oil", (), True, "does_not_conform", "measure the oil's temperature"),
    ("aerated oil", (), True, "does_not_conform", "measure the oil's temperature"),
    ("clogged inlet screen", (*STATED, "--oil-temperature", "90 degC"), True, "does_not_conform",
     "coil resistance at the plug (setup says 22 ohm), then inlet screen"),
    ("open coil", (), True, "undecided", "measure the oil's base pressure"),
    ("open coil", STATED, True, "does_not_conform", "coil resistance at the plug (setup says 22"),
    ("switch stuck open", STATED, True, "undecided", "look at the switch, its wiring and plug"),
    ("switch stuck closed", (), True, "undecided", "look at the switch at rest"),
    ("switch stuck closed", STATED, False, "undecided", "look at the switch at rest"),
    ("switch chattering", STATED, True, "undecided", "look at the switch, its wiring and plug"),
    ("contact welded", STATED, False, "undecided", "measure at the coil or open the mushroom"),
    ("driven by the vehicle", (), False, "undecided", "measure at the coil or open the mushroom"),
    ("fuse open", STATED, False, "does_not_conform", "the fuse, then coil resistance at the plug"),
]  # fmt: skip


@pytest.mark.parametrize(("fault", "stated", "readback", "result", "check"), CASES)
def test_the_advice_of_a_fault(tmp_path, monkeypatch, fault, stated, readback, result, check):
    monkeypatch.setenv("RIG_DATA", str(tmp_path / "data"))
    setup = (DEMO / "workshop.setup.toml").read_text()
    setup = setup.replace("seed = 7", f'seed = 7\nfault = "{fault}"')
    assert READBACK in setup
    (tmp_path / "x.setup.toml").write_text(setup if readback else setup.replace(READBACK, ""))
    sheet = (DEMO / "workshop.sheet.toml").read_text()
    assert "base_pressure_min" in sheet
    (tmp_path / "x.sheet.toml").write_text(sheet.replace("strokes = 20", "strokes = 5"))
    files = [str(tmp_path / "x.setup.toml"), str(tmp_path / "x.sheet.toml")]
    done = CliRunner().invoke(cli, ["run", *files, "--fast", "--valve", "V", "--json", *stated])
    verdict = json.loads(done.stdout)["verdict"]
    assert verdict["result"] == result, verdict["why"]
    assert "measured as 0 kPa" not in verdict["why"]
    if check is None:
        assert verdict["next_check"] is None
        return
    assert verdict["next_check"].startswith(check), verdict["why"]
    first = verdict["next_check"].split(",")[0].split(";")[0]
    assert not first.startswith(("the valve", "the spool"))
    if fault == "contact welded":
        assert verdict["why"].startswith("The switch stayed on after release in")
