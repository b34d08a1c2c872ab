# SPDX-License-Identifier: MIT
"""The ten gauges of the help page: each is emulated from the page's own text, and read through
`rig gauge` by the page's own lines."""

from __future__ import annotations

import json
import re
import subprocess
from pathlib import Path

import pytest
from emulated_gauges import emulated
from live_runs import command

ROOT = Path(__file__).parents[2]

PAGE = (ROOT / "webui/help/gauges-ten.md").read_text()
TEN = re.findall(r"^## ([0-9]+\..*?)$.*?```text\n(.*?)```.*?```toml\n(.*?)```", PAGE, re.M | re.S)
REST = (
    'backend = "board"\nmedium = "oil"\n[coil]\nfeed_side = "supply"\nsupply_voltage = "12 V"\n'
    'fuse = "2 A"\nresistance = "22 ohm"\n[relay]\nline = 17\n[switch]\nline = 22\n'
    'contact = "normally open"\n[limits]\npressure = "600 kPa"\n'
)
KPA = 241.3


def test_there_are_ten() -> None:
    assert len(TEN) == 10


SECTION = (
    (ROOT / "webui/help/gauge.md")
    .read_text()
    .partition("### Gauges framed by control characters")[2]
)
MARKED = re.findall(r"```text\n(.*?)```.*?```toml\n(.*?)```", SECTION, re.S)


def sent(text: str) -> str:
    """A line of the page as it goes over the wire: bytes in hexadecimal, or escapes."""
    if re.fullmatch(r"(?:[0-9A-F]{2} )+[0-9A-F]{2}", text):
        return bytes.fromhex(text).decode("latin-1")
    text = text.replace("{STX}", "\x02").replace("{ETX}", "\x03")
    return text.replace("\\n", "\n").replace("\\r", "\r")


def plan_of(sends: str) -> dict[str, object]:
    lines = sends.splitlines()
    if lines[0].startswith("> "):
        return {"answers": {sent(lines[0][2:]): sent(lines[1][2:])}, "late_ms": 2}
    end = "" if lines[0].endswith("{ETX}") else "\r\n"
    return {"lines": [sent(line) + end for line in lines], "period_ms": 30}


def test_one_is_framed_by_control_characters() -> None:
    assert len(MARKED) == 1


@pytest.mark.parametrize(
    ("title", "sends", "toml"),
    [*TEN, *(("framed", *one) for one in MARKED)],
    ids=[one[0] for one in TEN] + ["framed"] * len(MARKED),
)
def test_each_is_read_by_its_lines_alone(tmp_path: Path, title: str, sends: str, toml: str) -> None:
    with emulated(tmp_path, **plan_of(sends)) as (port, _):
        path = tmp_path / "x.setup.toml"
        path.write_text(REST.replace("[limits]", toml.replace("PORT", port) + "[limits]"))
        done = subprocess.run(
            command("gauge", str(path), "--json", "--seconds", "0.6"),
            capture_output=True, text=True, timeout=60,
        )  # fmt: skip
    assert done.returncode == 0, done.stderr
    said = [json.loads(line) for line in done.stdout.splitlines()]
    assert not [item for item in said if "condition" in item], said
    pressures = [item for item in said if item["channel"] == "pressure"]
    good = [item for item in pressures if item["quality"] == "good"]
    assert len(good) >= 3
    for item in good:
        assert item["value"] == pytest.approx(KPA, abs=0.05) and item["unit"] == "kPa"
    others = {item["quality"] for item in pressures} - {"good"}
    assert others == ({"not a number"} if "OL" in sends else set())
    if "oil_temperature" in toml:
        warm = [item["value"] for item in said if item["channel"] == "oil_temperature"]
        assert warm and set(warm) == {90.5}
