# SPDX-License-Identifier: MIT
"""The runs used by the browser tests, and `rig serve` in its own process."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

from playwright.sync_api import Browser, sync_playwright
from written_runs import Made

CHROMIUM = ("chromium", "chromium-browser")
FLAGS = ("--headless", "--no-sandbox", "--disable-gpu")
QUIET = (
    "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip

ARTEFACTS = Path(os.environ.get("RIG_PICTURES") or Path(__file__).parent / "artefacts")
"""Where pictures of the pages go; `.ci/run` names a folder that is kept."""

NASTY = '"><script>alert(1)</script><img src=x onerror=alert(2)>'

RUNS = {
    "simulated": Made(strokes=20, missed=(4, 9)),
    "tripped": Made(
        strokes=20, source="board", status="tripped", trip=True, readback=False,
        synchronised=None, valve="BENCH-3", not_watched=("read-back disagreeing",),
        doubts=((4321.0, "gauge frame rejected", "garbage"),),
    ),
    "long": Made(strokes=2_000, on_ms=200, rest_ms=200, gauge_period_ms=20),
    "emulated": Made(strokes=6, source="emulated board", synchronised=True),
    "bare": Made(
        strokes=3, source="board", readback=False, gauge_period_ms=None, valve=None, job=None,
        by=None, note="",
    ),
    "nasty": Made(strokes=3, valve=NASTY, job=NASTY, by=NASTY, note=NASTY * 5),
    "wordy": Made(strokes=3, valve="V" * 150, job="J" * 90, by="B" * 90, note="N" * 900),
}  # fmt: skip
"""Name -> what is written; the number of the run is its place, from 1."""


def address_of(run: str) -> str:
    return f"/runs/{list(RUNS).index(run) + 1}"


class Server:
    """`rig serve` as a person starts it, on the log in `folder`."""

    def __init__(self, folder: Path, *more: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "rig.cli.main", "serve", "--port", "0", *more],
            stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
            env={**os.environ, "RIG_DATA": str(folder), "PYTHONUNBUFFERED": "1"},
        )  # fmt: skip
        found = None
        for line in self.process.stdout or ():
            found = re.search(r"http://\S+", line)
            if found:
                break
        assert found, "rig serve did not start"
        self.url = found.group(0).rstrip("/")

    def __enter__(self) -> Server:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def stop(self) -> None:
        self.process.terminate()
        try:
            self.process.communicate(timeout=20)
        finally:
            self.process.kill()
            self.process.wait()


@contextlib.contextmanager
def chromium_with(more: Sequence[str] = QUIET) -> Iterator[Browser]:
    """A Chromium without a window."""
    path = next((found for name in CHROMIUM if (found := shutil.which(name))), None)
    assert path, "there is no Chromium on this machine (Debian: apt-get install chromium)"
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=[*FLAGS, *more])
        try:
            yield browser
        finally:
            browser.close()
