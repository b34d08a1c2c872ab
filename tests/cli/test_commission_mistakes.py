# SPDX-License-Identifier: MIT
"""Each of these mistakes in wiring or setting is found by the step that is there for it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from setups import TIMING, toml

from rig.actions.commission.conduct import STEPS, commission
from rig.actions.commission.hands import SimulatedHands
from rig.actions.commission.record import FAILED, PASSED, Record, StepResult
from rig.config.files.loading import load_setup

WORKSHOP = (Path(__file__).parents[2] / "demo" / "workshop.setup.toml").read_text()
LOOPS = '[stop_input]\nline = 5\npull = "external"\n[cover_input]\nline = 6\npull = "external"\n'
TIMED = toml({
    "heartbeat": {"line": 24},
    "timing": TIMING
    | {"timed_from": "read-back", "source": "simulated", "run": 1, "wired": "as it was"},
})  # fmt: skip
SOUND = WORKSHOP.replace("[limits]", LOOPS + TIMED + "[limits]")
GROUND = SOUND.replace('feed_side = "supply"', 'feed_side = "ground"')

MISTAKES = {
    "drive on the wrong side": ("feed_side", '[simulated.wiring]\nfeed_side = "ground"'),
    "read-back inverted": ("readback_sense",
                           '[simulated.wiring]\nreadback_voltage_reads = "low"'),
    "switch input inverted": ("switch_unplugged",
                              '[simulated.wiring]\nswitch_closed_reads = "high"'),
    "switch and read-back exchanged": ("readback_sense",
                                       '[simulated.wiring]\nswapped = ["switch", "readback"]'),
    "switch wire broken": ("switch_bridged", '[simulated.wiring]\nswitch_wire = "open"'),
    "switch wire to ground": ("switch_unplugged", '[simulated.wiring]\nswitch_wire = "shorted"'),
    "the other contact": ("contact", '[simulated.switch]\ncontact = "normally closed"'),
    "stop bridged": ("stop_input", '[simulated.wiring]\nbridged = ["stop_input"]'),
    "cover bridged": ("cover_input", '[simulated.wiring]\nbridged = ["cover_input"]'),
    "decimal comma": ("gauge", '[simulated.wiring]\ngauge_decimal = "comma"'),
    "slow relay": ("relay", '[simulated.relay]\noperate_time = "30 ms"'),
    "chafed wire": ("noise", '[simulated.wiring]\nswitch_wire_rate = "2 Hz"'),
    "gauge not zeroed": ("zero", '[simulated.gauge]\noffset = "20 kPa"'),
    "gauge of another rate": ("rate", '[simulated.gauge]\nclock_error = "40 %"'),
    "heartbeat circuit that lets go between beats": ("relay",
                                                     '[simulated.wiring]\nheartbeat_hold = "9 ms"'),
    "[timing] of another rig": ("timing", '[simulated.wiring]\nswitch_lag_close = "0.1 ms"'),
    "another unit": ("unit", '[simulated.wiring]\ngauge_unit = "bar"'),
}  # fmt: skip
"""Mistake: the step that finds it first, and how the simulated rig is wired or set."""


def commissioned(folder: Path, text: str, **options: Any) -> Record:
    told: list[StepResult] = []
    file = folder / "rig.setup.toml"
    file.write_text(text)
    made = commission(
        load_setup(file), SimulatedHands(),
        {"by": "a test", "fast": True, "seed": 1, "months": 12} | options, told.append,
    )  # fmt: skip
    assert tuple(told) == made.steps
    return made


@pytest.mark.parametrize("name", MISTAKES)
def test_a_mistake_is_found_by_its_step(name: str, tmp_path: Path) -> None:
    step, wrong = MISTAKES[name]
    made = commissioned(tmp_path, SOUND + "\n" + wrong + "\n")
    failed = [one.id for one in made.steps if one.result == FAILED]
    assert failed[0] == step, [(one.id, one.words) for one in made.steps]
    assert made.result == FAILED
    assert made.exit_code == 1
    assert next(one.remedy for one in made.steps if one.id == step)


def test_no_coil_and_no_lamp_after_a_step_at_rest_failed(tmp_path: Path) -> None:
    made = commissioned(tmp_path, SOUND + "\n" + MISTAKES["read-back inverted"][1] + "\n")
    assert not [one for one in made.steps if one.runs]


@pytest.mark.parametrize("text", [SOUND, GROUND], ids=["supply", "ground"])
def test_a_sound_rig_passes(text: str, tmp_path: Path) -> None:
    made = commissioned(tmp_path, text)
    assert made.result == PASSED, [(one.id, one.words) for one in made.steps]
    assert {one.id for one in made.steps if one.result == PASSED} >= {
        step for step, _ in MISTAKES.values()
    }


def test_every_step_has_a_mistake_or_says_why_it_has_none() -> None:
    without = {
        "flags": "of the board", "clock": "of the board", "disk": "of the board",
        "boot": "a person looks", "hang": "a person looks",
        "late": "real time", "kill": "real time", "heartbeat": "real time",
        "welded": "tried in every sound rig", "fuse": "tried in every sound rig",
        "answers": "see test_commission.py",
    }  # fmt: skip
    assert {step.id for step in STEPS} == {step for step, _ in MISTAKES.values()} | set(without)
