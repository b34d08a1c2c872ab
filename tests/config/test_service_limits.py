# SPDX-License-Identifier: MIT
"""Limits of service information: found, checked, taken into a sheet, and kept with it."""

from __future__ import annotations

import datetime
import re
from pathlib import Path

import pytest
from config_texts import SETUP, STROKES, put

from rig.config.files.loading import (
    load_pair,
    load_sheet,
    pair_from_texts,
    setup_from_text,
    sheet_from_text,
)
from rig.config.files.problems import key_of
from rig.config.service.model import ServiceLimits
from rig.config.service.rules import service_cautions
from rig.core import places
from rig.core.errors import FileProblems

ROOT = Path(__file__).parents[2]
LIMITS = """\
kind = "an invented kind"
source = "invented, page 1"
by = "A. Example"
date = "2026-01-15"
review = "2027-01-15"
pressure_max = "110 psi"
oil_temperature_max = "130 degC"
on_time_max = "20 s"
duty_max = "75 %"
base_pressure_min = "15 psi"
coil_resistance = ["13 ohm", "16 ohm"]
supply_voltage = ["11 V", "15 V"]
[[accept]]
figure = "release"
of = "mean"
max = "120 ms"
[[accept]]
figure = "response"
of = "mean"
max = "200 ms"
[[accept]]
figure = "decay_rate"
max = "3 psi/s"
"""
SHEET = 'service = "kind-a"\n' + STROKES


def written(folder: Path, limits: str = LIMITS, sheet: str = SHEET, setup: str = SETUP) -> Path:
    (folder / "kind-a.limits.toml").write_text(limits)
    (folder / "a.sheet.toml").write_text(sheet)
    (folder / "a.setup.toml").write_text(setup)
    return folder


def problems(folder: Path) -> list[tuple[str, str, str]]:
    with pytest.raises(FileProblems) as caught:
        load_pair(folder / "a.setup.toml", folder / "a.sheet.toml")
    return [(Path(p.file).name, p.key, p.what) for p in caught.value.problems]


def test_a_sheet_takes_the_limits_that_it_has_none_of_its_own_for(tmp_path: Path) -> None:
    _, loaded = load_pair(written(tmp_path) / "a.setup.toml", tmp_path / "a.sheet.toml")
    assert loaded is not None and loaded.service is not None
    accept = {(a.figure, a.of): a.max_value for a in loaded.sheet.accept}
    assert accept["release", "mean"] == pytest.approx(120.0)
    assert accept["response", "mean"] == pytest.approx(150.0), "the sheet's own, which is tighter"
    assert not any(figure == "decay_rate" for figure, _ in accept), "a hold sheet measures that"
    assert "A. Example on 2026-01-15" in str(loaded.sheet.service_taken)


def test_what_was_taken_stands_in_the_text_and_survives_the_file(tmp_path: Path) -> None:
    first = load_sheet(written(tmp_path) / "a.sheet.toml")
    (tmp_path / "kind-a.limits.toml").write_text(LIMITS.replace("120 ms", "90 ms"))
    second = load_sheet(tmp_path / "a.sheet.toml")
    assert first.hash != second.hash
    (tmp_path / "kind-a.limits.toml").unlink()
    again = sheet_from_text(first.text, "stored")
    assert again.sheet == first.sheet and again.hash == first.hash


def test_a_base_pressure_is_taken_where_the_sheet_states_none(tmp_path: Path) -> None:
    bare = SHEET.replace('base_pressure_min = "20 psi"\n', "")
    sheet = load_sheet(written(tmp_path, sheet=bare) / "a.sheet.toml").sheet
    assert sheet.base_pressure_min_kpa == pytest.approx(15 * 6.894757, rel=1e-6)


def test_the_data_folder_is_looked_into_last(tmp_path: Path) -> None:
    folder = places.data_dir() / "limits"
    folder.mkdir()
    (folder / "kind-a.limits.toml").write_text(LIMITS.replace("an invented kind", "of the data"))
    _, loaded = pair_from_texts(SETUP, "a.setup.toml", SHEET, "a.sheet.toml")
    assert loaded.service is not None and loaded.service.kind == "of the data"
    beside = load_sheet(written(tmp_path) / "a.sheet.toml")
    assert beside.service is not None and beside.service.kind == "an invented kind"


@pytest.mark.parametrize(
    ("key", "value"),
    [("limits.pressure", '"120 psi"'), ("limits.on_time", '"25 s"'), ("limits.duty", '"80 %"')],
)
def test_a_setup_beyond_service_information_is_refused(
    tmp_path: Path, key: str, value: str
) -> None:
    setup = put(SETUP, key, value)
    assert setup != SETUP
    found = problems(written(tmp_path, setup=setup))
    assert [(file, where) for file, where, _ in found] == [("a.setup.toml", key)]
    assert "goes beyond the service information" in found[0][2]


def test_a_wider_limit_of_the_sheet_is_refused(tmp_path: Path) -> None:
    found = problems(written(tmp_path, sheet=SHEET.replace('max = "150 ms"', 'max = "250 ms"')))
    assert len(found) == 1 and found[0][0] == "a.sheet.toml"
    assert "at most 200" in found[0][2]


