# SPDX-License-Identifier: MIT
"""`rig gauge`: live, overheard at a running bench, and --find on gauges it was not told of."""

from __future__ import annotations

import json
import os
import re
import subprocess
from pathlib import Path
from typing import Any

import pytest
from emulated_gauges import emulated
from gauge_texts import whole
from live_runs import command, live_run, rig, write_files
from test_gauges_ten import REST

from rig.core import places, state_file
from rig.core.state_file import RigState


def said(text: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in text.splitlines()]


def test_the_simulated_gauge_says_that_it_is_simulated(tmp_path: Path) -> None:
    setup, _ = write_files(tmp_path)
    done = rig("gauge", setup, "--seconds", "0.5")
    assert done.returncode == 0
    assert "SIMULATED" in done.stderr and "0 frames rejected" in done.stderr
    assert "pressure" in done.stdout and "good" in done.stdout
    done = rig("gauge", setup, "--seconds", "0.5", "--json")
    items = said(done.stdout)
    assert len(items) >= 5 and {tuple(item) for item in items} == {
        ("channel", "value", "unit", "t_ns", "quality")
    }
    done = rig("gauge", setup, "--seconds", "0.5", "--raw")
    assert "raw  " in done.stdout and "kPa" in done.stdout


def test_a_running_bench_is_overheard_and_not_disturbed(tmp_path: Path) -> None:
    with live_run(tmp_path) as run:
        run.wait_strokes(1)
        done = rig("gauge", str(tmp_path / "a.setup.toml"), "--seconds", "1", "--json")
        assert done.returncode == 0, done.stderr
        assert len(said(done.stdout)) >= 5
        code, _, err = run.finish()
    assert code == 0, err


