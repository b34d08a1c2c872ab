# SPDX-License-Identifier: MIT
"""The help page on the log names every status, record and file that there is."""

import re
from pathlib import Path

import pytest

from rig.cli.main import cli
from rig.core import records
from rig.runlog.tables import STATUSES

HELP = (Path(__file__).parents[2] / "webui/help/log.md").read_text()


@pytest.mark.parametrize("status", STATUSES)
def test_every_status_is_explained(status):
    word = "stopped (`aborted` in JSON)" if status == "aborted" else status  # as people read it
    assert f"\n| {word} | " in HELP


def test_every_record_is_explained_with_all_its_fields():
    for kind, tag in records._TAGS.items():
        (row,) = [line for line in HELP.splitlines() if line.startswith(f"| `{tag}` |")]
        assert len(row.split("|")[3].split(",")) == len(kind._fields), kind


def test_the_commands_it_shows_are_understood():
    shown = re.findall(r"\n    rig ([a-z]+)(.*)", HELP)
    assert {name for name, _ in shown} == {"backup", "recover"}
    for name, arguments in shown:
        command = cli.get_command(None, name)
        command.make_context(name, arguments.split())  # raises where it is not understood
