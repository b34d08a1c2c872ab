# SPDX-License-Identifier: MIT
"""Set up and run all tests: `python3 tests/run.py`.

    python3 tests/run.py                  every lane
    python3 tests/run.py unit browser     these lanes
    python3 tests/run.py quick            the fast part of unit, for the daily habit
    python3 tests/run.py fresh            the README's two commands on fresh Debian 12 and 13 (root)
    python3 tests/run.py service          the installed units under systemd, emulated (ten minutes)
    python3 tests/run.py install          the install on fresh arm64 Debian 12 and 13 (root, hours)
    python3 tests/run.py mutation         whether the tests would notice a change (an hour or two)
    python3 tests/run.py branches         whether they take every branch of the safety modules
    python3 tests/run.py renew            pin the libraries' versions (--newest: the newest ones)
    python3 tests/run.py newest           the fast tests with the newest libraries
    python3 tests/run.py --list           name the lanes
    python3 tests/run.py --full           long studies in full length (hours)
    python3 tests/run.py unit -- -k fuse  options after -- go to pytest

A lane is one pytest call, or two where its tests run side by side, one worker a processor: what is
judged by the clock (marked real_time) then runs alone after the others. Lanes that measure a
machine never share it. To see one test's output at once: `-- -n0 -s -k name`.

A lane whose system packages are missing installs them where it may (as root or with password-free
sudo) and is otherwise named at the end as not run, with the reason; with CI=true that is a failure,
and so is a skipped test. Exit code 0 only when nothing failed.
"""

from __future__ import annotations

import argparse
import ctypes.util
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parent.parent
TESTS = ROOT / "tests"
sys.path[:0] = [str(ROOT), str(TESTS)]

import fresh  # noqa: E402
import installed  # noqa: E402

from rig import bootstrap, debian  # noqa: E402
from rig.debian import CannotSetUp, say  # noqa: E402

STOPPED = 130  # what a shell reports after Ctrl-C
NOTHING_COLLECTED = 5  # of pytest
CHROMIUM = ("chromium", "chromium-browser")


class Lane(NamedTuple):
    """`ready` raises CannotSetUp with the reason why it cannot run here. `side_by_side`: its tests
    share the processors; `named_only`: not among the lanes that run when none is named."""

    name: str
    about: str
    folder: str
    ready: Callable[[bootstrap.Checkout], None]
    side_by_side: bool = False
    named_only: bool = False


class Outcome(NamedTuple):
    """What a lane came to. `reason` is set where it was not run."""

    lane: str
    passed: int = 0
    failed: int = 0
    skipped: int = 0
    took_s: float = 0.0
    reason: str = ""


def nothing_more(_: bootstrap.Checkout) -> None:
    """Python packages are enough."""


def printing(_: bootstrap.Checkout) -> None:
    """What draws a report as PDF."""
    debian.require_pdf_libraries()


def a_browser(_: bootstrap.Checkout) -> None:
    missing = [] if any(shutil.which(name) for name in CHROMIUM) else ["chromium"]
    if ctypes.util.find_library("atomic") is None:  # the browser driver's own node loads it
        missing.append("libatomic1")
    if missing:
        debian.install_packages(missing, "The browser lane")


def a_circuit_simulator(_: bootstrap.Checkout) -> None:
    if not shutil.which("ngspice"):
        debian.install_packages(["ngspice"], "The circuits lane")


def an_emulated_kernel(checkout: bootstrap.Checkout) -> None:
    """Its own preparation says what it installs and builds, and why it cannot."""
    try:
        subprocess.run([checkout.python, "-c", "import lgpio; lgpio.gpiochip_open"], check=True,
                       cwd=tempfile.gettempdir(), capture_output=True)  # fmt: skip
    except subprocess.CalledProcessError:
        raise CannotSetUp("lgpio is not in the environment (see above)") from None
    last = ""
    with subprocess.Popen(
        [checkout.python, TESTS / "kernel/build.py"], stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
    ) as build:  # fmt: skip
        assert build.stderr is not None
        for line in build.stderr:
            say(line.rstrip())
            last = line.strip() or last
    if build.returncode:
        raise CannotSetUp(last.removeprefix("not run because: "))


def a_service_manager(checkout: bootstrap.Checkout) -> None:
    """The emulated machine boots the one of this computer."""
    parts = {"/lib/systemd/systemd": "systemd", "/lib/systemd/systemd-udevd": "udev",
             "/usr/bin/dbus-daemon": "dbus"}  # fmt: skip
    missing = [package for path, package in parts.items() if not Path(path).exists()]
    if missing:
        debian.install_packages(missing, "The service lane")
    an_emulated_kernel(checkout)


