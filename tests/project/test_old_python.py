# SPDX-License-Identifier: MIT
"""What Python 3.11.2, the Python of Debian 12, gets wrong is not used."""

import io
import re
import tokenize
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
MISMATCHED = re.compile(r"\(\?>|(?:[*+?]|\{\d+(?:,\d*)?\}\}?)\+(?!\+)")
"""An atomic group, or a possessive quantifier: before 3.11.5 they match what they should not
(cpython issues 100061 and 106052)."""


def strings(path: Path) -> list[tuple[int, str]]:
    tokens = tokenize.generate_tokens(io.StringIO(path.read_text()).readline)
    return [(token.start[0], token.string) for token in tokens if token.type == tokenize.STRING]


@pytest.mark.parametrize(
    ("text", "found"),
    [(r"[0-9]++", True), (r"(?:a|b)?+", True), (r"a{1,3}+", True), ("(?>a)", True),
     (r"[+-]?[0-9]+", False), (r"(?=a)b+", False), ("1 + 1", False)],
)  # fmt: skip
def test_the_search_finds_them(text: str, found: bool) -> None:
    assert bool(MISMATCHED.search(text)) is found


def test_no_regular_expression_needs_a_mended_python() -> None:
    files = [path for folder in ("rig", "webui") for path in (ROOT / folder).rglob("*.py")]
    assert len(files) > 300
    wrong = [
        f"{path.relative_to(ROOT)}:{number}: {text}"
        for path in files
        for number, text in strings(path)
        if MISMATCHED.search(text) and not text.startswith(('"""', "'''"))
    ]
    assert not wrong
