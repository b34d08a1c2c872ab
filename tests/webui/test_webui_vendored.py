# SPDX-License-Identifier: MIT
"""What is vendored is what its package published, with its licence."""

from __future__ import annotations

import hashlib
import json
import re
from pathlib import Path

VENDOR = Path(__file__).parents[2] / "webui/static/vendor"


def test_every_vendored_file_is_unaltered_and_licensed() -> None:
    folders = [path for path in VENDOR.iterdir() if path.is_dir()]
    assert folders
    for folder in folders:
        licence = (folder / "LICENSE").read_text()
        assert re.search("MIT License|Zero-Clause BSD", licence)
        stated = dict(
            re.findall(r"\| (\S+) \| ([0-9a-f]{64}) \|", (folder / "README.md").read_text())
        )
        files = {path.name for path in folder.iterdir()} - {"LICENSE", "README.md"}
        assert set(stated) == files
        for name, digest in stated.items():
            assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == digest


def test_nothing_vendored_asks_for_anything_outside() -> None:
    for path in VENDOR.rglob("*"):
        if path.suffix in {".js", ".css"}:
            text = path.read_text()
            asks = r"@import|url\(|fetch\(|WebSocket"
            if path.parent.name != "htmx":  # that is to ask: only this page, says _htmx.html
                asks += "|XMLHttpRequest"
            assert not re.search(asks, text), path


def test_htmx_makes_no_styles_or_scripts_and_asks_only_this_page() -> None:
    text = (VENDOR.parents[1] / "templates/_htmx.html").read_text()
    found = re.search(r"name=\"htmx-config\" content='([^']+)'", text)
    assert found is not None
    settings = json.loads(found[1])
    assert settings["selfRequestsOnly"] is True
    for name in ("includeIndicatorStyles", "allowEval", "allowScriptTags"):
        assert settings[name] is False


def test_htmx_is_set_in_one_place() -> None:
    pages = VENDOR.parents[1] / "templates"
    users = [page for page in pages.rglob("*.html") if "htmx.min.js" in page.read_text()]
    assert users
    for page in users:
        text = page.read_text()
        assert '{% include "_htmx.html" %}' in text and "htmx-config" not in text, page
