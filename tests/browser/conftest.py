# SPDX-License-Identifier: MIT
"""`rig serve` on a log with known runs, and a headless Chromium that may reach nothing else."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, ConsoleMessage, Page, Route, expect, sync_playwright

sys.path.insert(0, str(Path(__file__).parents[1] / "webui"))  # written_runs

from written_runs import Made, write

expect.set_options(timeout=20_000)  # a busy machine is no fault of the page

CHROMIUM = ("chromium", "chromium-browser", "google-chrome")
FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip
ARTEFACTS = Path(__file__).parent / "artefacts"

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

    def __init__(self, folder: Path) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "rig.cli.main", "serve", "--port", "0"],
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

    def stop(self) -> None:
        self.process.terminate()
        try:
            self.process.communicate(timeout=20)
        finally:
            self.process.kill()
            self.process.wait()


@pytest.fixture(scope="module")
def log_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("served")
    for made in RUNS.values():
        write(folder / "runs.sqlite", made)
    return folder


@pytest.fixture(scope="module")
def server(log_folder: Path) -> Iterator[Server]:
    started = Server(log_folder)
    try:
        yield started
    finally:
        started.stop()


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    path = next((found for name in CHROMIUM if (found := shutil.which(name))), None)
    assert path, "there is no Chromium on this machine (Debian: apt-get install chromium)"
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=FLAGS)
        try:
            yield browser
        finally:
            browser.close()


class Watched:
    """A page whose every fault is noted: console, exceptions, dialogs, requests to elsewhere."""

    def __init__(self, page: Page, url: str, scripted: bool) -> None:
        self.page, self.url, self.scripted = page, url, scripted
        self.faults: list[str] = []
        self.forgiven = ["willReadFrequently"]  # about these tests' own reading of pixels
        page.on("console", self._console)
        page.on("pageerror", lambda error: self._note(True, f"exception: {error}"))
        page.on("dialog", lambda dialog: (self._note(True, dialog.message), dialog.dismiss()))
        page.route("**/*", self._only_ours)

    def _console(self, message: ConsoleMessage) -> None:
        forgiven = any(words in message.text for words in self.forgiven)
        bad = message.type in ("error", "warning") and not forgiven
        self._note(bad, f"console: {message.text}")

    def _note(self, bad: bool, words: str) -> None:
        if bad:
            self.faults.append(words)

    def _only_ours(self, route: Route) -> None:
        ours = route.request.url.startswith(self.url + "/")
        self._note(not ours, f"request to {route.request.url}")
        if ours:
            route.continue_()
        else:
            route.abort()

    def open(self, address: str) -> Page:
        """Go there and wait until every plot of the page is drawn."""
        self.page.goto("about:blank")  # so that another # is another visit
        self.page.goto(self.url + address)
        for plot in ("#traces.plot", "#per-stroke.plot"):
            if self.scripted and self.page.locator(plot).count():
                self.page.wait_for_selector(f"{plot} canvas")
        return self.page


@pytest.fixture
def visit(chromium: Browser, server: Server) -> Iterator[Callable[..., Watched]]:
    """`visit(width=390, height=844, scheme="dark")`: a watched page; faults fail the test."""
    opened: list[Watched] = []
    contexts = []

    def start(
        width: int = 1366,
        height: int = 768,
        scheme: str = "light",
        url: str = server.url,
        sharp: float = 1,
        **more,
    ) -> Watched:
        phone = width < 700
        context = chromium.new_context(
            viewport={"width": width, "height": height}, color_scheme=scheme, has_touch=phone,
            is_mobile=phone, device_scale_factor=sharp, **more,
        )  # fmt: skip
        contexts.append(context)
        opened.append(Watched(context.new_page(), url, more.get("java_script_enabled", True)))
        return opened[-1]

    yield start
    for context in contexts:
        context.close()
    faults = [fault for watched in opened for fault in watched.faults]
    assert faults == []
