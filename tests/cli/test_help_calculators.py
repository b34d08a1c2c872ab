# SPDX-License-Identifier: MIT
"""The help page of the calculators: its examples are run and print what the page says."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner

from rig.cli.calc import CALCULATORS, command
from rig.core.errors import UsageError

PAGE = (Path(__file__).parents[2] / "webui/help/calculators.md").read_text()
EXAMPLES = re.findall(r"^```\n\$ rig calc (.*)\n((?:.*\n)+?)```$", PAGE, re.M)


@pytest.mark.parametrize(("line", "expected"), EXAMPLES, ids=[line[:40] for line, _ in EXAMPLES])
def test_an_example_prints_what_the_page_says(line: str, expected: str) -> None:
    done = CliRunner().invoke(command, shlex.split(line))
    if isinstance(done.exception, UsageError):
        assert expected.rstrip("\n") == str(done.exception)
        return
    assert done.exit_code == 0, done.output
    lines = expected.rstrip("\n").split("\n")
    assert done.output.split("\n")[: len(lines)] == lines


def test_every_calculator_has_a_section_an_example_and_all_its_inputs() -> None:
    assert len(EXAMPLES) == PAGE.count("```\n$ ")
    sections = dict(re.findall(r"^## ([a-z-]+)$(.*?)(?=^## |\Z)", PAGE, re.M | re.S))
    assert list(sections) == list(CALCULATORS)
    for name, text in sections.items():
        assert name in {shlex.split(line)[0] for line, _ in EXAMPLES}
        found = command.get_command(None, name)
        takes = text.split("\nTakes ")[1]
        options = {option.opts[0] for option in found.params} - {"--json"}
        assert set(re.findall(r"`(--[a-z0-9-]+)`", takes)) == options, name


def test_defaults_said_on_the_page_are_those_of_the_program() -> None:
    for text in ("0.7 V", "100 degC", "850 kg/m^3", "101.325 kPa", "0.61"):
        helps = (command.get_command(None, name) for name in CALCULATORS)
        assert any(f"[default: {text}]" in (o.help or "") for c in helps for o in c.params), text
        assert text in PAGE