LANES = (
    Lane("unit", "each package by itself", "", printing, True),
    Lane("checks", "against published values and other libraries", "checks", nothing_more, True),
    Lane("circuits", "the wiring pages' claims, simulated", "circuits", a_circuit_simulator),
    Lane("browser", "the page in a headless Chromium", "browser", a_browser, True),
    Lane("kernel", "real GPIO and tty nodes of an emulated kernel", "kernel", an_emulated_kernel),
    Lane("faults", "killed, unplugged, disk full", "faults", an_emulated_kernel),
    Lane(
        "service",
        "the installed units, under systemd",
        "service",
        a_service_manager,
        named_only=True,
    ),
    Lane("performance", "speed and size, as ratios", "performance", a_browser),
)
QUICK = Lane("quick", "the fast part of unit", "", nothing_more, True, True)
QUICK_FOLDERS = ("analysis", "bench", "config", "core", "io", "physics", "simulated")


def lanes_here() -> list[Lane]:
    """The lanes that have tests in this checkout."""
    here = [lane for lane in LANES if any((TESTS / lane.folder).rglob("test_*.py"))]
    return [*here, QUICK]


def pytest_arguments(lane: Lane) -> list[str]:
    """Folders of a lane; `unit` is whatever no other lane has."""
    if lane is QUICK:
        return [str(TESTS / folder) for folder in QUICK_FOLDERS]
    if lane.folder:
        return [str(TESTS / lane.folder)]
    others = [TESTS / other.folder for other in LANES if other.folder]
    return [str(TESTS), *(f"--ignore={folder}" for folder in others)]


def count(report: Path) -> tuple[int, int, int]:
    """Passed, failed and skipped tests of a JUnit XML report; no report is one failure."""
    try:
        cases = ElementTree.parse(report).getroot().findall(".//testcase")
    except (OSError, ElementTree.ParseError):
        return 0, 1, 0
    failed = skipped = 0
    for case in cases:
        if case.find("failure") is not None or case.find("error") is not None:
            failed += 1
        elif case.find("skipped") is not None:
            skipped += 1
    return len(cases) - failed - skipped, failed, skipped


class Stop:
    """Ctrl-C or SIGTERM: pytest ends in its own order, and no further lane starts."""

    def __init__(self) -> None:
        self.asked = False
        self.running: subprocess.Popen[bytes] | None = None
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, self._on_signal)

    def _on_signal(self, number: int, _: object) -> None:
        self.asked = True
        if self.running is not None and number == signal.SIGTERM:  # Ctrl-C reaches it by itself
            self.running.send_signal(signal.SIGINT)

    def wait(self, command: list[object], environment: dict[str, str]) -> int:
        """Run to its end; returns the exit code."""
        with subprocess.Popen(
            [str(word) for word in command], cwd=ROOT, env=environment, stdin=subprocess.DEVNULL
        ) as self.running:
            code = self.running.wait()
        self.running = None
        return code


def run_lane(
    lane: Lane, checkout: bootstrap.Checkout, folder: Path, stop: Stop, full: bool, extra: list[str]
) -> Outcome:
    """Run one lane, its output straight to the terminal."""
    say(f"\n== {lane.name}: {lane.about}")
    try:
        lane.ready(checkout)
    except CannotSetUp as problem:
        say(str(problem))
        return Outcome(lane.name, reason=problem.what)
    environment = {**os.environ, "RIG_TESTS_FULL": "1" if full else "0"}
    began = time.monotonic()
    passed = failed = skipped = 0
    for name, options in parts(lane):
        if stop is not None and stop.asked:
            break
        report = folder / f"{lane.name}{name}.xml"
        command = [checkout.python, "-m", "pytest", f"--junitxml={report}", "--color=auto"]
        code = stop.wait([*command, *options, *pytest_arguments(lane), *extra], environment)
        if code == NOTHING_COLLECTED and lane.side_by_side:
            continue  # all of its tests, or none of them, are judged by the clock
        good, bad, left_out = count(report)
        if code and not bad:  # pytest itself: an internal error, a broken option
            bad = 1
        passed, failed, skipped = passed + good, failed + bad, skipped + left_out
    if not passed + failed + skipped:
        failed = 1
    return Outcome(lane.name, passed, failed, skipped, time.monotonic() - began)


def parts(lane: Lane) -> list[tuple[str, list[str]]]:
    """Name and options of each pytest call of a lane."""
    if not lane.side_by_side:
        return [("", [])]
    workers = ["-n", str(len(os.sched_getaffinity(0))), "--dist", "worksteal"]
    return [("", [*workers, "-m", "not real_time"]), ("-alone", ["-m", "real_time"])]


