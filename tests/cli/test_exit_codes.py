# SPDX-License-Identifier: MIT
"""Exit codes where they are decided. What each means stands in the README."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import click
import pytest

from rig.actions import analyse_run, conduct_run
from rig.actions.conduct_run import Run
from rig.analysis.verdict.verdict import exit_code
from rig.cli import main
from rig.cli import safe as cli_safe
from rig.cli.analyse import _worst
from rig.cli.terminal import render
from rig.core import ending
from rig.core.ending import Ending
from rig.core.errors import (
    CoilLiveError,
    HardwareError,
    InternalFault,
    RefusedError,
    RigError,
    StorageError,
    UsageError,
)
from rig.core.records import OFF_STATES, End
from rig.desk.outcome import Outcome

DEMO = Path(__file__).parents[2] / "demo"
OFF, LIVE = OFF_STATES[0], OFF_STATES[2]


@pytest.fixture
def decided(monkeypatch: pytest.MonkeyPatch) -> Ending:
    """What this process has decided so far: nothing."""
    fresh = Ending()
    for module in (ending, main, conduct_run):
        monkeypatch.setattr(module, "ENDING", fresh)
    return fresh


def of_run(status: str, off: str, result: str, limits: bool) -> dict[str, Any]:
    return {"status": status, "end": {"off": off}, "verdict": {"result": result, "limits": limits}}


@pytest.mark.parametrize(
    ("status", "off", "result", "limits", "code"),
    [
        ("finished", OFF, "conforms", True, 0),
        ("finished", OFF, "does_not_conform", True, 1),
        ("finished", OFF, "undecided", True, 5),
        ("finished", OFF, "not_tested", False, 0),
        ("finished", OFF, "not_tested", True, 5),
        ("running", OFF, "does_not_conform", True, 5),
        ("tripped", OFF, "conforms", True, 3),
        ("aborted", OFF, "conforms", True, 3),
        ("interrupted", OFF, "conforms", True, 3),
        ("fault", OFF, "conforms", True, 7),
        ("finished", LIVE, "conforms", True, 6),
        ("tripped", LIVE, "conforms", True, 6),
        ("fault", LIVE, "conforms", True, 6),
    ],
)
def test_of_a_logged_run(status: str, off: str, result: str, limits: bool, code: int) -> None:
    assert exit_code(of_run(status, off, result, limits)) == code


def test_of_several_runs_the_worst() -> None:
    fine, undecided, wrong = (
        ("", of_run("finished", OFF, result, True))
        for result in ("conforms", "undecided", "does_not_conform")
    )
    assert [_worst([fine]), _worst([fine, undecided]), _worst([wrong, undecided])] == [0, 5, 1]


@pytest.mark.parametrize(
    ("fields", "code"),
    [
        ({"end": End("finished", OFF, 1)}, 0),
        ({"end": End("finished", OFF, 1), "stored_whole": False}, 7),
        ({"end": End("tripped", OFF, 1)}, 3),
        ({"end": End("aborted", OFF, 1)}, 3),
        ({"end": End("finished", OFF, 1), "fault": True}, 7),
        ({"end": End("finished", LIVE, 1), "fault": True}, 6),
        ({"end": End("tripped", LIVE, 1)}, 6),
        ({"started": True}, 3),
        ({}, 4),
        ({"end": End("finished", OFF, 1), "exit_code": 6}, 6),
        ({"fault": True, "started": True}, 7),
    ],
)
def test_of_a_run_at_its_desk(fields: dict[str, Any], code: int) -> None:
    assert Outcome(**fields).code == code


@pytest.mark.parametrize(
    ("lost", "judged", "code", "found"),
    [
        (False, None, 0, 0), (False, 1, 0, 0), (False, 0, 3, 3),
        (True, 0, 7, 0), (True, 1, 7, 1), (True, 6, 0, 6), (True, None, 0, 7), (True, None, 1, 7),
    ],
)  # fmt: skip
def test_lost_output_leaves_what_was_judged(
    lost: bool, judged: int | None, code: int, found: int
) -> None:
    made = Ending()
    made.lost, made.judged = lost, judged
    assert made.code(code) == found


@pytest.mark.parametrize(
    ("raised", "code"),
    [
        (UsageError("x"), 2), (RefusedError("x"), 4), (HardwareError("x"), 4),
        (StorageError("x"), 4), (InternalFault("x"), 7), (CoilLiveError("x"), 6),
        (KeyboardInterrupt(), 3), (EOFError(), 3), (click.Abort(), 3),
        (click.UsageError("x"), 2), (SystemExit(5), 5), (SystemExit(None), 0),
    ],
)  # fmt: skip
def test_what_a_command_raises_is_judged_although_its_words_are_lost(
    decided: Ending, monkeypatch: pytest.MonkeyPatch, raised: BaseException, code: int
) -> None:
    def fail() -> None:
        raise raised

    command = SimpleNamespace(command=click.Command("runs", callback=fail))
    monkeypatch.setattr(main.importlib, "import_module", lambda _name: command)
    assert main.answer(["runs"]) == code
    assert decided.judged == code


@pytest.mark.parametrize(
    ("judged", "lost", "raised", "code"),
    [
        (None, False, ValueError("x"), 7),
        (1, False, ValueError("x"), 1),
        (None, True, OSError("x"), 7),
        (None, True, ValueError("x"), 7),
    ],
)
def test_a_fault_leaves_what_was_judged(
    decided: Ending, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
    judged: int | None, lost: bool, raised: Exception, code: int,
) -> None:  # fmt: skip
    def fail() -> None:
        decided.judged, decided.lost = judged, lost
        raise raised

    monkeypatch.delenv("RIG_TRACEBACK", raising=False)
    command = SimpleNamespace(command=click.Command("runs", callback=fail))
    monkeypatch.setattr(main.importlib, "import_module", lambda _name: command)
    assert main.answer(["runs"]) == code
    told = "Internal fault" in capsys.readouterr().err
    assert told is not (lost and isinstance(raised, OSError)), "an output that is gone is no fault"


def test_what_ends_a_process_whose_output_is_lost_is_no_verdict(
    decided: Ending, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A terminal library ends it with 1, here a verdict."""

    def fail() -> None:
        decided.judged, decided.lost = 3, True
        raise SystemExit(1)

    command = SimpleNamespace(command=click.Command("runs", callback=fail))
    monkeypatch.setattr(main.importlib, "import_module", lambda _name: command)
    assert decided.code(main.answer(["runs"])) == 3


