# SPDX-License-Identifier: MIT
"""Conditions that a rig measures by itself are not asked for."""

from __future__ import annotations

import re
from pathlib import Path

from page_client import plain

from rig.config.files.loading import load_pair
from rig.core import places
from webui.app import create_app
from webui.live.files import Files
from webui.live.hub import Hub
from webui.live.measured import measured, read_before

DEMO = Path(__file__).parents[2] / "demo"
ENGINE, WORKSHOP = DEMO / "engine.setup.toml", DEMO / "workshop.setup.toml"


def page(tmp_path: Path, *setups: Path) -> str:
    hub = Hub(places.state_dir(), Files(setups, [DEMO], tmp_path / "own"))
    try:
        app = create_app({"HUB": hub, "RUN_LOG": tmp_path / "none.sqlite"})
        return app.test_client().get("/bench").text
    finally:
        hub.close()


def asked(text: str) -> set[str]:
    names = re.findall(r'<input name="([a-z_]+)"', text)
    return {"oil_temperature", "base_pressure", "supply_voltage", "idle_speed"} & set(names)


def test_a_sensor_measures_what_its_channel_says() -> None:
    setup = load_pair(ENGINE, None)[0].setup
    wired = {item.channel for item in setup.analog}
    found = measured(setup)
    for name in ("oil_temperature", "supply_voltage"):
        assert (name in found) == (name in wired)
    assert ("idle_speed" in found) == (setup.engine_speed is not None)
    assert found and "base_pressure" not in found
    assert measured(load_pair(WORKSHOP, None)[0].setup) == {}


def test_what_the_one_rig_measures_is_said_and_not_asked(tmp_path: Path) -> None:
    text = page(tmp_path, ENGINE)
    found = measured(load_pair(ENGINE, None)[0].setup)
    assert asked(text).isdisjoint(found) and "base_pressure" in asked(text)
    for name in found:
        label = name.replace("_", " ").capitalize()
        assert f"{label} measured: {found[name]}" in plain(text)
    assert asked(page(tmp_path, WORKSHOP)) == {
        "oil_temperature", "base_pressure", "supply_voltage", "idle_speed"
    }  # fmt: skip


def test_where_only_one_of_two_rigs_measures_it_both_ways_stand_there(tmp_path: Path) -> None:
    """Without scripts everything can be typed; the script shows what holds for the chosen rig."""
    text = page(tmp_path, ENGINE, WORKSHOP)
    for name in measured(load_pair(ENGINE, None)[0].setup):
        assert name in asked(text)
        assert re.search(rf'data-condition="{name}" data-measured="engine" hidden', text)


def test_the_last_reading_is_that_of_the_run_before() -> None:
    rows = [{"name": "Oil temperature", "shown": "88.1 degC"}, {"name": "Pressure", "shown": "1"}]
    assert read_before(rows) == {"oil_temperature": "(88.1 degC at the end of the run before)"}
    assert read_before([{"name": "Oil temperature", "shown": None}]) == {}
