# SPDX-License-Identifier: MIT
"""`rig check`: what it shows, and that refused files end in words and exit code 2."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from rig.cli.check import command
from rig.core.errors import EXIT_USAGE, FileProblems

ROOT = Path(__file__).parents[2]
BENCH = ROOT / "hardware/bench.setup.toml"
DEMO_SETUP, DEMO_SHEET = ROOT / "demo/workshop.setup.toml", ROOT / "demo/workshop.sheet.toml"


def shown(*args: Path) -> str:
    """In full."""
    given = ["--full", *(str(arg) for arg in args)]
    result = CliRunner().invoke(command, given, catch_exceptions=False)
    assert result.exit_code == 0
    # words, however the lines were broken
    return " ".join(result.output.split())


def test_shows_the_setup_as_written_and_as_taken() -> None:
    text = shown(BENCH)
    assert 'coil.supply_voltage "13.0 V" 13 V' in text
    assert 'limits.pressure "80 psi" 551.58 kPa' in text
    assert "limits.gauge_stale (default) 500 ms" in text
    assert "nothing was energised" in text


def test_what_matters_fits_a_screen_and_the_verdict_comes_first(tmp_path: Path) -> None:
    setup = ROOT / "demo/engine.setup.toml"
    done = CliRunner().invoke(command, [str(setup), str(DEMO_SHEET)], catch_exceptions=False)
    lines = done.output.splitlines()
    assert lines[0] == "No problem found in the files; nothing was energised."
    assert len(lines) <= 24  # of a plain terminal
    text = " ".join(done.output.split())
    assert "NOT WATCHED: coil heating, pressure rising, stop input open" in text
    assert "Limits: response (each) at most 80 ms; release (each) at most 80 ms" in text
    assert "(default)" not in text and "--full" in lines[-1]
    free = tmp_path / "free.sheet.toml"
    free.write_text(DEMO_SHEET.read_text().split("[[accept]]")[0])
    done = CliRunner().invoke(command, [str(setup), str(free)], catch_exceptions=False)
    assert "Limits: none, so nothing is judged." in done.output


def test_coil_current_cold_and_hot_against_the_fuse() -> None:
    # 13 V over 14.5 ohm; copper at 100 degC has 1 + 0.00393 * 80 times its resistance at 20 degC
    # (IEC 60028); 75 % of a 3 A fuse (common practice, no source)
    cold_a = 13.0 / 14.5
    hot_a = cold_a / (1 + 0.00393 * 80)
    assert f"Coil current {cold_a:.2f} A cold (20 degC), {hot_a:.2f} A hot (100 degC)" in shown(
        BENCH
    )
    assert "fuse of 3 A may carry 2.25 A" in shown(BENCH)


def test_what_is_watched_and_what_is_not(tmp_path: Path) -> None:
    text = shown(BENCH)
    for rule in ("over-pressure", "gauge stale", "read-back disagreeing", "on time"):
        assert f"{rule} watched" in text
    assert "stop input open NOT WATCHED" in text
    bare = tmp_path / "bare.setup.toml"
    bare.write_text(
        'backend = "board"\nmedium = "air"\n'
        '[coil]\nfeed_side = "ground"\nsupply_voltage = "12 V"\nfuse = "5 A"\n'
        'resistance = "20 ohm"\n[relay]\nline = 12\n[switch]\nline = 4\ncontact = "find"\n'
    )
    text = shown(bare)
    for rule in ("over-pressure", "gauge stale", "read-back disagreeing"):
        assert f"{rule} NOT WATCHED" in text
    assert "No read-back" in text
    assert "no safety function" in text
    assert "Compressed air" in text


def test_where_runs_are_kept_and_what_speaks_against_it(
    rig_data: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = shown(BENCH)
    assert f"Runs are kept in {rig_data}, where" in text
    assert re.search(r"[0-9]+ [MG]B are free\.", text)
    monkeypatch.setattr("rig.recorder.disk.free_mb", lambda folders: 99.0)
    monkeypatch.setattr("rig.recorder.disk.lost_at_power_off", lambda path: f"{path} forgets.")
    monkeypatch.setattr("rig.core.clock.clock_synchronised", lambda: False)
    monkeypatch.setattr("rig.runlog.engine.sqlite_caution", lambda: "an old SQLite.")
    text = shown(BENCH)
    assert "Caution: a run begins only with 100 MB or more. Free some space" in text
    assert f"Caution: {rig_data} forgets." in text
    assert "Caution: the computer's clock is not known to be right" in text
    assert "Caution: an old SQLite." in text
    monkeypatch.setattr("rig.recorder.disk.free_mb", lambda folders: 100.0)
    monkeypatch.setattr("rig.recorder.disk.lost_at_power_off", lambda path: None)
    monkeypatch.setattr("rig.core.clock.clock_synchronised", lambda: True)
    monkeypatch.setattr("rig.runlog.engine.sqlite_caution", lambda: None)
    text = shown(BENCH)
    for words in ("a run begins only", "forgets", "not known to be right", "an old SQLite"):
        assert words not in text


def test_a_simulated_rig_says_so_and_keeps_its_fault_to_itself(tmp_path: Path) -> None:
    setup = tmp_path / "class.setup.toml"
    setup.write_text(DEMO_SETUP.read_text() + 'fault = "sticking spool"\n')
    text = shown(setup, DEMO_SHEET)
    assert "SIMULATED" in text
    assert "sticking" not in text


def test_shows_the_sheet_and_what_it_asks_of_the_coil() -> None:
    text = shown(DEMO_SETUP, DEMO_SHEET)
    assert "strokes 20 20" in text
    assert "response (each) at most 80 ms" in text
    assert "Coil energised 20 times, 10 s in all: for up to 0.5 s at a stretch (limit 10 s)" in text
    # 20 strokes of 0.5 s are 10 s of any minute
    assert "and 17 % of any 60 s (limit 60 %)" in text


def test_square_brackets_and_escapes_in_a_file_do_not_reach_the_terminal(tmp_path: Path) -> None:
    setup = tmp_path / "a.setup.toml"
    text = DEMO_SETUP.read_text().replace("Invented workshop", "[bold]x[/bold] \\u001b[31m :smile:")
    setup.write_text(text)
    result = CliRunner().invoke(command, ["--full", str(setup)], catch_exceptions=False)
    assert "[bold]x[/bold]" in result.output
    assert ":smile:" in result.output
    assert "\x1b" not in result.output


def test_refused_files_raise_every_problem(tmp_path: Path) -> None:
    setup, sheet = tmp_path / "a.setup.toml", tmp_path / "a.sheet.toml"
    setup.write_text(DEMO_SETUP.read_text().replace('"2 A"', '"0.5 A"'))
    sheet.write_text(DEMO_SHEET.read_text().replace("strokes = 20", "stroks = 20"))
    result = CliRunner().invoke(command, [str(setup), str(sheet)])
    assert isinstance(result.exception, FileProblems)
    assert result.exception.exit_code == EXIT_USAGE
    assert {problem.key for problem in result.exception.problems} == {"coil.fuse", "stroks"}
    assert result.output == ""


@pytest.mark.parametrize("name", ["none.toml", "."])
def test_from_the_shell(name: str, tmp_path: Path) -> None:
    rig = [sys.executable, "-m", "rig.cli.main", "check", str(tmp_path / name)]
    done = subprocess.run(rig, capture_output=True, text=True, check=False)
    assert done.returncode == EXIT_USAGE
    assert done.stdout == ""
    assert str(tmp_path) in done.stderr
    assert "Remedy:" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_latched_trip_is_shown(tmp_path: Path) -> None:
    from rig.core import places, state_file
    from rig.core.records import Trip

    rig = state_file.RigState("simulated-line17", "simulated", "pinctrl-rp1", 17)
    path = state_file.state_path(places.state_dir(), rig.rig)
    state_file.write_latch(path, Trip("duty", 70.0, 60.0, "%", 1, "Let it cool."), 1.7e9, rig)
    text = shown(DEMO_SETUP)
    assert "The rig is tripped: duty. Let it cool." in text and "`rig clear`" in text
    path.write_text('{"half')
    assert "STATE NOT KNOWN" in shown(DEMO_SETUP)


def test_own_pulls_of_a_board_are_said(tmp_path: Path) -> None:
    """Behind R9 of the wiring a closed loop would read 1.3 V and more (simulated)."""
    loops = '[stop_input]\nline = 5\npull = "{}"\n[limits]'
    for pull, said in (("up", True), ("external", False)):
        setup = tmp_path / f"{pull}.setup.toml"
        setup.write_text(BENCH.read_text().replace("[limits]", loops.format(pull)))
        assert ("[stop_input]: the pin's own pull" in shown(setup)) == said
