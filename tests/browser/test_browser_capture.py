# SPDX-License-Identifier: MIT
"""A large capture on the page: read progress is shown while the answer is awaited."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from served import Server
from test_browser_audit import operating  # noqa: F401 - a fixture

pytestmark = pytest.mark.browser


KEPT = """() => { sessionStorage.told = ""; const told = document.getElementById("progress");
  new MutationObserver(() => { sessionStorage.told += told.textContent + "; "; })
    .observe(told, { childList: true }); }"""
"""What is said while the next page is awaited, for after it has come."""


def table(path: Path, rows: int) -> Path:
    """A logger's table at 10 kHz, invented: slow to read, since its levels are words."""
    with path.open("w") as file:
        file.write("time_ms,command,switch\n")
        for n in range(rows):
            state = "TRUE" if n // 5000 % 2 else "FALSE"
            file.write(f"{n / 10},{state},{state}\n")
    return path


def test_a_large_capture_says_how_far_it_was_read(
    visit: Callable,
    operating: Server,  # noqa: F811
    tmp_path: Path,
) -> None:
    page = visit(390, 844, url=operating.url).open("/log/import")
    page.set_input_files("input[name=capture]", table(tmp_path / "large.csv", 600_000))
    page.evaluate(KEPT)
    page.locator("#drop button").first.click(no_wait_after=True)
    page.wait_for_selector("h2:has-text('Understood')", timeout=90_000)
    told = page.evaluate("sessionStorage.told")
    assert re.match(r"Sending \d+ MB", told), told
    shares = [int(share) for share in re.findall(r"Reading: (\d+) % of \d+ MB", told)]
    assert shares and shares == sorted(shares), told