def closing(outcomes: list[Outcome], *, strict: bool) -> int:
    """Print the closing table and return the exit code."""
    say("\nlane          passed  failed  skipped    time")
    for one in outcomes:
        figures = f"{one.passed:>6}  {one.failed:>6}  {one.skipped:>7}  {one.took_s:>5.0f} s"
        say(f"{one.lane:<12}  {'not run' if one.reason else figures}")
    for one in outcomes:
        if one.reason:
            say(f"\nNOT RUN: {one.lane}, because: {one.reason}")
    passed = sum(one.passed for one in outcomes)
    skipped = sum(one.skipped for one in outcomes)
    failed = sum(one.failed for one in outcomes)
    if strict:
        left_out = sum(1 for one in outcomes if one.reason) + skipped
        failed, skipped = failed + left_out, 0
        if left_out:
            say(f"\nCI: lanes not run and skipped tests count as failed ({left_out}).")
    say(f"\n{passed} passed, {failed} failed" + (f", {skipped} skipped" if skipped else ""))
    return 1 if failed or not passed else 0


def prepare(checkout: bootstrap.Checkout) -> None:
    """The environment with the test tools. Without a compiler only the board's library lacks."""
    if sys.version_info >= debian.WITHOUT_LGPIO_WHEEL:
        try:
            checkout.prepare(["test", "board"])
            return
        except CannotSetUp as problem:
            say(f"{problem}\nGoing on without lgpio: what needs it is not run.")
    checkout.prepare(["test"])


def of_the_tests(script: str, words: list[str]) -> int:
    """A script of tests/mutation in the environment, which gets its libraries as well."""
    checkout = bootstrap.Checkout()
    try:
        checkout.prepare(["test", "mutation"])
    except CannotSetUp as problem:
        say(str(problem))
        return bootstrap.EXIT_CANNOT
    command = [checkout.python, TESTS / "mutation" / f"{script}.py", *words]
    return subprocess.run(command, check=False).returncode


def prepared() -> bootstrap.Checkout | None:
    """This checkout with its environment; None, and the reason said, where that cannot be."""
    checkout = bootstrap.Checkout()
    try:
        prepare(checkout)
    except CannotSetUp as problem:
        say(str(problem))
        return None
    return checkout


def renewed(words: list[str]) -> int:
    """tests/renew.py in the environment."""
    checkout = prepared()
    if checkout is None:
        return bootstrap.EXIT_CANNOT
    return subprocess.run([checkout.python, TESTS / "renew.py", *words], check=False).returncode


def with_the_newest(words: list[str]) -> int:
    """The fast tests in an environment of its own, without the pinned versions."""
    with tempfile.TemporaryDirectory(prefix="rig-newest-") as folder:
        checkout = bootstrap.Checkout(pinned=False, venv=Path(folder) / ".venv")
        try:
            checkout.prepare(["test"])
        except CannotSetUp as problem:
            say(str(problem))
            return bootstrap.EXIT_CANNOT
        command = [checkout.python, "-m", "pytest", "-q", *pytest_arguments(QUICK), *words]
        return subprocess.run(command, cwd=ROOT, check=False).returncode


def main() -> int:
    words = sys.argv[1:]
    if words[:1] == ["install"]:
        return installed.main(words[1:])
    if words[:1] == ["renew"]:
        return renewed(words[1:])
    if words[:1] == ["newest"]:
        return with_the_newest(words[1:])
    if words[:1] == ["fresh"]:
        return fresh.main(words[1:])
    if words[:1] in (["mutation"], ["branches"]):
        return of_the_tests(words[0], words[1:])
    cut = words.index("--") if "--" in words else len(words)
    parser = argparse.ArgumentParser(
        prog="python3 tests/run.py",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    here = lanes_here()
    parser.add_argument("lanes", nargs="*", metavar="LANE", help="; ".join(x.name for x in here))
    parser.add_argument("--list", action="store_true", help="name the lanes and stop")
    parser.add_argument("--full", action="store_true", help="long studies in full length")
    chosen = parser.parse_args(words[:cut])
    if chosen.list:
        try:
            for lane in here:
                say(f"{lane.name:<12}  {lane.about}")
        except BrokenPipeError:  # whoever reads has seen enough; nothing is left to be flushed
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    unknown = set(chosen.lanes) - {lane.name for lane in here}
    if unknown:
        parser.error(f"no lane {', '.join(sorted(unknown))}; see --list")
    checkout = prepared()
    if checkout is None:
        return bootstrap.EXIT_CANNOT
    stop, extra = Stop(), words[cut + 1 :]
    outcomes = []
    with tempfile.TemporaryDirectory(prefix="rig-tests-") as folder:
        for lane in here:
            if stop.asked and not lane.named_only:
                outcomes.append(Outcome(lane.name, reason="stopped before it began"))
            elif lane.name in chosen.lanes or not (chosen.lanes or lane.named_only):
                outcomes.append(run_lane(lane, checkout, Path(folder), stop, chosen.full, extra))
    strict = os.environ.get("CI", "").lower() in ("1", "true")
    code = closing(outcomes, strict=strict)
    return STOPPED if stop.asked else code


if __name__ == "__main__":
    sys.exit(main())
