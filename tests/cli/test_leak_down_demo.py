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
    ("fault", "verdict"), [(None, "undecided"), ("leaking lock seals", "does_not_conform")]
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
    if fault is None:  # within the limit; what keeps it undecided is the shape of the fall, which
        # makes neighbouring readings deviate alike, so that its rate says little
        assert found["hold"]["decay_rate_kpa_s"] < found["verdict"]["limits"][0]["max"]
        assert "straight line" in found["verdict"]["why"]
