# SPDX-License-Identifier: MIT
"""Pages for people: links lead somewhere, codes and commands are those of the program."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from rig.cli.main import COMMANDS
from rig.core import errors

ROOT = Path(__file__).parents[2]
PAGES = sorted(
    path
    for pattern in ("*.md", "hardware/*.md", "demo/*.md", "webui/help/*.md")
    for path in ROOT.glob(pattern)
)
CODES = {
    getattr(errors, name)
    for name in ("EXIT_OK", "EXIT_DOES_NOT_CONFORM", "EXIT_USAGE", "EXIT_TRIPPED",
                 "EXIT_HARDWARE", "EXIT_UNDECIDED", "EXIT_COIL_LIVE", "EXIT_INTERNAL")
}  # fmt: skip


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_links_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#]+)", page.read_text()):
        assert (page.parent / target).exists(), f"{page.name} links to {target}"


def test_exit_codes_are_those_of_the_program() -> None:
    table = (ROOT / "README.md").read_text().split("## Exit codes")[1].split("\n## ")[0]
    assert {int(code) for code in re.findall(r"^\| (\d) \|", table, re.MULTILINE)} == CODES


def test_every_command_is_in_the_readme() -> None:
    text = (ROOT / "README.md").read_text()
    for command in COMMANDS:
        assert f"`rig {command}" in text, command
    named = set(re.findall(r"`rig ([a-z]+)", text))
    assert named <= set(COMMANDS)


def test_commands_named_anywhere_exist() -> None:
    for page in PAGES:
        for command in re.findall(r"`(?:\.venv/bin/)?rig ([a-z]+)", page.read_text()):
            assert command in COMMANDS, f"{page.name} names rig {command}"


def test_files_named_in_the_readmes_exist() -> None:
    for page in (ROOT / "README.md", ROOT / "DEVELOPERS.md"):
        for name in re.findall(r"`((?:rig|tests|demo|hardware|webui)/[\w/.]*)`", page.read_text()):
            assert (ROOT / name).exists(), f"{page.name} names {name}"


def test_every_python_file_says_its_licence() -> None:
    files = [
        path
        for folder in ("rig", "webui", "tests", "demo", "hardware")
        for path in (ROOT / folder).rglob("*.py")
    ]
    assert len(files) > 50
    for path in files:
        assert "# SPDX-License-Identifier: MIT" in path.read_text().splitlines()[:2], path
