# SPDX-License-Identifier: MIT
"""Eight strokes as eight runs are held up just where one run of eight would trip."""

from __future__ import annotations

import json
import os
import pty
import re
import subprocess
import sys
from pathlib import Path

import pytest
from live_runs import SETUP, command, rig, write_files

from rig.bench.interlock.trackers import CoilHeat
from rig.config.files.loading import setup_from_text
from rig.core import coil_heat, places, state_file
from rig.core.coil_heat import boot_id

HOT = SETUP.replace("[limits]\n", '''[coil_heating]
thermal_resistance = "10.2 K/W"
time_constant = "4 min"
surroundings = "40 degC"
temperature_limit = "120 degC"
[limits]
on_time = "200 s"
duty = "100 %"
''').replace("22 ohm", "14 ohm")  # fmt: skip
HOT = HOT.replace("12.6 V", "14.4 V")
ONE = 'kind = "strokes"\nstrokes = 1\non_time = "80 s"\nrest = "10 s"\n'
LONG = ONE.replace("80 s", "190 s")
"""So long that a coil just tripped has to rest for minutes: a busy computer takes its time."""
EIGHT = ONE.replace("strokes = 1", "strokes = 8")
STATE = "simulated-line17"


def fast(folder: Path, sheet: str, *more: str) -> subprocess.CompletedProcess[str]:
    return rig("run", *write_files(folder, HOT, sheet), "--fast", "--json", *more)


def path() -> Path:
    return state_file.state_path(places.state_dir(), STATE)


def model_peak_degc(strokes: int) -> float:
    """The rig's own thermal model, carried on through `strokes` strokes without any limit."""
    heat, now, top = CoilHeat(setup_from_text(HOT, "hot").setup, 40.0, 0), 0, 0.0
    for _ in range(strokes):
        for on, seconds in ((False, 2), (True, 80), (False, 10)):
            for _ in range(seconds * 50):
                now += 20_000_000
                heat.advance(now, energised=on)
                top = max(top, heat.temperature_degc)
    return top


def test_eight_runs_of_one_stroke_are_held_up_where_one_run_of_eight_trips(tmp_path: Path) -> None:
    assert model_peak_degc(8) == pytest.approx(131, abs=2), "unlimited, it would go well over"
    held, done = 0, fast(tmp_path, ONE)
    while done.returncode == 0 and held < 8:
        held, done = held + 1, fast(tmp_path, ONE)
    assert done.returncode == 4, "eight runs went by as if each began cold"
    words = done.stderr
    assert "coil estimated at " in words and "ready in " in words and "do not touch" in words
    trips_in = next(n for n in range(1, 9) if model_peak_degc(n) > 120)
    # the same stroke; a busy computer takes seconds between two runs, in which the coil cools
    assert trips_in - 1 <= held < 8
    kept = coil_heat.read(coil_heat.heat_path(path()))
    assert kept is not None and kept.temperature_degc is not None
    assert 90 < kept.temperature_degc <= 120


def test_one_run_of_eight_trips_and_clear_waits_for_the_same_coil(tmp_path: Path) -> None:
    done = fast(tmp_path, EIGHT)
    trip = json.loads(done.stdout)["trip"]
    assert done.returncode == 3 and trip["rule"] == "coil heating"
    cleared = rig("clear")
    assert cleared.returncode == 4 and "more to cool" in cleared.stderr
    assert "coil estimated at 1" in cleared.stdout and "ready in " in cleared.stdout
    assert "finger" not in cleared.stderr + cleared.stdout and "Do not touch" in cleared.stderr
    measured = rig("clear", "--cooled")
    assert measured.returncode == 0 and "taken as cool from now on" in measured.stdout
    assert fast(tmp_path, ONE).returncode == 0


def test_waiting_in_virtual_time_takes_none_and_never_passes_the_limit(tmp_path: Path) -> None:
    rested = False
    for _ in range(3):
        done = rig("run", *write_files(tmp_path, HOT, LONG), "--fast", "--json", "--wait")
        assert done.returncode == 0, done.stderr
        rested = rested or "rested for" in done.stderr
    assert rested


def test_a_run_after_a_rest_is_the_run_of_its_seed(tmp_path: Path) -> None:
    """Earlier heat moves no time: without a trip a seed gives what it gives in a new folder."""
    runs = [json.loads(fast(tmp_path, ONE, "--wait", "--seed", "5").stdout) for _ in range(4)]
    assert all(run["strokes"] == runs[0]["strokes"] for run in runs)


def test_a_data_folder_from_before_is_assumed_hot_and_a_measurement_ends_that(
    tmp_path: Path,
) -> None:
    assert fast(tmp_path, ONE).returncode == 0
    coil_heat.heat_path(path()).unlink()
    done = fast(tmp_path, LONG)
    assert done.returncode == 4
    found = re.search(r"coil estimated at (\d+) degC \(assumed: the file", done.stderr)
    assert found, done.stderr
    # as if it had never been off: (T - 40) (14 ohm at 20 degC, 0.393 %/K) = 10.2 K/W (14.4 V)^2
    assert int(found.group(1)) == pytest.approx(142, abs=2)
    setup, _ = write_files(tmp_path, HOT, ONE)
    measured = rig("clear", setup, "--cooled")
    assert measured.returncode == 0 and "taken as cool" in measured.stdout
    assert fast(tmp_path, ONE).returncode == 0


