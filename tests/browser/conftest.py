# SPDX-License-Identifier: MIT
"""`rig serve` on a log with known runs, and a headless Chromium that may reach nothing else."""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from PIL import Image, ImageDraw
from playwright.sync_api import Browser, ConsoleMessage, Page, Route, expect
from served import RUNS, Server, chromium_with
from written_runs import write

from rig.runlog import attachments, register
from rig.runlog.store import RunLog

expect.set_options(timeout=20_000)  # a busy machine is not a fault of the page


HERE = Path(__file__).parent
LONGEST_S = 240


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """A wait for the browser that never ends swallows the signal of a timeout: end the process."""
    for item in items:
        if item.path.is_relative_to(HERE):
            marked = item.get_closest_marker("timeout")
            limit_s = marked.args[0] if marked and marked.args else LONGEST_S
            item.add_marker(pytest.mark.timeout(limit_s, method="thread"), append=False)


@pytest.fixture(scope="module")
def log_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("served")
    for made in RUNS.values():
        write(folder / "runs.sqlite", made)
    with RunLog(folder / "runs.sqlite") as log:
        for of in attachments.OWNERS:
            attachments.add(log, of, 1, drawn_photo(), by="an invented person", words=PHOTO_WORDS)
        paper = attachments.Content(b"invented\n", "text/plain", "wiring as found.txt")
        attachments.add(log, "run", 1, paper)
        printed = attachments.add(log, "run", PRINTED, drawn_photo(), words=PHOTO_WORDS)
        attachments.choose(log, printed, in_report=True)
        slow, done = "Slow when cold.", "Screen cleaned, seal new."
        register.describe(log, register.JOB, 1, notes="", complaint=slow, repair=done)
    return folder


PRINTED = list(RUNS).index("emulated") + 1
"""The run whose report has a photo."""
PHOTO_WORDS = "A picture drawn for the tests: plug and terminals"


def drawn_photo() -> attachments.Content:
    picture = Image.new("RGB", (1200, 900), "#8899a0")
    draw = ImageDraw.Draw(picture)
    draw.rounded_rectangle((300, 200, 900, 700), 60, "#303a40")
    for x in (450, 750):
        draw.ellipse((x - 70, 380, x + 70, 520), "#c0a050")
    out = io.BytesIO()
    picture.save(out, "JPEG")
    return attachments.Content(out.getvalue(), attachments.PHOTO, "plug.jpg", 1200, 900)


@pytest.fixture(scope="module")
def server(log_folder: Path) -> Iterator[Server]:
    with Server(log_folder) as started:
        yield started


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with chromium_with() as browser:
        yield browser


STOP_WAY = re.compile(r"http://127\.0\.0\.1:[0-9]+/stop")
"""The stop has a listener of its own (webui.serving.open_stop_server)."""


class Watched:
    """A page that records every fault: console, exceptions, dialogs, requests to other hosts."""

    def __init__(self, page: Page, url: str, scripted: bool) -> None:
        self.page, self.url, self.scripted = page, url, scripted
        self.faults: list[str] = []
        self.forgiven = ["willReadFrequently"]  # caused by these tests reading pixels
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
        asked = route.request.url
        ours = asked.startswith(self.url + "/") or STOP_WAY.fullmatch(asked) is not None
        self._note(not ours, f"request to {route.request.url}")
        if ours:
            route.continue_()
        else:
            route.abort()

    def open(self, address: str) -> Page:
        """Open the page and wait until all its plots are drawn."""
        self.page.goto("about:blank")  # so that another # counts as another visit
        self.page.goto(self.url + address)
        for plot in ("#traces.plot", "#per-stroke.plot"):
            if self.scripted and self.page.locator(plot).is_visible():  # folded on a phone
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
