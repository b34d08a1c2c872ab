# SPDX-License-Identifier: MIT
"""`rig run --fault`: faults given on the command line, stored with the run, refused on a board."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from setups import workshop_sheet

from rig.actions.analyse_run import texts_of
from rig.cli.main import cli
from rig.config.files.loading import text_hash
from rig.config.plant.fault_names import FAULT_KINDS, Fault
from rig.core.errors import RigError
from rig.core.places import log_path
from rig.runlog.store import RunLog

DEMO = Path(__file__).parents[2] / "demo"


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    path = tmp_path / "x.sheet.toml"
    path.write_text(workshop_sheet(4))
    return path


def run(setup: Path, sheet: Path, *words: str) -> tuple[int, dict[str, Any] | None, str]:
    done = CliRunner().invoke(
        cli, ["run", str(setup), str(sheet), "--fast", "--wait", "--json", "--seed", "7", *words]
    )
    return code_of(done), json.loads(done.stdout) if done.stdout else None, said_by(done)


def code_of(done: Result) -> int:
    """As rig.cli.main ends with."""
    return done.exception.exit_code if isinstance(done.exception, RigError) else done.exit_code


def said_by(done: Result) -> str:
    return (str(done.exception) if done.exception is not None else "") + done.stderr


WORKSHOP = DEMO / "workshop.setup.toml"


def test_the_run_is_as_if_the_setup_had_said_so(tmp_path: Path, sheet: Path) -> None:
    faults = ["clogged inlet screen:0.6", "gauge offset"]
    _, given, _ = run(WORKSHOP, sheet, "--fault", faults[0], "--fault", faults[1])
    setup = tmp_path / "x.setup.toml"
    text = WORKSHOP.read_text().replace("seed = 7", f"seed = 7\nfault = {json.dumps(faults)}")
    setup.write_text(text)
    _, written, _ = run(setup, sheet)
    _, sound, _ = run(WORKSHOP, sheet)
    assert given is not None and written is not None and sound is not None
    assert given["strokes"] == written["strokes"]
    assert given["summary"] != sound["summary"]


def test_it_is_stored_with_the_run(sheet: Path) -> None:
    _, shape, _ = run(WORKSHOP, sheet, "--fault", "cold oil:0.25")
    assert shape is not None
    with RunLog.reading(log_path()) as log:
        stored = log.load(shape["run"])
        setup, _ = texts_of(stored)
    assert setup is not None and setup.simulated is not None
    assert setup.simulated.fault == (Fault("cold oil", 0.25),)
    assert stored.header.setup_hash == text_hash(stored.header.setup_text)
    assert stored.header.setup_name == "workshop.setup.toml"
    assert "cold oil" not in json.dumps(dict(stored.header.hardware))


def test_it_takes_the_place_of_the_setups_own(tmp_path: Path, sheet: Path) -> None:
    setup = tmp_path / "x.setup.toml"
    setup.write_text(WORKSHOP.read_text().replace("seed = 7", 'seed = 7\nfault = "fuse open"'))
    _, cleared, _ = run(setup, sheet, "--fault", "none")
    _, sound, _ = run(WORKSHOP, sheet)
    assert cleared is not None and sound is not None
    assert cleared["strokes"] == sound["strokes"]


@pytest.mark.parametrize(
    ("word", "said"),
    [
        ("clogd inlet screen", 'did you mean "clogged inlet screen"?'),
        ("cold oil:7", 'the severity "7" of "cold oil" is no number from 0 to 1'),
        ("", '"" is no fault'),
    ],
)
def test_a_wrong_name_is_answered_and_nothing_runs(sheet: Path, word: str, said: str) -> None:
    code, shape, error = run(WORKSHOP, sheet, "--fault", word)
    assert (code, shape) == (2, None)
    assert said in error
    assert "Nothing was energised." in error
    assert not log_path().exists()


def test_a_name_that_is_none_is_answered_with_all(sheet: Path) -> None:
    _, _, error = run(WORKSHOP, sheet, "--fault", "gremlins")
    assert all(f'"{name}"' in error for name in FAULT_KINDS)


def test_on_a_board_it_is_refused(tmp_path: Path, sheet: Path) -> None:
    setup = tmp_path / "x.setup.toml"
    text = WORKSHOP.read_text().split("[simulated]")[0]
    setup.write_text(text.replace('backend = "simulated"', 'backend = "board"'))
    done = CliRunner().invoke(cli, ["run", str(setup), str(sheet), "--fault", "cold oil"])
    assert code_of(done) == 2
    assert "--fault work only with a simulated rig" in said_by(done)


def test_a_table_in_one_line_is_refused_with_the_remedy(tmp_path: Path, sheet: Path) -> None:
    setup = tmp_path / "x.setup.toml"
    text = WORKSHOP.read_text().split("[simulated]")[0]
    setup.write_text("simulated = {seed = 7}\n" + text)
    code, _, error = run(setup, sheet, "--fault", "cold oil")
    assert code == 2
    assert "Write [simulated] on a line of its own" in error


@pytest.mark.parametrize("fault", ["gauge silent", "gauge lagging:0.5"])
def test_a_fault_of_a_gauge_that_is_not_there_is_refused(sheet: Path, fault: str) -> None:
    code, shape, error = run(DEMO / "engine.setup.toml", sheet, "--fault", fault)
    assert (code, shape) == (2, None)
    assert fault.partition(":")[0] in error and "no table [gauge]" in error, error
    assert not log_path().exists()
