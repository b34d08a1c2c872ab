# SPDX-License-Identifier: MIT
"""The demo's leak-down: its limit tells the invented rig's sound seals from its leaking ones."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from rig.cli.run import command

DEMO = Path(__file__).parents[2] / "demo"


@pytest.mark.parametrize(
    ("fault", "verdict"), [(None, "conforms"), ("leaking lock seals", "does_not_conform")]
)
def test_the_limit_fits_the_invented_rig(rig_data: Path, fault: str | None, verdict: str) -> None:
    text = (DEMO / "leak-down.setup.toml").read_text()
    if fault:
        text = text.replace("[simulated]\n", f'[simulated]\nfault = "{fault}"\n')
    setup = rig_data / "leak.setup.toml"
    setup.write_text(text)
    args = [str(setup), str(DEMO / "leak-down.sheet.toml"), "--fast", "--json"]
    found = json.loads(CliRunner().invoke(command, args).stdout)
    assert found["verdict"]["result"] == verdict
    held = found["hold"]
    if fault is None:  # decided although it falls along a curve: what it lost over the watch
        assert held["rate_is"] == "mean of the watch"
        trace = held["trace"]
        lost_kpa = trace["pressure_kpa"][0] - trace["pressure_kpa"][-1]
        seconds = (trace["t_ms"][-1] - trace["t_ms"][0]) / 1000
        low, high = held["interval95"]
        assert low - 2 < lost_kpa / seconds < high + 2  # two readings with their scatter
        assert high < found["verdict"]["limits"][0]["max"]
