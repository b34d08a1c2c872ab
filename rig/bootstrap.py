# SPDX-License-Identifier: MIT
"""Set-up of a checkout: its own virtual environment in `.venv`.

Only the standard library: this runs before anything is installed, from the demo, from the test
command, and by hand (`python3 -m rig.bootstrap --board`). It says what it does before it does it.
"""

from __future__ import annotations

import argparse
import contextlib
import fcntl
import hashlib
import json
import os
import subprocess
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

from rig.debian import CannotSetUp, require_board_build, require_python, require_venv_module, say

ROOT = Path(__file__).resolve().parent.parent
EXIT_CANNOT = 2


class Checkout:
    """A checkout and the virtual environment that belongs to it."""

    def __init__(self, root: Path = ROOT) -> None:
        self.root = root
        self.venv = root / ".venv"
        self.stamp = self.venv / "set-up.json"
        self.log = self.venv / "set-up.log"

    @property
    def python(self) -> Path:
        """The environment's interpreter."""
        return self.venv / "bin/python"

    def command(self, name: str) -> Path:
        """A command that the environment installed, such as `rig`."""
        return self.venv / "bin" / name

    def fingerprint(self) -> str:
        """What the environment was built from; another one means build again."""
        return hashlib.sha256((self.root / "pyproject.toml").read_bytes()).hexdigest()

    def stamped(self) -> tuple[frozenset[str], bool]:
        """Extras that were installed, and whether the environment is complete and fits."""
        try:
            stamp = json.loads(self.stamp.read_text())
            extras = frozenset(str(name) for name in stamp["extras"])
            fits = stamp["fingerprint"] == self.fingerprint() and stamp["place"] == str(self.venv)
        except (OSError, ValueError, KeyError, TypeError):
            return frozenset(), False
        return extras, fits and self._works()

    def _works(self) -> bool:
        """The environment runs, and what it runs is this checkout (not one it was copied from)."""
        code = "import sys, rig; print(sys.version_info >= (3, 11), rig.__file__)"
        try:
            module = subprocess.run(
                [self.python, "-c", code], cwd="/", stdin=subprocess.DEVNULL,
                capture_output=True, text=True, timeout=60,
            )  # fmt: skip
            console = subprocess.run(
                [self.command("rig"), "--help"], cwd="/", stdin=subprocess.DEVNULL,
                capture_output=True, timeout=60,
            )  # fmt: skip
        except (OSError, subprocess.TimeoutExpired):
            return False
        expected = f"True {self.root / 'rig/__init__.py'}"
        return console.returncode == 0 and module.stdout.strip() == expected

    def prepare(self, extras: Sequence[str] = ()) -> None:
        """Make the environment hold the project with `extras`, or reuse it where it does.

        Extras that are there already stay. Raises CannotSetUp.
        """
        require_python()
        wanted = set(extras)
        with self._alone():
            had, complete = self.stamped()
            if complete and wanted <= had:
                say(f"Using the environment in {self.venv} (complete).")
                return
            wanted |= had
            if "board" in wanted:
                require_board_build()
            self._build(sorted(wanted))

    def _build(self, extras: list[str]) -> None:
        interpreter_works = self._interpreter_works()
        self.stamp.unlink(missing_ok=True)
        if not interpreter_works:
            require_venv_module()
            say(f"Making a virtual environment in {self.venv} ...")
            self._run("venv", [sys.executable, "-m", "venv", "--clear", str(self.venv)])
        target = f"{self.root}[{','.join(extras)}]" if extras else str(self.root)
        what = f" with its extras {', '.join(extras)}" if extras else ""
        say(f"Installing the project{what} and its libraries from PyPI (a minute or two) ...")
        pip = [str(self.python), "-m", "pip", "install", "--disable-pip-version-check"]
        self._run("pip", [*pip, "--no-input", "--editable", target])
        if not self._works():
            raise CannotSetUp(
                f"The environment in {self.venv} was built but `rig --help` does not run there.\n"
                f"Remove {self.venv} and start again; what was done is in {self.log}."
            )
        stamp = {"fingerprint": self.fingerprint(), "extras": extras, "place": str(self.venv)}
        self.stamp.write_text(json.dumps(stamp) + "\n")
        say("The environment is complete.")

    def _interpreter_works(self) -> bool:
        """Its Python runs and fits, and its scripts point here, not where it was copied from."""
        code = "import sys, pip; sys.exit(sys.version_info < (3, 11))"
        with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
            if json.loads(self.stamp.read_text())["place"] != str(self.venv):
                return False
        try:
            done = subprocess.run(
                [self.python, "-c", code], stdin=subprocess.DEVNULL, capture_output=True, timeout=60
            )
        except (OSError, subprocess.TimeoutExpired):
            return False
        return done.returncode == 0

    def _run(self, name: str, command: list[str]) -> None:
        """Run a step, its output into the log and, shortened, onto the terminal."""
        lines: list[str] = []
        collected = 0
        # where lgpio must be compiled, PYPI=1 puts its C library inside instead of the system's
        environment = {**os.environ, "PYPI": "1"}
        with subprocess.Popen(
            command, cwd=self.root, env=environment, stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, errors="replace",
        ) as process:  # fmt: skip
            assert process.stdout is not None  # noqa: S101 - a pipe was asked for
            for line in process.stdout:
                lines.append(line)
                if line.startswith("Collecting "):
                    collected += 1
                    found = f"  {collected} libraries found, now {line.split()[1]}"
                    _progress(found, milestone=collected % 10 == 0)
                elif line.startswith("Installing collected packages"):
                    _progress("  installing them", milestone=True)
        _progress("")
        if self.venv.is_dir():
            with self.log.open("a") as log:
                log.write(f"$ {' '.join(command)}\n{''.join(lines)}")
        if process.returncode:
            sys.stdout.write("".join(lines[-30:]))
            raise CannotSetUp(
                f"{name} failed (exit code {process.returncode}), its last lines are above.\n"
                "Is the network there, and is there room on the disk? Then start again."
            )

    @contextlib.contextmanager
    def _alone(self) -> Iterator[None]:
        """Two set-ups of one checkout take turns."""
        with (self.root / "pyproject.toml").open("rb") as held:
            try:
                fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                say("Another set-up of this checkout is at work; waiting for it ...")
                fcntl.flock(held, fcntl.LOCK_EX)
            yield


def _progress(text: str, *, milestone: bool = False) -> None:
    """One line that overwrites itself on a terminal; elsewhere the milestones only."""
    if sys.stdout.isatty():
        sys.stdout.write(f"\r\x1b[K{text[:78]}")
        sys.stdout.flush()
    elif milestone:
        say(text)


def main() -> int:
    """`python3 -m rig.bootstrap [--board]`: set up this checkout and say how to go on."""
    parser = argparse.ArgumentParser(prog="python3 -m rig.bootstrap", description=main.__doc__)
    parser.add_argument("--board", action="store_true", help="also what a real board needs")
    chosen = parser.parse_args()
    checkout = Checkout()
    try:
        checkout.prepare(["board"] if chosen.board else [])
    except CannotSetUp as problem:
        say(str(problem))
        return EXIT_CANNOT
    say(f"Next: {checkout.command('rig')} --help")
    return 0


if __name__ == "__main__":
    sys.exit(main())
