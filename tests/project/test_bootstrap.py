# SPDX-License-Identifier: MIT
"""Set-up of a checkout: what is refused in words, what is reused, what is built again.

Nothing is installed here: pip, apt and venv are stand-ins. The real thing is what ran this test.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from rig import bootstrap, debian
from rig.debian import CannotSetUp


def test_an_older_python_is_refused_in_words() -> None:
    with pytest.raises(CannotSetUp, match=r"needs Python 3\.11 or later; .* is Python 3\.10"):
        debian.require_python((3, 10))
    debian.require_python((3, 11))
    debian.require_python((3, 13))


class Machine:
    """Which programs are there, who asks, and what was run."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.programs = {"apt-get", "sudo"}
        self.user = 1000
        self.failing: set[str] = set()
        self.ran: list[list[str]] = []
        monkeypatch.setattr(debian.shutil, "which", lambda name: name in self.programs)
        monkeypatch.setattr(debian.os, "geteuid", lambda: self.user)
        monkeypatch.setattr(debian.subprocess, "run", self.run)

    def run(self, command: list[str], **_: object) -> subprocess.CompletedProcess[str]:
        self.ran.append(command)
        failed = any(word in self.failing for word in command)
        return subprocess.CompletedProcess(command, int(failed), stdout="its own words\n")


@pytest.fixture
def machine(monkeypatch: pytest.MonkeyPatch) -> Machine:
    return Machine(monkeypatch)


def test_root_installs_and_says_so(machine: Machine, capsys: pytest.CaptureFixture[str]) -> None:
    machine.user = 0
    debian.install_packages(["chromium"], "The browser lane")
    assert "The browser lane needs the Debian package chromium" in capsys.readouterr().out
    assert [command[-1] for command in machine.ran] == ["update", "chromium"]
    assert not any("sudo" in command for command in machine.ran)


def test_password_free_sudo_installs(machine: Machine) -> None:
    debian.install_packages(["chromium"], "The browser lane")
    assert [command[:2] for command in machine.ran] == [["sudo", "-n"]] * 3


@pytest.mark.parametrize(
    ("has_sudo", "command"),
    [
        (True, "sudo apt-get update && sudo apt-get install --no-install-recommends -y chromium"),
        (False, "su -c 'apt-get update && apt-get install --no-install-recommends -y chromium'"),
    ],
)
def test_without_root_the_one_command_is_shown(
    has_sudo: bool, command: str, machine: Machine
) -> None:
    machine.failing = {"true"}  # sudo would ask for a password
    if not has_sudo:
        machine.programs.discard("sudo")
    with pytest.raises(CannotSetUp) as refused:
        debian.install_packages(["chromium"], "The browser lane")
    assert refused.value.command == command
    assert f"Type this, then start again:\n\n    {command}" in str(refused.value)
    assert not any("apt-get" in ran for ran in machine.ran)


def test_a_failing_apt_is_shown(machine: Machine, capsys: pytest.CaptureFixture[str]) -> None:
    machine.user, machine.failing = 0, {"install"}
    with pytest.raises(CannotSetUp, match="apt-get install failed, see above"):
        debian.install_packages(["chromium"], "The browser lane")
    assert "its own words" in capsys.readouterr().out


def test_another_system_is_told_what_it_needs(machine: Machine) -> None:
    machine.programs.clear()
    with pytest.raises(CannotSetUp, match="no apt-get") as refused:
        debian.install_packages(["chromium"], "The browser lane")
    assert refused.value.command == ""


def test_a_python_without_ensurepip_gets_it(
    machine: Machine, monkeypatch: pytest.MonkeyPatch
) -> None:
    machine.user = 0
    there = {"venv"}
    monkeypatch.setattr(debian.importlib.util, "find_spec", lambda name: name in there)
    debian.require_venv_module()
    versioned = "python{}.{}-venv".format(*sys.version_info[:2])
    assert [ran[-1] for ran in machine.ran] == ["update", "python3-venv", "update", versioned]
    machine.ran.clear()
    there.add("ensurepip")
    debian.require_venv_module()
    assert machine.ran == []


# -- the environment -----------------------------------------------------------------------------


