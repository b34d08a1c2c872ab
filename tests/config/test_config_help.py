# SPDX-License-Identifier: MIT
"""The help pages know every key of the models and no other, and their examples load."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from config_texts import put, without
from pydantic import BaseModel

from rig.config.files.loading import pair_from_texts, setup_from_text, sheet_from_text
from rig.config.files.problems import key_of, submodel_of
from rig.config.setup.model import Setup
from rig.config.sheet.model import (
    KINDS,
    NOT_KEYS,
    Accept,
    HoldSheet,
    RampSheet,
    SheetBase,
    StrokesSheet,
)
from rig.core.figures import FIGURES

HELP = Path(__file__).parents[2] / "webui/help"
SETUP_MD = (HELP / "setup.md").read_text()
SHEET_MD = (HELP / "sheet.md").read_text()


def section(text: str, heading: str) -> str:
    (found,) = re.findall(rf"^## {re.escape(heading)}$(.*?)(?=^## |\Z)", text, re.M | re.S)
    return str(found)


def heading(table: str) -> str:
    """Of a table, or of one that may stand there several times."""
    return f"[[{table}]]" if table == "analog" else f"[{table}]"


def rows(text: str) -> set[str]:
    """The keys that have a row of their own."""
    return set(re.findall(r"^\| `([a-z_0-9]+)` \|", text, re.M))


def own_keys(model: type[BaseModel]) -> set[str]:
    """Keys of a model that are no tables."""
    fields = model.model_fields.items()
    return {
        key_of(name, field)
        for name, field in fields
        if name not in NOT_KEYS and submodel_of(field)[0] is None
    }


TABLES = {
    key_of(name, field): model
    for name, field in Setup.model_fields.items()
    if (model := submodel_of(field)[0]) is not None
}


@pytest.mark.parametrize("table", sorted(set(TABLES) - {"simulated"}))
def test_every_key_of_a_table_is_in_the_setup_help(table: str) -> None:
    assert rows(section(SETUP_MD, heading(table))) == own_keys(TABLES[table])


def test_every_key_at_the_top_is_in_the_setup_help() -> None:
    assert rows(section(SETUP_MD, "At the top of the file")) == own_keys(Setup)
    assert "[simulated]" in SETUP_MD


def test_every_key_is_in_the_sheet_help() -> None:
    common = own_keys(SheetBase) | {"kind"}
    assert rows(section(SHEET_MD, "Keys of every sheet")) == common
    for name, model in (("strokes", StrokesSheet), ("hold", HoldSheet), ("ramp", RampSheet)):
        assert rows(section(SHEET_MD, f"Kind {name}")) == own_keys(model) - common


def test_every_figure_is_in_the_sheet_help_with_its_kind_and_ways() -> None:
    text = section(SHEET_MD, "[[accept]]")
    assert rows(text) == own_keys(Accept) | set(FIGURES)
    for name, figure in FIGURES.items():
        (row,) = re.findall(rf"^\| `{name}` \|(.*)\|$", text, re.M)
        kind, _, of = (cell.strip() for cell in row.split("|"))
        assert kind == figure.kind
        assert of == ", ".join(figure.of)


def defaults(text: str) -> dict[str, str]:
    """What the last column of each key's row says."""
    return dict(re.findall(r"^\| `([a-z_0-9]+)` \|.*\| ([^|]+) \|$", text, re.M))


@pytest.mark.parametrize("table", sorted(set(TABLES) - {"simulated"}))
def test_needed_keys_are_said_to_be_needed(table: str) -> None:
    said = defaults(section(SETUP_MD, heading(table)))
    for name, field in TABLES[table].model_fields.items():
        if key_of(name, field) not in own_keys(TABLES[table]):
            continue  # a table of its own
        assert said[key_of(name, field)].startswith("needed") == (
            field.is_required() or (table, key_of(name, field)) == ("limits", "pressure")
        )


EXAMPLES = re.findall(r"```toml\n(.*?)```", SHEET_MD, re.S)


def test_the_setup_example_loads_with_every_key_in_it() -> None:
    (example,) = re.findall(r"```toml\n(.*?)```", SETUP_MD, re.S)
    setup_from_text(example, "setup.md")
    for table in set(TABLES) - {"simulated", "analog"}:  # of sensors there are many kinds
        for key in own_keys(TABLES[table]) - {"ask"}:  # refused beside a pattern alone
            assert f"\n{key} = " in example, f"{table}.{key}"


SENSORS = re.findall(r"```toml\n(.*?)```", (HELP / "sensors.md").read_text(), re.S)


def test_the_sensor_examples_load_and_have_every_key_between_them() -> None:
    (setup,) = re.findall(r"```toml\n(.*?)```", SETUP_MD, re.S)
    start, end = setup.index("[converter]"), setup.index("[stop_input]")
    base = setup[:start] + setup[end:]
    converter = next(e for e in SENSORS if "[converter]" in e)
    for example in SENSORS:
        text = base if 'channel = "pressure"' not in example else without(base, "gauge")
        parts = [text, example] if "[converter]" in example else [text, converter, example]
        parts += [] if "[[analog]]" in "".join(parts) else [ANY_CHANNEL]
        setup_from_text("\n".join(parts), "sensors.md")
    for key in own_keys(TABLES["analog"]):
        assert any(f"\n{key} = " in example for example in SENSORS), key


ANY_CHANNEL = """[[analog]]
channel = "supply_voltage"
input = 7
kind = "voltage"
divider_upper = "47 kohm"
divider_lower = "10 kohm"
"""


@pytest.mark.parametrize("example", EXAMPLES)
def test_the_sheet_examples_load(example: str) -> None:
    (setup,) = re.findall(r"```toml\n(.*?)```", SETUP_MD, re.S)
    sheet_from_text(example, "sheet.md")
    pair_from_texts(setup, "setup.md", example, "sheet.md")


def test_there_is_an_example_of_each_kind() -> None:
    assert [sheet_from_text(example, "x").sheet.kind for example in EXAMPLES] == list(KINDS)


def test_defaults_said_in_the_help_are_those_of_the_program() -> None:
    """A file with the defaults written out is the same setup as one without them."""
    (setup,) = re.findall(r"```toml\n(.*?)```", SETUP_MD, re.S)
    plain = written = without(without(setup, "gauge"), "calibration")
    for key in ("pressure", "gauge_stale"):
        plain = written = put(plain, f"limits.{key}", None)
    for table in ("relay", "switch", "readback", "limits", "coil"):
        for key, said in defaults(section(SETUP_MD, f"[{table}]")).items():
            value = re.fullmatch(r"`([^`]+)`", said)
            if value is not None and not (table == "switch" and key == "pull"):
                plain = put(plain, f"{table}.{key}", None)
                written = put(written, f"{table}.{key}", value.group(1))
    assert plain != written
    assert setup_from_text(plain, "x").setup == setup_from_text(written, "x").setup