def test_heat_goes_over_into_real_processes(tmp_path: Path) -> None:
    """What a run in virtual time left holds up one in three processes, which leaves its own."""
    assert fast(tmp_path, EIGHT).returncode == 3
    state_file.clear_latch(path())
    before = coil_heat.heat_path(path()).read_text()
    held = rig("run", *write_files(tmp_path, HOT, LONG), "--json")
    assert held.returncode == 4 and "ready in " in held.stderr and "--wait" in held.stderr
    kept = coil_heat.read(coil_heat.heat_path(path()))
    assert kept is not None and kept.at.boot_id == boot_id() and not kept.open
    assert kept.temperature_degc is not None
    assert 100 < kept.temperature_degc < json.loads(before)["temperature_degc"]
    short = 'kind = "strokes"\nstrokes = 2\non_time = "150 ms"\nrest = "150 ms"\n'
    done = rig("run", *write_files(tmp_path, HOT, short), "--json")
    assert done.returncode == 0, done.stderr
    after = coil_heat.read(coil_heat.heat_path(path()))
    assert after is not None and len(after.spans) >= 2 and after.at.utc_s > kept.at.utc_s


def test_a_terminal_counts_down_and_begins_nothing_when_left(tmp_path: Path) -> None:
    assert fast(tmp_path, EIGHT).returncode == 3
    state_file.clear_latch(path())
    desk, terminal = pty.openpty()
    words = command("run", *write_files(tmp_path, HOT, LONG))
    run = subprocess.Popen(words, stdin=terminal, stdout=subprocess.DEVNULL, stderr=terminal)
    os.close(terminal)
    seen = b""
    try:
        while seen.count(b"\rCoil ready in") < 3:
            seen += os.read(desk, 65_536)
        run.send_signal(2)
        while True:
            try:
                seen += os.read(desk, 65_536)
            except OSError:  # how a terminal says that nobody holds its other side
                break
        assert run.wait(30) == 3
    finally:
        run.kill()
        run.wait()
        os.close(desk)
    assert b"Ctrl-C leaves" in seen and b"nothing was energised" in seen
    assert not list(places.raw_dir().iterdir())[1:], "only the run that tripped"


def test_the_page_counts_down(tmp_path: Path) -> None:
    code = (
        "import sys, time\n"
        "from pathlib import Path\n"
        "from rig.core import places\n"
        "from webui.app import create_app\n"
        "from webui.live.files import Files\n"
        "from webui.live.hub import ENDED, Hub\n"
        "files = [Path(word) for word in sys.argv[1:]]\n"
        "hub = Hub(places.state_dir(), Files(files[:1], files[1:], places.data_dir() / 'own'))\n"
        "hub.start()\n"
        "names = dict.fromkeys(('valve job by note mount oil_temperature base_pressure "
        "supply_voltage idle_speed ambient_temperature oil_grade oil_level confirmed_by "
        "seed').split())\n"
        "more = {'accept_not_watched': False, 'fast': False, 'as_json': True}\n"
        "hub.look('a', 'a', {**names, **more})\n"
        "until = time.monotonic() + 50\n"
        "while hub.phase != ENDED and time.monotonic() < until: time.sleep(0.1)\n"
        "first = hub.snapshot()['ready_in_s']\n"
        "time.sleep(1)\n"
        "assert hub.snapshot()['ready_in_s'] < first - 0.5\n"
        "page = create_app({'HUB': hub, 'TESTING': True}).test_client().get('/bench').text\n"
        "hub.close()\n"
        "assert 'Coil ready in ' in page and 'data-ready=' in page and 'cooling.js' in page\n"
        "print('counted')\n"
    )
    assert fast(tmp_path, EIGHT).returncode == 3
    state_file.clear_latch(path())
    files = write_files(tmp_path, HOT, LONG)
    done = subprocess.run(
        [sys.executable, "-c", code, *files], capture_output=True, text=True, timeout=90,
        check=False,
    )  # fmt: skip
    assert done.stdout == "counted\n", done.stderr


def test_a_coil_that_stays_live_goes_on_heating_and_is_not_believed_afterwards(
    tmp_path: Path,
) -> None:
    welded = HOT + '[simulated]\nfault = "contact welded"\nfault_after = "500 ms"\n'
    short = 'kind = "strokes"\nstrokes = 6\non_time = "150 ms"\nrest = "150 ms"\n'
    done = rig("run", *write_files(tmp_path, welded, short), "--fast", "--json")
    assert done.returncode == 6
    kept = coil_heat.read(coil_heat.heat_path(path()))
    assert kept is not None and kept.open
    assert rig("clear").returncode == 0
    held = fast(tmp_path, LONG)
    assert held.returncode == 4 and f"assumed: {coil_heat.UNCLEAN}" in held.stderr