def test_a_coil_that_is_live_before_any_command_is_6() -> None:
    run = Run(Path("a"), Path("b"), {"as_json": False, "fast": False})
    for live, code in ((True, 6), (False, 4)):
        found = SimpleNamespace(refused=[], coil_live=live, only_warm=False, ready_in_s=None)
        assert run._refused(found).code == code  # type: ignore[arg-type]


FINISHED = {"end": End("finished", OFF, 1), "run": 1, "started": True}
TRIPPED = FINISHED | {"end": End("tripped", OFF, 1)}


@pytest.mark.parametrize(
    ("fields", "of_result", "raised", "code", "judged"),
    [
        (FINISHED, 1, None, 1, 1),
        (FINISHED, 0, None, 0, 0),
        (TRIPPED, 3, None, 3, 3),
        (FINISHED, 5, OSError("gone"), 5, 5),
        (TRIPPED, 3, OSError("gone"), 3, 3),
        (TRIPPED | {"fault": True}, 3, None, 7, 7),
        (FINISHED | {"end": End("finished", LIVE, 1)}, 0, None, 6, 6),
        ({}, 1, None, 4, 4),
    ],
)
def test_how_a_run_ended_stands_before_its_verdict(
    decided: Ending, monkeypatch: pytest.MonkeyPatch, tmp_path: Path,
    fields: dict[str, Any], of_result: int, raised: Exception | None, code: int, judged: int,
) -> None:  # fmt: skip
    monkeypatch.setenv("RIG_DATA", str(tmp_path))
    monkeypatch.setattr(analyse_run, "analyse_and_save", lambda *_: {})
    monkeypatch.setattr("rig.analysis.verdict.verdict.exit_code", lambda _: of_result)

    def show(*_: object, **__: object) -> None:
        if raised is not None:
            raise raised

    monkeypatch.setattr(render, "show_result", show)
    run = Run(Path("a"), Path("b"), {"as_json": False})
    assert run._finish(Outcome(**fields)) == code
    assert decided.judged == judged


@pytest.mark.parametrize(
    "raised",
    [OSError("disk"), StorageError("disk"), InternalFault("x")],
    ids=["os", "disk", "ours"],
)
def test_a_result_that_could_not_be_made_is_not_0(
    decided: Ending, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, raised: Exception
) -> None:
    def fail(*_: object) -> None:
        raise raised

    monkeypatch.setenv("RIG_DATA", str(tmp_path))
    monkeypatch.setattr(analyse_run, "analyse_and_save", fail)
    run = Run(Path("a"), Path("b"), {"as_json": False})
    assert run._finish(Outcome(**FINISHED)) == 7
    assert decided.judged is None
    assert run._finish(Outcome(**TRIPPED)) == 3


