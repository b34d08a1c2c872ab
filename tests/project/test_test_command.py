# SPDX-License-Identifier: MIT
"""The test command itself: what it counts, what it says at the end, and its exit code."""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
import time
from pathlib import Path
from types import ModuleType

import pytest

from rig import bootstrap
from rig.debian import CannotSetUp

COMMAND = Path(__file__).parent.parent / "run.py"

INNER = """
import pytest
def test_good(): pass
def test_bad(): assert 1 == 2
@pytest.mark.skip(reason="shown")
def test_skipped(): pass
@pytest.fixture
def broken(): raise OSError
def test_error(broken): pass
"""


@pytest.fixture(scope="module")
def command() -> ModuleType:
    spec = importlib.util.spec_from_file_location("tests_run", COMMAND)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["tests_run"] = module
    spec.loader.exec_module(module)
    return module


def test_counts_what_pytest_reports(command: ModuleType, tmp_path: Path) -> None:
    (tmp_path / "test_inner.py").write_text(INNER)
    report = tmp_path / "report.xml"
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider",
         f"--junitxml={report}", str(tmp_path)],
        cwd=tmp_path, capture_output=True, timeout=60,
    )  # fmt: skip
    assert done.returncode == 1
    assert command.count(report) == (1, 2, 1)


def test_no_report_is_a_failure(command: ModuleType, tmp_path: Path) -> None:
    assert command.count(tmp_path / "none.xml") == (0, 1, 0)
    (tmp_path / "cut.xml").write_text("<testsuites><testsuite>")
    assert command.count(tmp_path / "cut.xml") == (0, 1, 0)


