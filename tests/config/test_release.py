# SPDX-License-Identifier: MIT
"""What switching a coil off needs is the same with the setup's model and without."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from rig.config.files.loading import load_setup
from rig.config.files.resolved import dump
from rig.config.files.toml_file import parse_file, parse_text
from rig.config.setup.release import RelayLine, readback_of, relay_line

ROOT = Path(__file__).resolve().parents[2]
SETUPS = sorted([*ROOT.glob("hardware/*.setup.toml"), *ROOT.glob("demo/*.setup.toml")])
WRITTEN = """\
backend = "board"
[coil]
feed_side = "ground"
[relay]
line = 17
[readback]
line = 27
[limits]
readback_delay = "400 ms"
"""


def read(text: str) -> RelayLine | None:
    return relay_line(parse_text(text, "a setup").data)


@pytest.mark.parametrize("path", SETUPS, ids=lambda path: path.name)
def test_every_ready_setup_reads_as_its_model_does(path: Path) -> None:
    setup = load_setup(path).setup
    named = relay_line(parse_file(path).data)
    assert named is not None
    assert named[:3] == (setup.backend, setup.chip, setup.relay.line)
    assert readback_of(named.plan) == readback_of(dump(setup))
    found = readback_of(named.plan)
    assert (found is None) == (setup.readback is None)
    if found is not None and setup.readback is not None:
        assert found.live_level == setup.coil_live_level
        assert found.delay_s == setup.limits.readback_delay_s


def test_keys_that_a_setup_states() -> None:
    named = read(WRITTEN)
    assert named is not None
    found = readback_of(named.plan)
    assert found is not None
    assert found == (27, "external", 0, pytest.approx(0.4), "ground")


@pytest.mark.parametrize(
    ("was", "now"),
    [
        ('backend = "board"', ""),
        ('backend = "board"', 'backend = "other"'),
        ("line = 17", 'line = "17"'),
        ("line = 17", "line = true"),
        ("line = 17", "line = -1"),
        ("line = 17", "line = 27"),
        ('backend = "board"', 'backend = "board"\nchip = 3'),
        ('"400 ms"', '"400"'),
        ('"400 ms"', '"-400 ms"'),
        ('"400 ms"', "400"),
        ('"ground"', '"left"'),
        ("[readback]\nline = 27", '[readback]\nline = 27\npull = "sideways"'),
        ("[readback]\nline = 27", '[readback]\nline = 27\nvoltage_reads = "dim"'),
        ("[relay]\nline = 17", "relay = 17"),
    ],
)
def test_whatever_looks_odd_is_left_to_the_model(was: str, now: str) -> None:
    assert was in WRITTEN
    assert read(WRITTEN.replace(was, now, 1)) is None


@pytest.mark.parametrize(
    ("table", "key", "value"),
    [
        ("readback", "line", None),
        ("readback", "voltage_reads", 1),
        ("coil", "feed_side", ["supply"]),
        ("limits", "readback_delay_s", float("nan")),
        ("limits", "readback_delay_s", float("inf")),
        ("limits", "readback_delay_s", "soon"),
    ],
)
def test_a_damaged_plan_has_no_read_back(table: str, key: str, value: Any) -> None:
    plan = dump(load_setup(ROOT / "hardware/bench.setup.toml").setup)
    assert readback_of(plan) is not None
    assert readback_of({**plan, table: {**plan[table], key: value}}) is None
    assert readback_of({**plan, table: None}) is None


def test_rig_safe_loads_no_models(tmp_path: Path) -> None:
    """At the boot of a small board they take seconds, while the line may be driven."""
    (tmp_path / "bench.setup.toml").write_bytes((ROOT / "hardware/bench.setup.toml").read_bytes())
    script = (
        "import sys\n"
        "from rig.cli.main import answer\n"
        f"code = answer(['safe', {str(tmp_path)!r}])\n"
        "print([m for m in ('pydantic', 'numpy', 'sqlalchemy', 'pint', 'rig.core.results.run')\n"
        "       if m in sys.modules], code)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert done.stdout.splitlines()[-1] == "[] 0", done.stdout + done.stderr
