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
import shutil
import subprocess
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

from rig import pins
from rig.debian import CannotSetUp, require_board_build, require_python, require_venv_module, say

ROOT = Path(__file__).resolve().parent.parent
EXIT_CANNOT = 2


class Checkout:
    """A checkout and the virtual environment that belongs to it. `pinned`: with the versions that
    were tested, by their hashes, not the newest; `wheels`: a folder that replaces the network."""

    def __init__(
        self, root: Path = ROOT, *, pinned: bool = True, wheels: Path | None = None,
        venv: Path | None = None,
    ) -> None:  # fmt: skip
        self.root = root
        self.pinned = pinned and pins.covered(sys.version_info[:2])
        self.wheels = wheels
        self.venv = venv or root / ".venv"
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
        read = (self.root / "pyproject.toml").read_bytes()
        if self.pinned:
            read += pins.PINS.read_bytes()
        return hashlib.sha256(read).hexdigest()

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
        source = f"from {self.wheels}" if self.wheels else "from PyPI (a minute or two)"
        what = f" with its extras {', '.join(extras)}" if extras else ""
        say(f"Installing the project{what} and its libraries {source} ...")
        self.install(extras)
        if not self._works():
            raise CannotSetUp(
                f"The environment in {self.venv} was built but `rig --help` does not run there.\n"
                f"Remove {self.venv} and start again; what was done is in {self.log}."
            )
        stamp = {"fingerprint": self.fingerprint(), "extras": extras, "place": str(self.venv)}
        self.stamp.write_text(json.dumps(stamp) + "\n")
        say("The environment is complete.")

    def install(self, extras: list[str]) -> None:
        """The libraries and the project itself, by pip."""
        if not self.pinned:
            target = f"{self.root}[{','.join(extras)}]" if extras else str(self.root)
            self._pip("install", "--upgrade", "--editable", target)
            return
        build, libraries = self._pins(extras)
        self._pip("install", "--require-hashes", "--requirement", str(build))
        hashed = ["--require-hashes", "--use-pep517", "--no-build-isolation"]
        self._pip("install", *hashed, "--requirement", str(libraries))
        self._pip("install", "--no-deps", "--no-build-isolation", "--editable", str(self.root))

    def download(self, folder: Path, extras: list[str]) -> None:
        """All that `install` takes from the network, into a folder for a machine of the same
        processor and release that has none."""
        build, libraries = self._pins(extras)
        hashed = ["--require-hashes", "--use-pep517", "--no-build-isolation", "--dest", str(folder)]
        for file in (build, libraries):
            self._pip("download", *hashed, "--requirement", str(file))

    def _pins(self, extras: list[str]) -> tuple[Path, Path]:
        files = self.venv / "pins-build.txt", self.venv / "pins.txt"
        for file, text in zip(files, pins.requirements(extras), strict=True):
            file.write_text(text)
        return files

    def _pip(self, verb: str, *words: str) -> None:
        pip = [str(self.python), "-m", "pip", verb, "--disable-pip-version-check", "--no-input"]
        offline = ["--no-index", "--find-links", str(self.wheels)] if self.wheels else []
        self._run("pip", [*pip, *offline, *words])

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
        # where lgpio must be compiled, PYPI=1 puts its C library inside instead of the system's;
        # /tmp is in memory on Debian 13, too small there on a small board
        scratch = self.venv / "tmp"
        environment = {**os.environ, "PYPI": "1"}
        if self.venv.is_dir():
            scratch.mkdir(exist_ok=True)
            environment["TMPDIR"] = str(scratch)
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
        shutil.rmtree(scratch, ignore_errors=True)
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
    parser.add_argument("--newest", action="store_true", help="not the versions that were tested")
    parser.add_argument("--wheels", type=Path, help="without a network: a folder of --download")
    parser.add_argument(
        "--download", type=Path, help="afterwards put all libraries into this folder"
    )
    chosen = parser.parse_args()
    extras = ["board"] if chosen.board else []
    checkout = Checkout(pinned=not chosen.newest, wheels=chosen.wheels and chosen.wheels.absolute())
    try:
        checkout.prepare(extras)
        if chosen.download:
            checkout.download(chosen.download.absolute(), extras)
    except CannotSetUp as problem:
        say(str(problem))
        return EXIT_CANNOT
    say(f"Next: {checkout.command('rig')} --help")
    return 0


if __name__ == "__main__":
    sys.exit(main())
