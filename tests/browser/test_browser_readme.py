# SPDX-License-Identifier: MIT
"""The README's two pictures are what the page shows today of a run of the demo's invented scenario.

    RIG_README_PICTURES=1 pytest tests/browser/test_browser_readme.py

makes them anew. A picture keeps a hash of what its page said and which plots and drawings it had.
Pixels are not compared, since each machine draws letters a little otherwise.
"""

from __future__ import annotations

import hashlib
import io
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from PIL import Image, PngImagePlugin
from playwright.sync_api import Browser, Page
from served import Server

pytestmark = pytest.mark.browser
ROOT = Path(__file__).parents[2]
DEMO = ROOT / "demo"
WIDTH, HEIGHT = 1280, {"run": 1720, "lesson": 860}
LARGEST_BYTES = 200_000
COLOURS = 96
SHOWN = "shown"
DATED = re.compile(r"\d{1,2} \w+ 20\d\d|\d{4}-\d\d-\d\d|\d\d:\d\d(:\d\d)?")
ANEW = os.environ.get("RIG_README_PICTURES") == "1"
PICTURES = {"run": "/runs/1", "lesson": "/runs/1/lesson?stroke=2"}


@pytest.fixture(scope="module")
def demo_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    folder = tmp_path_factory.mktemp("readme")
    command = [
        sys.executable, "-m", "rig.cli.main", "run", "demo/engine.setup.toml",
        "tests/golden/strokes.sheet.toml", "--fast", "--seed", "41", "--valve", "V-101",
        "--job", "demo", "--supply-voltage", "12.6 V", "--oil-temperature", "90 degC",
    ]  # fmt: skip
    environment = {**os.environ, "RIG_DATA": str(folder)}
    subprocess.run(command, cwd=ROOT, env=environment, check=True, capture_output=True)
    with Server(folder) as started:
        yield started


def shown(page: Page) -> str:
    """Hash of the page's text, without dates, and of its plots and drawings."""
    text = DATED.sub("<date>", page.locator("main").inner_text())
    plots = page.locator("main canvas:visible, main svg:visible").count()
    return hashlib.sha256(" ".join([*text.split(), f"{plots} plots"]).encode()).hexdigest()


def save(picture: Image.Image, words: str, path: Path) -> None:
    kept = PngImagePlugin.PngInfo()
    kept.add_text(SHOWN, words)
    picture.convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE).save(
        path, pnginfo=kept, optimize=True
    )


@pytest.mark.parametrize("name", PICTURES)
def test_the_picture_shows_the_page_as_it_is(
    chromium: Browser, demo_server: Server, name: str
) -> None:
    page = chromium.new_page(
        viewport={"width": WIDTH, "height": HEIGHT[name]}, color_scheme="light"
    )
    page.goto(demo_server.url + PICTURES[name], wait_until="networkidle")
    drawn, words = Image.open(io.BytesIO(page.screenshot())), shown(page)
    page.close()
    path = DEMO / f"{name}.png"
    if ANEW:
        save(drawn, words, path)
    with Image.open(path) as kept:
        said = kept.info[SHOWN]
    assert path.stat().st_size <= LARGEST_BYTES
    anew = "make it anew, see the top of this file"
    assert said == words, f"the page says other things than {path.name}: {anew}"


def test_the_readme_shows_both() -> None:
    readme = (ROOT / "README.md").read_text()
    for name in PICTURES:
        assert f"](demo/{name}.png)" in readme
