# SPDX-License-Identifier: MIT
"""Hidden faults on a rig with a current sensor: what the coil's current makes of each.

A whole run in fast simulation: plant, converter chip bit by bit, bench, recording, analysis.
"""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from rich.console import Console
from setups import calibration

from rig.cli.main import cli
from rig.cli.terminal.render import plain_lines
from rig.cli.terminal.tables import Show
from rig.text.coil_current import current_sentences

DEMO = Path(__file__).parents[2] / "demo"
STATED = ("--base-pressure", "40 psi")


def done(tmp_path, fault, *options, change=lambda text: text):
    setup = change((DEMO / "engine.setup.toml").read_text())
    simulated = "[simulated]\n" if "[simulated]\n" in setup else ""
    assert simulated, "the demo has a [simulated] table"
    setup = setup.replace("[simulated]\n", f'[simulated]\nfault = "{fault}"\n', 1)
    (tmp_path / "x.setup.toml").write_text(setup)
    sheet = (DEMO / "workshop.sheet.toml").read_text()
    lines = ["strokes = 5" if line.startswith("strokes =") else line for line in sheet.splitlines()]
    (tmp_path / "x.sheet.toml").write_text("\n".join(lines))
    shown = CliRunner().invoke(
        cli,
        ["run", str(tmp_path / "x.setup.toml"), str(tmp_path / "x.sheet.toml"), "--fast", "--json",
         *options],
    )  # fmt: skip
    return json.loads(shown.stdout.strip().splitlines()[-1])


@pytest.fixture(autouse=True)
def _own_log(tmp_path, monkeypatch):
    monkeypatch.setenv("RIG_DATA", str(tmp_path / "data"))


def test_a_healthy_valve(tmp_path):
    result = done(tmp_path, "none")
    seen = result["signature"]
    assert seen["moved"] == seen["strokes_looked_at"] == 5
    assert seen["coil"]["state"] == "as the setup says"
    assert seen["coil"]["resistance_ohm"] == pytest.approx(28.2, abs=1.0)
    for stroke in result["strokes"]:
        current = stroke["current"]
        alone = [current[f"{part}_ms"] for part in ("electrical", "mechanical", "hydraulic")]
        whole = sum(value for value in alone if value is not None)
        whole += current["together"]["mean"] if current["together"] else 0.0
        assert whole == pytest.approx(stroke["response_ms"], abs=0.01)
    text = " ".join(current_sentences(result))
    assert "moved in 5 of 5" in text
    assert "hydraulic" in text
    plain = dict(line.split("\t", 1) for line in plain_lines(result) if "\t" in line)
    assert plain["current.moved"] == "5"


CASES = [
    # fault, coil state, words of the verdict's why
    ("shorted turns", "resistance too low", "below the"),
    ("high-resistance joint", "resistance too high", "above the"),
    ("open coil", "no current", "no current flowed"),
    ("fuse open", "no current", "no current flowed"),
]


@pytest.mark.parametrize(("fault", "state", "words"), CASES)
def test_an_electrical_fault(tmp_path, fault, state, words):
    result = done(tmp_path, fault, *STATED)
    coil = result["signature"]["coil"]
    assert coil["state"] == state
    assert words in coil["found"]
    link = next(link for link in result["chain"] if link["link"] == "coil current")
    assert not link["shown"]
    if result["counts"]["missed"]:
        assert result["verdict"]["result"] == "undecided", "the valve is not judged past a gap"
        assert words in result["verdict"]["why"]


def test_a_stuck_plunger_is_told_from_a_dead_switch(tmp_path):
    stuck = done(tmp_path, "stuck plunger", *STATED)
    assert stuck["counts"]["missed"] == 5
    assert stuck["signature"]["moved"] == 0
    assert stuck["signature"]["coil"]["state"] == "as the setup says"
    told = json.loads(CliRunner().invoke(cli, ["diagnose", "last", "--json"]).stdout)
    assert "stuck plunger" in [cause["cause"] for cause in told["causes"][:2]]
    assert "coil resistance" not in stuck["verdict"]["next_check"]
    deaf = done(tmp_path, "switch stuck open", *STATED)
    assert deaf["signature"]["moved"] == 5
    assert "switch" in deaf["verdict"]["next_check"]


def test_a_slow_valve_is_slow_in_its_hydraulic_part(tmp_path):
    slow = done(tmp_path, "clogged inlet screen", *STATED)
    healthy = done(tmp_path, "none")
    parts = [result["signature"]["parts"] for result in (slow, healthy)]
    assert parts[0]["hydraulic_ms"]["mean"] > 1.5 * parts[1]["hydraulic_ms"]["mean"]
    assert parts[0]["seated_ms"]["mean"] == pytest.approx(parts[1]["seated_ms"]["mean"], abs=0.5)


def test_a_capture_with_a_current_column_is_analysed_alike(tmp_path):
    result = done(tmp_path, "none")
    out = tmp_path / "run.csv"
    runner = CliRunner()
    assert runner.invoke(cli, ["export", "last", str(out), "--to", "csv"]).exit_code == 0
    shown = runner.invoke(
        cli, ["analyse", str(out), "--setup", str(tmp_path / "x.setup.toml"), "--json"]
    )
    again = json.loads(shown.stdout.strip().splitlines()[-1])
    again = again[0] if isinstance(again, list) else again
    assert again["signature"]["moved"] == 5
    for key in ("seated_ms", "hydraulic_ms"):
        assert again["signature"]["parts"][key]["mean"] == pytest.approx(
            result["signature"]["parts"][key]["mean"], abs=0.02
        )


def test_a_terminal_shows_current_and_calibration(tmp_path):
    """Also through a calibration in the setup that ran out before the run."""
    table = calibration(
        (0, 0), (100, 99), (200, 198.1), (300, 297.2), (400, 395.9),
        zero_check=True, zero_reading="0 kPa", zero_tolerance="5 kPa",
    )  # fmt: skip
    result = done(tmp_path, "none", change=lambda text: text + table)
    assert result["calibration"]["state"] == "out of date"
    assert result["calibration"]["zero"]["held"] is True
    assert "OUT OF DATE" in result["verdict"]["why"]
    console = Console(file=io.StringIO(), width=120, markup=False, highlight=False)
    Show(result, console).all()
    text = console.file.getvalue()
    assert "coil current" in text
    assert "OUT OF DATE" in text
    assert "as it should" in text