@pytest.mark.parametrize("command", ["run", "analyse"])
@pytest.mark.parametrize(
    ("option", "stated"), [("--supply-voltage", "24 V"), ("--base-pressure", "10 psi")]
)
def test_conditions_that_contradict_the_files_are_2_in_either_command(
    decided: Ending, monkeypatch: pytest.MonkeyPatch, tmp_path: Path,
    capsys: pytest.CaptureFixture[str], command: str, option: str, stated: str,
) -> None:  # fmt: skip
    monkeypatch.setenv("RIG_DATA", str(tmp_path / "data"))
    capture = tmp_path / "a.csv"
    rows = ["time_ms,command,switch,coil", "0,0,0,0", "1000,1,0,1", "1500,0,1,0", "1540,0,0,0"]
    capture.write_text("\n".join(rows) + "\n")
    setup, sheet = str(DEMO / "workshop.setup.toml"), str(DEMO / "workshop.sheet.toml")
    words = {
        "run": ["run", setup, sheet, "--valve", "V-1", "--fast"],
        "analyse": ["analyse", str(capture), "--setup", setup, "--sheet", sheet],
    }[command]
    assert main.answer([*words, option, stated]) == 2
    assert option in capsys.readouterr().err


def test_safe_that_was_broken_off_is_6(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(_setup: object) -> int:
        raise KeyboardInterrupt

    monkeypatch.setattr(cli_safe, "_make_all_safe", broken)
    with pytest.raises(SystemExit) as left:
        cli_safe.command.callback(None)  # type: ignore[misc]
    assert left.value.code == 6


def test_safe_with_a_setup_that_cannot_be_read_is_6(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("RIG_DATA", str(tmp_path / "data"))
    (tmp_path / "a.setup.toml").write_text("no setup")
    assert cli_safe._make_all_safe(tmp_path) == 6


def test_every_error_has_a_code_of_the_readme() -> None:
    kinds = [RigError]
    for kind in kinds:
        kinds += kind.__subclasses__()
    assert {kind.exit_code for kind in kinds} <= set(range(2, 8))


@pytest.mark.parametrize("limit", [resource.RLIMIT_AS, resource.RLIMIT_DATA])
@pytest.mark.parametrize("mb", [130, 250])
def test_too_little_memory_for_numbers_is_no_verdict(tmp_path: Path, limit: int, mb: int) -> None:
    """With 130 MB the numeric library ends a process with 1, with 250 MB it tries for ever."""
    demo = Path(__file__).parents[2] / "demo"
    words = ["run", str(demo / "workshop.setup.toml"), str(demo / "workshop.sheet.toml"), "--fast"]

    def rig(*words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "rig.cli.main", *words],
            env={"RIG_DATA": str(tmp_path), "PATH": ""}, capture_output=True, text=True,
            preexec_fn=lambda: resource.setrlimit(limit, (mb << 20, mb << 20)), timeout=60,
            check=False,
        )  # fmt: skip

    refused = rig(*words)
    assert refused.returncode == 4
    assert "ulimit -v" in refused.stderr and "nothing was energised" in refused.stderr
    made = rig("safe")
    assert made.returncode == 0 and "nothing to release" in made.stdout, made.stderr


@pytest.mark.parametrize("most", [12, 16, 63])
def test_too_few_open_files_is_said(
    monkeypatch: pytest.MonkeyPatch, capsys: Any, most: int
) -> None:
    monkeypatch.setattr(resource, "getrlimit", lambda _limit: (most, most))
    assert main.answer(["runs"]) == 4
    assert f"only {most} files" in capsys.readouterr().err


@pytest.mark.timeout(30)
@pytest.mark.parametrize("command", ["runs", "recover"])
@pytest.mark.parametrize("what", ["pipe", "device"])
def test_a_pipe_or_device_in_place_of_the_run_log_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Any, command: str, what: str
) -> None:
    monkeypatch.setenv("RIG_DATA", str(tmp_path))
    log = tmp_path / "runs.sqlite"
    if what == "pipe":
        os.mkfifo(log)
    else:
        log.symlink_to("/dev/zero")
    assert main.answer([command]) == 4
    assert "it is no plain file" in capsys.readouterr().err
