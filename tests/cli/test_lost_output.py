# SPDX-License-Identifier: MIT
"""The verdict is in the exit code, whatever becomes of the output: real processes, real pipes."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from logged_runs import SETUP, log_run

CAPTURE = "time_ms,command,switch,coil\n0,0,0,0\n1000,1,0,1\n1200,1,1,1\n1500,0,1,0\n1540,0,0,0\n"
SHEET = """
kind = "strokes"
strokes = 2
on_time = "500 ms"
rest = "500 ms"
[[accept]]
figure = "response"
max = "1 ms"
"""
SIMULATED = SETUP.replace('"board"', '"simulated"')
SIMULATED += '[limits]\nreadback_delay = "60 ms"\n'


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A folder with a log of one run that does not conform, and files to work on."""
    data = tmp_path / "data"
    data.mkdir()
    log_run(data, 20, slow=tuple(range(1, 21)))
    log_run(data, 20)
    (tmp_path / "a.setup.toml").write_text(SIMULATED)
    (tmp_path / "a.sheet.toml").write_text(SHEET)
    (tmp_path / "a.csv").write_text(CAPTURE)
    return data


def rig(data: Path, *words: str, to: str = "kept", error: str = "kept", **env: str):
    """Run the real command with standard output, and error, kept, full, a pipe nobody reads, or
    closed."""

    def stream(kind: str):
        if kind == "full":
            return os.open("/dev/full", os.O_WRONLY)
        if kind == "pipe":
            reader, writer = os.pipe()
            os.close(reader)
            return writer
        return subprocess.PIPE

    out, err = stream(to), stream(error)
    closed = [fd for fd, kind in ((1, to), (2, error)) if kind == "closed"]
    try:
        return subprocess.run(
            [sys.executable, "-m", "rig.cli.main", *words],
            cwd=data.parent, env={**os.environ, "RIG_DATA": str(data), **env}, stdout=out,
            stderr=err, check=False, timeout=60,
            preexec_fn=(lambda: [os.close(fd) for fd in closed]) if closed else None,
        )  # fmt: skip
    finally:
        for fd in (out, err):
            if fd != subprocess.PIPE:
                os.close(fd)


LOST = ["full", "pipe", "closed"]
JUDGED = {
    "show": ("show", "1"),
    "analyse": ("analyse", "a.csv", "--setup", "a.setup.toml", "--sheet", "a.sheet.toml"),
    "compare": ("compare", "1", "2"),
    "check": ("check", "a.setup.toml", "a.sheet.toml"),
    "clear": ("clear",),
    "safe": ("safe", "a.setup.toml"),
    "export": ("export", "1", "--to", "csv", "out.csv", "--force"),
    "report": ("report", "1", "--out", "out.html", "--force"),
    "refused": ("show", "77"),
    "usage": ("no such command",),
}


KEPT_CODES = {
    "show": 1, "analyse": 1, "compare": 0, "check": 0, "clear": 0, "safe": 0, "export": 0,
    "report": 0, "no such command": 2,
}  # fmt: skip


@pytest.mark.parametrize("lost", LOST)
@pytest.mark.parametrize("words", JUDGED.values(), ids=JUDGED)
def test_a_judgement_outlives_its_output(data: Path, words: tuple[str, ...], lost: str) -> None:
    """Same code with standard output lost, and with both streams lost."""
    code = KEPT_CODES[words[0]] if words != JUDGED["refused"] else 2
    assert rig(data, *words, to=lost).returncode == code
    assert rig(data, *words, to=lost, error=lost).returncode == code


@pytest.mark.parametrize("words", JUDGED.values(), ids=JUDGED)
def test_the_codes_are_those_of_kept_output(data: Path, words: tuple[str, ...]) -> None:
    """Late answers do not conform, on a terminal as well."""
    code = KEPT_CODES[words[0]] if words != JUDGED["refused"] else 2
    assert rig(data, *words).returncode == code


@pytest.mark.parametrize("lost", LOST)
@pytest.mark.parametrize("words", [("runs",), ("calc", "--help"), ("--help",)], ids=" ".join)
def test_nothing_judged_and_nothing_shown_is_7(
    data: Path, words: tuple[str, ...], lost: str
) -> None:
    """A command that only shows has failed when its output is lost."""
    assert rig(data, *words).returncode == 0
    assert rig(data, *words, to=lost).returncode == 7