def test_an_open_end_where_service_information_has_one_is_refused(tmp_path: Path) -> None:
    found = problems(written(tmp_path, sheet=SHEET.replace('max = "150 ms"\n', "")))
    assert any("this has none" in what for _, _, what in found)


def test_a_lower_base_pressure_is_refused(tmp_path: Path) -> None:
    found = problems(written(tmp_path, sheet=SHEET.replace('"20 psi"', '"10 psi"')))
    assert [key for _, key, _ in found] == ["base_pressure_min"]


@pytest.mark.parametrize(
    ("limits", "key", "words"),
    [
        (LIMITS.replace('by = "A. Example"\n', ""), "by", "missing"),
        (LIMITS.replace('date = "2026-01-15"', 'date = "15.1.26"'), "date", "not a date"),
        (LIMITS.replace("2026-01-15", "2099-01-15"), "date", "has not come yet"),
        (LIMITS.replace("2027-01-15", "2025-01-15"), "review", "not after date"),
        (LIMITS.replace('"110 psi"', '"110"'), "pressure_max", "no unit"),
        (LIMITS.replace('"110 psi"', "nan"), "pressure_max", "not a finite number"),
        (LIMITS.replace("pressure_max", "presure_max"), "presure_max", "not known"),
        (LIMITS.replace('max = "120 ms"', "#"), "accept[1 of 3]", "neither max nor min"),
        (LIMITS.split("pressure_max")[0], "", "no limit in it"),
        ("kind = [", "", ""),
    ],
)
def test_a_wrong_limits_file_is_refused_by_its_name(
    tmp_path: Path, limits: str, key: str, words: str
) -> None:
    found = problems(written(tmp_path, limits=limits))
    mine = [(where, what) for file, where, what in found if file == "kind-a.limits.toml"]
    assert mine, found
    if words:
        assert any(where == key and words in what.lower() for where, what in mine), mine


@pytest.mark.parametrize("name", ["gone", "../kind-a", "/etc/passwd", "a/b", ".hidden"])
def test_a_name_that_leads_nowhere_is_refused(tmp_path: Path, name: str) -> None:
    found = problems(written(tmp_path, sheet=SHEET.replace("kind-a", name)))
    assert [(file, key) for file, key, _ in found] == [("a.sheet.toml", "service")]


def test_a_copy_of_what_a_run_kept_is_no_sheet(tmp_path: Path) -> None:
    kept = load_sheet(written(tmp_path) / "a.sheet.toml").text
    (tmp_path / "a.sheet.toml").write_text(kept)
    assert [key for _, key, _ in problems(tmp_path)] == ["service_taken"]


def test_a_coil_outside_the_stated_range_is_said_and_not_refused(tmp_path: Path) -> None:
    setup = put(SETUP, "coil.resistance", '"20 ohm"')
    loaded, sheet = load_pair(
        written(tmp_path, setup=setup) / "a.setup.toml", tmp_path / "a.sheet.toml"
    )
    assert sheet is not None and sheet.service is not None
    said = service_cautions(loaded.setup, sheet.service, datetime.date(2026, 6, 1))
    assert [one.id for one in said] == [
        "caution.outside-service-information", "caution.nothing-trips-at-stated",
    ]  # fmt: skip
    assert "13 to 16 ohm" in said[0].words
    assert "130 degC" in said[1].words and "limits.oil_temperature" in said[1].words
    late = service_cautions(loaded.setup, sheet.service, datetime.date(2027, 6, 1))
    assert "caution.review-due" in {one.id for one in late}


def test_the_shipped_example_is_the_only_one_and_says_that_it_is_invented() -> None:
    (only,) = [p for p in ROOT.rglob("*.limits.toml") if ".venv" not in p.parts]
    assert "INVENTED" in only.read_text() and only.parent.name == "demo"
    sheet = 'service = "example-valve"\n' + (ROOT / "demo/workshop.sheet.toml").read_text()
    folder = places.data_dir() / "limits"
    folder.mkdir()
    (folder / only.name).write_text(only.read_text())
    setup = (ROOT / "demo/workshop.setup.toml").read_text()
    loaded, taken = pair_from_texts(setup, "workshop", sheet, "workshop")
    assert taken.service is not None
    assert not service_cautions(loaded.setup, taken.service, datetime.date(2026, 12, 1))


def test_every_key_is_in_the_help_and_its_example_loads() -> None:
    page = (ROOT / "webui/help/limits.md").read_text()
    keys = {key_of(n, f) for n, f in ServiceLimits.model_fields.items()} - {"accept"}
    table = page.split("## Keys")[1].split("## What")[0]
    firsts = [row.split("|")[1] for row in table.splitlines() if row.startswith("| `")]
    assert set(re.findall(r"`([a-z_]+)`", "".join(firsts))) == keys
    (example,) = re.findall(r"```toml\n(.*?)```", page, re.S)
    folder = places.data_dir() / "limits"
    folder.mkdir()
    (folder / "kind-a.limits.toml").write_text(example)
    assert pair_from_texts(SETUP, "s", SHEET, "s")[1].service is not None
    for key in keys:
        assert f"\n{key} = " in "\n" + example, key


def test_a_setup_without_a_sheet_needs_no_limits() -> None:
    assert setup_from_text(SETUP, "s").setup.limits.pressure_kpa is not None
