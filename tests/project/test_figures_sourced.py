# SPDX-License-Identifier: MIT
"""Published measured figures say how to measure them again, of which commit, and when."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PAGES = sorted(
    path.relative_to(ROOT)
    for pattern in ("*.md", "webui/help/*.md", "hardware/*.md", "tests/studies/*.md")
    for path in ROOT.glob(pattern)
)
MEASURED = re.compile(
    r"\b(measured|found|simulated|p50|p99|worst|rms|U95|top-1|top-3|share|covered)\b"
)
COMMAND = re.compile(r"(python3?|\.venv/bin/\w+) \S")
COMMIT = re.compile(r"\bcommits?\s+`?[0-9a-f]{7,40}\b")
DATE = re.compile(
    r"\b(\d{4}-\d{2}-\d{2}|\d{1,2} (January|February|March|April|May|June|July|August|September|"
    r"October|November|December) 20\d{2})\b"
)
SAID = re.compile(
    r"(?<!what is )\bmeasured\b|(?<!what )\b(was|were) found\b|\bcame out\b|\btimed\b|"
    r"\b(of|in) \d[\d,]* (tries|runs|rigs|pairs|kills)\b"
)
"""How prose says that a figure was measured."""
FIGURE = re.compile(
    r"\d\s?(%|(times|points?|bits?|ms|us|µs|s|minutes|MB|MiB|kPa|dB|V|A|tries|runs)\b)"
)
TABLE = re.compile(r"(?m)^\|.+\n\|[-:| ]+\|\n(?:\|.+(?:\n|\Z))+")


def cells(row: str) -> list[str]:
    return [cell.strip() for cell in row.strip().strip("|").split("|")]


def is_measured(table: str) -> bool:
    """Its head says so, and a row holds figures beside its first cell."""
    head, _, *rows = table.splitlines()
    figures = [bool(re.search(r"\d", " ".join(cells(row)[1:]))) for row in rows]
    return bool(MEASURED.search(head)) and any(figures)


def says_measured(section: str) -> list[str]:
    """The sentences and list items of its prose that state a measured figure."""
    prose = TABLE.sub("", section)
    sentences = re.split(r"(?<=[.:;])\s+|\n(?=- )|\n\s*\n", prose)
    return [one for one in sentences if SAID.search(one) and FIGURE.search(one)]


def sections(text: str) -> list[tuple[str, str]]:
    """Each section, and what stands in it and before it under the headings above it."""
    above: list[tuple[int, str]] = []
    found = []
    for section in re.split(r"(?m)^(?=#+ )", text):
        depth = len(section) - len(section.lstrip("#"))
        above = [(of, words) for of, words in above if of < depth] + [(depth, section)]
        found.append((section, "".join(words for _, words in above)))
    return found


def missing(told: str) -> list[str]:
    wanted = {"a command": COMMAND, "the commit": COMMIT, "the date": DATE}
    prose = TABLE.sub("", told)
    return [name for name, form in wanted.items() if not form.search(prose)]


@pytest.mark.parametrize("page", PAGES, ids=str)
def test_measured_figures_name_command_commit_and_date(page: Path) -> None:
    found = [
        f'{page}, "{section.splitlines()[0]}": {", ".join(missing(told))}'
        for section, told in sections((ROOT / page).read_text())
        if says_measured(section) or any(map(is_measured, TABLE.findall(section)))
        if missing(told)
    ]
    assert not found, "\n".join(found)


def test_a_table_without_them_is_noticed() -> None:
    table = "| what | measured |\n|---|---|\n| memory | 40 MB |\n"
    assert is_measured(table) and len(missing("# Size\n\n" + table)) == 3
    told = "# Size\n\n`python3 tests/run.py performance`, commit 0451530, 27 November 2026:\n\n"
    assert not missing(told + table)
    assert not is_measured("| key | measured |\n|---|---|\n| `of` | the mean |\n")


def test_prose_and_lists_without_them_are_noticed() -> None:
    for told in (
        "## Size\n\nThe page was measured at 40 MB.\n",
        "## Size\n\n- start: 1.3 times, measured\n",
        "## Risk\n\nIt passes wrongly in 8 of 100 tries with ten strokes.\n",
    ):
        assert len(says_measured(told)) == 1 and len(missing(told)) == 3
    assert not says_measured(
        "## R5\n\n7 us is too fast to hide bounce, which is what is measured.\n"
    )


def test_measured_tables_are_found_where_they_are() -> None:
    have = {str(page) for page in PAGES
            if any(map(is_measured, TABLE.findall((ROOT / page).read_text())))}  # fmt: skip
    assert {"README.md", "webui/help/hazards.md", "tests/studies/README.md"} <= have
