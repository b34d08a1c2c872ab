# SPDX-License-Identifier: MIT
"""Draws wiring.svg and sensors.svg for the pages: `.venv/bin/python hardware/wiring.py`.

What is drawn of your own rig comes from your own setup: `rig wiring SETUP --svg FILE`.
"""

from __future__ import annotations

import sys
from pathlib import Path

from rig.config.files.loading import load_setup, setup_from_text
from rig.wiring.draw import Picture, pictures, sheet

HERE = Path(__file__).resolve().parent
OPTIONS = """
[heartbeat]
line = 24
[stop_input]
line = 5
pull = "external"
[cover_input]
line = 6
pull = "external"
"""


def of_rig() -> list[Picture]:
    """The bench with everything that is optional, and the coil of the other feed side."""
    text = (HERE / "bench.setup.toml").read_text() + OPTIONS
    ground = text.replace('feed_side = "supply"', 'feed_side = "ground"')
    coil, *others = pictures(setup_from_text(text, "bench").setup)
    return [coil, pictures(setup_from_text(ground, "bench").setup)[0], *others]


def of_sensors() -> list[Picture]:
    """Its coil with the shunt, and what the setup with sensors has more than the rig."""
    rig = {picture.title for picture in of_rig()}
    setup = load_setup(HERE / "engine-with-sensors.setup.toml").setup
    coil, *others = pictures(setup)
    return [coil, *(picture for picture in others if picture.title not in rig)]


def drawings() -> dict[Path, str]:
    """Each file and what it has to hold."""
    return {
        HERE / "wiring.svg": sheet(of_rig(), "Both feed sides, and everything optional"),
        HERE / "sensors.svg": sheet(of_sensors(), "What engine-with-sensors.setup.toml wires"),
    }


if __name__ == "__main__":
    for file, svg in drawings().items():
        file.write_text(svg)
        sys.stdout.write(f"{file}\n")