def test_the_end_of_the_bench_ends_the_listening_in_words(tmp_path: Path) -> None:
    with live_run(tmp_path) as run:
        run.wait_strokes(1)
        listening = subprocess.Popen(
            command("gauge", str(tmp_path / "a.setup.toml"), "--json"),
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert listening.stdout is not None
        assert json.loads(listening.stdout.readline())["channel"] == "pressure"
        run.process.send_signal(2)
        _, err = listening.communicate(timeout=60)
    assert listening.returncode == 4
    assert "The bench has ended" in err and "Traceback" not in err


@pytest.mark.parametrize("words", [(), ("x.setup.toml", "--find", "/dev/null")])
def test_one_of_setup_and_find(words: tuple[str, ...]) -> None:
    done = rig("gauge", *words)
    assert done.returncode == 2 and "--find PORT" in done.stderr


def test_a_setup_without_a_gauge(tmp_path: Path) -> None:
    path = tmp_path / "x.setup.toml"
    path.write_text(REST.replace('[limits]\npressure = "600 kPa"\n', ""))
    done = rig("gauge", str(path))
    assert done.returncode == 2 and "--find PORT" in done.stderr


def test_a_port_of_a_running_bench_is_not_looked_at(tmp_path: Path) -> None:
    name = tmp_path / "gauge"
    name.symlink_to("/dev/null")
    state = RigState(
        "a-line17", "board", "a", 17, {"gauge": {"port": "/dev/null"}}, state_file.this_process()
    )
    state_file.write(state_file.state_path(places.state_dir(), "a-line17"), state)
    done = rig("gauge", "--find", str(name), "--yes")
    assert done.returncode == 4 and "whose bench runs now" in done.stderr


def test_a_port_that_is_not_there() -> None:
    done = rig("gauge", "--find", "/dev/ttyUSB77", "--yes")
    assert done.returncode == 4 and "not there" in done.stderr


def find(folder: Path, **plan: Any) -> tuple[str, list[dict[str, Any]]]:
    """--find on an emulated gauge; its lines go into a setup as a person would do it, and that
    setup reads the gauge."""
    with emulated(folder, **plan) as (port, _):
        done = subprocess.run(
            command("gauge", "--find", port, "--yes"), capture_output=True, text=True, timeout=110
        )
        assert done.returncode == 0, done.stderr
        table = done.stdout
        for key, highest in (("measuring_range", 1000), ("expected_range", 500)):
            unit = re.search(rf"# {key} = \[.*, \"\?\?\? (\S+)\"\]", table)
            assert unit is not None and unit[1] in (done.stderr + "kPa"), table
            blank = f'# {key} = ["??? {unit[1]}", "??? {unit[1]}"]'
            assert blank in table
            table = table.replace(blank, f'{key} = ["0 kPa", "{highest} kPa"]')
        path = folder / "x.setup.toml"
        rest = REST.replace("600 kPa", "100 psi")
        if "# unit" in table:  # a guess does not go live by itself
            path.write_text(rest.replace("[limits]", table + "[limits]"))
            refused = rig("check", str(path))
            assert refused.returncode == 2 and "unit" in refused.stderr, refused.stderr
        path.write_text(rest.replace("[limits]", table.replace("# unit", "unit") + "[limits]"))
        checked = rig("check", str(path))
        assert checked.returncode == 0, checked.stderr
        read = rig("gauge", str(path), "--json", "--seconds", "1")
        assert read.returncode == 0, read.stderr
    return done.stderr, [item for item in said(read.stdout) if item.get("quality") == "good"]


def test_find_lines_and_use_them(tmp_path: Path) -> None:
    lines = [f"no {n} P: {240 + n % 7}.{n % 10} kPa\r\n" for n in range(50)]
    told, items = find(tmp_path, lines=lines, period_ms=40)
    assert "Is that what the gauge shows?" in told
    assert items and all(240 <= item["value"] <= 247 for item in items)


@pytest.mark.parametrize("end", ["\x03", "\x03\r\n", "\x03\x04"])
def test_find_a_gauge_between_control_characters_and_use_it(tmp_path: Path, end: str) -> None:
    lines = [f"\x02P {240 + n % 7}.{n % 10} kPa{end}" for n in range(50)]
    told, items = find(tmp_path, lines=lines, period_ms=40)
    assert "read as 24" in told and "{STX}P 24" in told
    assert items and all(240 <= item["value"] <= 247 for item in items)


def test_find_a_gauge_that_answers_text_and_use_it(tmp_path: Path) -> None:
    answers = {"*IDN?\n": "INVENTED,P1,0,1\n", "MEAS:PRES?\n": "+2.413E+02\n"}
    told, items = find(tmp_path, answers=answers)
    assert "INVENTED,P1" in told
    assert items and {item["value"] for item in items} == {241.3}


def test_find_a_modbus_device_and_use_it(tmp_path: Path) -> None:
    def ask(function: int, address: int) -> str:
        return whole(bytes([3, function, 0, address, 0, 1])).decode("latin-1")

    answers = {ask(3, 0): whole(bytes([3, 3, 2, 0, 241])).decode("latin-1")}
    for function in (3, 4):
        for address in range(10):
            refusal = whole(bytes([3, function | 0x80, 2])).decode("latin-1")
            answers.setdefault(ask(function, address), refusal)
    told, items = find(tmp_path, answers=answers)
    assert "Modbus device 3 answers" in told and "holding register 0: 241" in told
    assert items and {item["value"] for item in items} == {241.0}


def test_find_says_what_to_look_at_where_nothing_comes(tmp_path: Path) -> None:
    near, far = os.openpty()
    try:
        done = subprocess.run(
            command("gauge", "--find", os.ttyname(far)), capture_output=True, text=True,
            timeout=110, stdin=subprocess.DEVNULL,
        )  # fmt: skip
    finally:
        os.close(near)
        os.close(far)
    assert done.returncode == 4
    assert "May the rig send read requests" in done.stderr and "--yes" in done.stderr


def test_every_channel_of_the_converter_is_shown() -> None:
    done = rig("gauge", str(Path(__file__).parents[2] / "demo/engine.setup.toml"),
               "--json", "--seconds", "1")  # fmt: skip
    assert done.returncode == 0, done.stderr
    items = said(done.stdout)
    channels = {item["channel"]: item for item in items if item.get("quality") == "good"}
    assert set(channels) >= {"pressure", "coil_current", "oil_temperature", "supply_voltage"}
    assert abs(channels["oil_temperature"]["value"] - 90) < 2
    assert channels["coil_current"]["value"] < 0.05, "nothing is energised"
