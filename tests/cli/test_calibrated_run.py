# SPDX-License-Identifier: MIT
"""Known truth: a simulated gauge that is off by a known amount, calibrated, gives the pressures of
a true one, and its interval covers them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from rig.cli.main import cli
from rig.config.plant.parts import SwitchPart

DEMO = Path(__file__).parents[2] / "demo"
OFFSET_KPA = 14.0
SWITCH = SwitchPart()
"""Of the simulated rig: what the run should find."""


def ramp(tmp_path: Path, offset_kpa: float, *, calibrated: bool) -> dict[str, object]:
    setup = tmp_path / f"{offset_kpa:g}-{calibrated}.setup.toml"
    text = (DEMO / "workshop.setup.toml").read_text()
    setup.write_text(f'{text}\n[simulated.gauge]\noffset = "{offset_kpa:g} kPa"\n')
    runner = CliRunner()
    if calibrated:
        points = [
            word
            for truth, scatter in zip(
                range(0, 401, 50), (1, -1, 0, 2, -2, 1, -1, 0, 1), strict=True
            )
            for word in ("--point", f"{truth} kPa={truth + offset_kpa + 0.1 * scatter} kPa")
        ]
        made = runner.invoke(
            cli, ["calibrate", str(setup), "--reference", "invented", "--reference-uncertainty",
                  "0.5 kPa", "--write", *points],
        )  # fmt: skip
        assert made.exit_code == 0, made.output
    done = runner.invoke(
        cli, ["run", str(setup), str(DEMO / "switch-pressures.sheet.toml"), "--fast", "--json"]
    )
    result: dict[str, object] = json.loads(done.stdout.strip().splitlines()[-1])
    return result


@pytest.mark.parametrize("figure", ["actuation_kpa", "reset_kpa"])
def test_a_gauge_that_is_off(tmp_path, monkeypatch, figure):
    monkeypatch.setenv("RIG_DATA", str(tmp_path / "data"))
    raw = ramp(tmp_path, OFFSET_KPA, calibrated=False)
    mended = ramp(tmp_path, OFFSET_KPA, calibrated=True)
    was, found = (shape["ramp"]["summary"][figure]["mean"] for shape in (raw, mended))
    assert found == pytest.approx(was - OFFSET_KPA, abs=0.3)
    budget = mended["budget"][figure]
    true = {"actuation_kpa": SWITCH.actuation_kpa, "reset_kpa": SWITCH.reset_kpa}[figure]
    assert abs(found - true) < budget["U"]
    assert abs(was - true) > 3 * budget["U"]
    assert budget["U"] < 0.9 * raw["budget"][figure]["U"]
    names = {line["name"] for line in budget["lines"]}
    assert {"gauge calibration", "reference gauge"} <= names
    assert mended["calibration"]["state"] == "in date"
    # both of the differential's pressures are corrected alike: an offset leaves it as it is
    assert mended["ramp"]["summary"]["differential_kpa"]["mean"] == pytest.approx(
        raw["ramp"]["summary"]["differential_kpa"]["mean"], abs=0.2
    )
