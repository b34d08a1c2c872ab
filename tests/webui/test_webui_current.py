# SPDX-License-Identifier: MIT
"""The page of a run with a current sensor and a calibrated gauge says what both showed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from click.testing import CliRunner
from flask.testing import FlaskClient
from setups import calibration, workshop_sheet

from rig.cli.main import cli

DEMO = Path(__file__).parents[2] / "demo"
TABLE = calibration((0, 0), (200, 198.1), (400, 395.9), reference="test gauge <b>4</b>, invented")


def test_a_run_with_current_and_calibration(client: FlaskClient, tmp_path: Path) -> None:
    setup = tmp_path / "x.setup.toml"
    setup.write_text((DEMO / "engine.setup.toml").read_text() + TABLE)
    sheet = tmp_path / "x.sheet.toml"
    sheet.write_text(workshop_sheet(4))
    done = CliRunner().invoke(cli, ["run", str(setup), str(sheet), "--fast", "--tsv"])
    assert "run\t1" in done.stdout, done.output
    page = client.get("/runs/1").text
    assert "Coil current" in page
    assert "the plunger moved in 4 of 4 strokes" in page
    assert "OUT OF DATE" in page
    assert "test gauge &lt;b&gt;4&lt;/b&gt;" in page
    with client.get("/static/help/coil-current.svg") as picture:
        assert picture.status_code == 200
        assert picture.mimetype == "image/svg+xml"


def test_a_run_without_either_has_neither_part(
    client: FlaskClient, written: Callable[..., int]
) -> None:
    page = client.get(f"/runs/{written(strokes=3)}").text
    assert "current-title" not in page
    assert "calibration-title" not in page