@pytest.mark.parametrize(
    ("outcomes", "strict", "last_line", "code"),
    [
        ([("a", 3, 0, 0), ("b", 4, 0, 0)], False, "7 passed, 0 failed", 0),
        ([("a", 3, 1, 0), ("b", 4, 0, 0)], False, "7 passed, 1 failed", 1),
        ([("a", 3, 0, 2)], False, "3 passed, 0 failed, 2 skipped", 0),
        ([("a", 3, 0, 2)], True, "3 passed, 2 failed", 1),
        ([("a", 3, 0, 0), ("b", 0, 0, 0, 0.0, "no root")], False, "3 passed, 0 failed", 0),
        ([("a", 3, 0, 0), ("b", 0, 0, 0, 0.0, "no root")], True, "3 passed, 1 failed", 1),
        ([], False, "0 passed, 0 failed", 1),
    ],
)
def test_the_last_line_and_the_exit_code(
    command: ModuleType, outcomes: list[tuple[object, ...]], strict: bool, last_line: str,
    code: int, capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    made = [command.Outcome(*one) for one in outcomes]
    assert command.closing(made, strict=strict) == code
    printed = capsys.readouterr().out
    assert printed.splitlines()[-1] == last_line
    assert ("NOT RUN: b, because: no root" in printed) == any(one.reason for one in made)


def test_a_lane_that_cannot_run_is_named(command: ModuleType, tmp_path: Path) -> None:
    def refuse(_: bootstrap.Checkout) -> None:
        raise CannotSetUp("needs the Debian package chromium", "sudo apt-get install chromium")

    lane = command.Lane("browser", "a page", "browser", refuse)
    checkout = bootstrap.Checkout(tmp_path)
    outcome = command.run_lane(lane, checkout, tmp_path, None, False, [])
    assert outcome == command.Outcome("browser", reason="needs the Debian package chromium")


@pytest.mark.parametrize(
    ("chromium", "atomic", "wanted"),
    [(True, True, []), (False, True, ["chromium"]), (True, False, ["libatomic1"]),
     (False, False, ["chromium", "libatomic1"])],
)  # fmt: skip
def test_the_browser_lane_installs_what_its_driver_loads(
    command: ModuleType, monkeypatch: pytest.MonkeyPatch, chromium: bool, atomic: bool,
    wanted: list[str],
) -> None:  # fmt: skip
    installed: list[str] = []
    monkeypatch.setattr(command.shutil, "which", lambda name: "/bin/x" if chromium else None)
    monkeypatch.setattr(
        command.ctypes.util, "find_library", lambda name: "libatomic.so.1" if atomic else None
    )
    monkeypatch.setattr(
        command.debian, "install_packages", lambda names, _: installed.extend(names)
    )
    command.a_browser(bootstrap.Checkout())
    assert installed == wanted


def test_every_test_file_belongs_to_exactly_one_lane(command: ModuleType) -> None:
    folders = {lane.folder for lane in command.LANES if lane.folder}
    unit = command.pytest_arguments(command.LANES[0])
    assert unit[0] == str(COMMAND.parent)
    assert {Path(word.removeprefix("--ignore=")).name for word in unit[1:]} == folders


@pytest.mark.parametrize("which", ["both kinds", "none by the clock"])
def test_side_by_side_and_alone_are_both_counted(
    command: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, which: str
) -> None:
    """Two pytest calls, one table row; a call that finds no test of its kind is no failure."""
    text = "import pytest\ndef test_one(): pass\ndef test_two(): assert 1 == 2\n"
    if which == "both kinds":
        text += "@pytest.mark.real_time\ndef test_alone(worker_id): assert worker_id == 'master'\n"
    (tmp_path / "inner").mkdir()
    (tmp_path / "inner/test_inner.py").write_text(text)
    (tmp_path / "inner/pytest.ini").write_text("[pytest]\nmarkers = real_time: by the clock\n")
    monkeypatch.setattr(command, "TESTS", tmp_path)

    class Here:
        python = Path(sys.executable)

    class Calls:
        asked = False

        def wait(self, words: list[object], environment: dict[str, str]) -> int:
            done = subprocess.run(
                [str(word) for word in words], env=environment, cwd=tmp_path / "inner",
                capture_output=True, timeout=60,
            )  # fmt: skip
            return done.returncode

    lane = command.Lane("a", "b", "inner", command.nothing_more, True)
    outcome = command.run_lane(lane, Here(), tmp_path, Calls(), False, ["-p", "no:cacheprovider"])
    assert (outcome.passed, outcome.failed) == (2 if which == "both kinds" else 1, 1)


def test_names_its_lanes_and_refuses_others() -> None:
    listed = subprocess.run(
        [sys.executable, str(COMMAND), "--list"], capture_output=True, text=True, timeout=60
    )
    assert listed.returncode == 0
    assert "unit " in listed.stdout
    reads, writes = os.pipe()
    os.close(reads)  # as `| head` does when it has seen enough
    cut = subprocess.run(
        [sys.executable, str(COMMAND), "--list"], stdout=writes, stderr=subprocess.PIPE, timeout=60
    )
    os.close(writes)
    assert (cut.returncode, cut.stderr) == (0, b"")
    unknown = subprocess.run(
        [sys.executable, str(COMMAND), "nonsense"], capture_output=True, text=True, timeout=60
    )
    assert unknown.returncode == 2
    assert "no lane nonsense" in unknown.stderr


STOPPED = """
import importlib.util, sys
spec = importlib.util.spec_from_file_location("tests_run", {command!r})
run = importlib.util.module_from_spec(spec)
sys.modules["tests_run"] = run
spec.loader.exec_module(run)
stop = run.Stop()
child = "import pathlib, time; pathlib.Path({flag!r}).touch(); time.sleep(60)"
code = stop.wait([sys.executable, "-c", child], {{}})
print("stopped", stop.asked, code != 0)
"""


def test_a_terminated_command_ends_its_pytest(tmp_path: Path) -> None:
    flag = tmp_path / "started"
    code = STOPPED.format(command=str(COMMAND), flag=str(flag))
    with subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    ) as running:
        until = time.monotonic() + 30
        while not flag.exists() and time.monotonic() < until:
            time.sleep(0.02)
        running.terminate()
        printed, _ = running.communicate(timeout=30)
    assert printed.strip() == "stopped True True"
