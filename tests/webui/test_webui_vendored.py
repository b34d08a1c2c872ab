# SPDX-License-Identifier: MIT
"""What is vendored is what its package published, with its licence."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path

VENDOR = Path(__file__).parents[2] / "webui/static/vendor"


def test_every_vendored_file_is_unaltered_and_licensed() -> None:
    folders = [path for path in VENDOR.iterdir() if path.is_dir()]
    assert folders
    for folder in folders:
        licence = (folder / "LICENSE").read_text()
        assert "MIT License" in licence
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
            assert not re.search(r"@import|url\(|fetch\(|XMLHttpRequest|WebSocket", text), path