class Recorded(bootstrap.Checkout):
    """A checkout whose steps are written down instead of run."""

    def __init__(self, root: Path) -> None:
        super().__init__(root)
        self.steps: list[list[str]] = []
        self.works = True

    def _run(self, name: str, command: list[str]) -> None:
        self.steps.append([name, *command])
        self.venv.mkdir(exist_ok=True)

    def _works(self) -> bool:
        return self.works

    def _interpreter_works(self) -> bool:
        return self.venv.is_dir()


@pytest.fixture
def checkout(tmp_path: Path) -> Recorded:
    (tmp_path / "pyproject.toml").write_text("[project]\n")
    return Recorded(tmp_path)


def names(checkout: Recorded) -> list[str]:
    done = [step[0] for step in checkout.steps]
    checkout.steps.clear()
    return done


def test_built_once_then_reused(checkout: Recorded, capsys: pytest.CaptureFixture[str]) -> None:
    checkout.prepare()
    assert names(checkout) == ["venv", "pip", "pip", "pip"]
    checkout.prepare()
    assert names(checkout) == []
    assert "Using the environment" in capsys.readouterr().out


def test_another_extra_is_added_and_stays(checkout: Recorded) -> None:
    checkout.prepare()
    checkout.prepare(["test"])
    assert "\npytest==" in (checkout.venv / "pins.txt").read_text()
    names(checkout)
    checkout.prepare()
    assert names(checkout) == []


def test_a_changed_project_file_installs_again(checkout: Recorded) -> None:
    checkout.prepare(["test"])
    names(checkout)
    (checkout.root / "pyproject.toml").write_text("[project]\nname = 'other'\n")
    checkout.prepare()
    assert "\npytest==" in (checkout.venv / "pins.txt").read_text()
    assert names(checkout) == ["pip", "pip", "pip"]


def test_a_damaged_environment_installs_again(checkout: Recorded) -> None:
    checkout.prepare()
    names(checkout)
    checkout.stamp.write_text("not json")
    checkout.prepare()
    assert names(checkout) == ["pip", "pip", "pip"]
    checkout.works = False
    with pytest.raises(CannotSetUp, match="does not run there"):
        checkout.prepare()
    assert not checkout.stamp.exists()


def test_a_copied_checkout_does_not_run_the_original(checkout: Recorded) -> None:
    checkout.prepare()
    stamp = json.loads(checkout.stamp.read_text())
    checkout.stamp.write_text(json.dumps({**stamp, "place": "/somewhere/else/.venv"}))
    extras, fits = checkout.stamped()
    assert (extras, fits) == (frozenset(), False)
    assert not bootstrap.Checkout(checkout.root)._interpreter_works()


def test_a_failing_step_shows_its_words(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    step = [sys.executable, "-c", "print('no space left'); raise SystemExit(3)"]
    with pytest.raises(CannotSetUp, match="pip failed \\(exit code 3\\)"):
        bootstrap.Checkout(tmp_path)._run("pip", step)
    assert "no space left" in capsys.readouterr().out


def test_this_environment_is_seen_to_run_this_checkout() -> None:
    assert not bootstrap.Checkout(Path("/nonexistent"))._works()


def test_without_a_network_a_folder_takes_its_place(checkout: Recorded, tmp_path: Path) -> None:
    checkout.wheels = tmp_path / "wheels"
    checkout.prepare(["board"])
    for step in checkout.steps[1:]:
        assert step[step.index("--find-links") + 1] == str(tmp_path / "wheels")
        assert "--no-index" in step


def test_what_is_installed_is_held_to_its_hash(checkout: Recorded) -> None:
    checkout.prepare(["board"])
    build, libraries, project = (step[1:] for step in checkout.steps[1:])
    assert "--require-hashes" in build and "--require-hashes" in libraries
    assert "--no-deps" in project  # everything that it needs stands in the file
    assert "--no-build-isolation" in libraries  # or pip fetches what builds, without a hash


def test_the_newest_are_taken_when_asked_for(checkout: Recorded) -> None:
    checkout.pinned = False
    checkout.prepare(["test"])
    assert names(checkout) == ["venv", "pip"]
    checkout.pinned = True
    checkout.prepare(["test"])
    assert names(checkout) == ["pip", "pip", "pip"]