@pytest.mark.parametrize("lost", LOST)
@pytest.mark.parametrize("quiet", [(), ("--json",)], ids=["shown", "json"])
def test_a_run_whose_result_is_lost_ends_with_its_verdict(
    data: Path, quiet: tuple[str, ...], lost: str
) -> None:
    words = ("run", "a.setup.toml", "a.sheet.toml", "--fast", "--seed", "1", *quiet)
    kept = rig(data, *words)
    assert kept.returncode == 1, kept.stderr
    found = rig(data, *words, to=lost)
    assert found.returncode == 1
    assert b"The result could not be shown" in found.stderr


@pytest.mark.parametrize("lost", LOST)
def test_a_run_whose_preflight_cannot_be_shown_does_not_start(data: Path, lost: str) -> None:
    """The preflight is on standard error. Nobody read it, so nothing is energised: 7, no run. With
    --json nothing is to be shown first, and the verdict stands: a start that energised nothing
    leaves no heat to be assumed."""
    words = ("run", "a.setup.toml", "a.sheet.toml", "--fast", "--seed", "1")
    before = rig(data, "runs", "--json").stdout
    assert rig(data, *words, error=lost).returncode == 7
    assert rig(data, *words, to=lost, error=lost).returncode == 7
    assert rig(data, "runs", "--json").stdout == before
    assert rig(data, *words, "--json", error=lost).returncode == 1


@pytest.mark.parametrize(
    "env", [{"PYTHONIOENCODING": "ascii"}, {"LC_ALL": "C", "PYTHONUTF8": "0"}], ids=str
)
@pytest.mark.parametrize("words", JUDGED.values(), ids=JUDGED)
def test_an_ascii_terminal_is_no_fault(
    data: Path, words: tuple[str, ...], env: dict[str, str]
) -> None:
    """What the encoding lacks is escaped; the code stays."""
    found = rig(data, *words, **env)
    code = KEPT_CODES[words[0]] if words != JUDGED["refused"] else 2
    assert found.returncode == code
    assert b"Internal fault" not in found.stderr
    found.stdout.decode("ascii")


@pytest.mark.parametrize("words", [("show",), ("compare", "1"), ("export", "--to", "csv", "x")])
def test_a_number_of_twenty_digits_names_no_run(data: Path, words: tuple[str, ...]) -> None:
    """Beyond what the database can hold is a wrong number, not a fault."""
    found = rig(data, *words[:1], *words[1:], "9" * 20) if words[0] != "export" else rig(
        data, "export", "9" * 20, "--to", "csv", "x"
    )  # fmt: skip
    assert found.returncode == 2
    assert b"There is no run 99999999999999999999" in found.stderr


def test_a_failed_analysis_is_not_judged(data: Path) -> None:
    """The run went on and was stored; that it could not be analysed ends 7, not 0."""
    fails = (
        "import sys, rig.actions.analyse_run as s\n"
        "from rig.core.errors import StorageError\n"
        "def fail(*_): raise {error}\n"
        "s.analyse_and_save = fail\n"
        "sys.argv = ['rig', 'run', 'a.setup.toml', 'a.sheet.toml', '--fast']\n"
        "from rig.cli.main import main\nmain()\n"
    )
    for error in ("StorageError('damaged')", "OSError('gone')", "ValueError('wrong')"):
        done = subprocess.run(
            [sys.executable, "-c", fails.replace("{error}", error)],
            cwd=data.parent, env={**os.environ, "RIG_DATA": str(data)}, capture_output=True,
            check=False, timeout=60,
        )  # fmt: skip
        assert done.returncode == 7, done.stderr


def test_ctrl_c_while_python_ends_leaves_the_code() -> None:
    script = (
        "import os, sys\n"
        "from rig.cli.main import main\n"
        "class Late:\n"  # its end comes after Python has put its own signal handlers back
        "    def __del__(self, kill=os.kill, pid=os.getpid()):\n"
        "        kill(pid, 2)\n"
        "late = Late()\n"
        "sys.argv = ['rig', 'no such command']\n"
        "main()\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, timeout=60)
    assert done.returncode == 2
