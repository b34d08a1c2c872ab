# SPDX-License-Identifier: MIT
"""`rig calibrate`: typed points become a table in the setup, and a run carries it."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from rig.cli.calibration import calibrate_live
from rig.cli.calibration.calibrate import _asked, command
from rig.cli.calibration.calibrate_live import Taken
from rig.cli.terminal.calibration import Entered, due_of, table_text, with_table
from rig.config.files.loading import load_setup
from rig.core.errors import UsageError

DEMO = Path(__file__).parents[2] / "demo/workshop.setup.toml"
POINTS = ("0 kPa=0.6 kPa", "100 kPa=100.1 kPa", "200 kPa=199.7 kPa", "300 kPa=299.0 kPa",
          "45 psi=309.4 kPa", "400 kPa=398.6 kPa")  # fmt: skip


@pytest.fixture
def setup(tmp_path: Path) -> Path:
    path = tmp_path / "mine.setup.toml"
    path.write_bytes(DEMO.read_bytes())
    return path


def args(setup: Path, *more: str, points=POINTS) -> list[str]:
    given = [str(setup), "--reference", "test gauge, invented", "--reference-uncertainty",
             "0.3 kPa", "--date", "2026-11-02"]  # fmt: skip
    for point in points:
        given += ["--point", point]
    return [*given, *more]


def test_points_become_a_table_and_the_setup_stays_otherwise(setup):
    before = setup.read_text()
    shown = CliRunner().invoke(command, args(setup, "--zero-check", "--write"))
    assert shown.exit_code == 0, shown.output
    made = load_setup(setup).setup.calibration
    assert len(made.points) == 6
    assert made.due == "2027-11-02"
    assert made.zero_check
    assert made.zero_reading_kpa == pytest.approx(0.6)
    assert setup.read_text().startswith(before)
    assert (setup.parent / "mine.setup.toml.before").read_text() == before
    for words in ("Caution", "Line: correction", "plus or minus", "rest"):
        assert words in shown.output


def test_a_new_calibration_takes_the_place_of_the_old_one(setup):
    runner = CliRunner()
    runner.invoke(command, args(setup, "--write"))
    setup.write_text(setup.read_text() + "\n# about the title\n[simulated.gauge]\n")
    kept = "# about the title\n[simulated.gauge]\n"
    again = runner.invoke(command, args(setup, "--write", "--by", "Ä. Example", points=POINTS[:4]))
    assert again.exit_code == 0, again.output
    text = setup.read_text()
    assert text.count("[calibration]") == 1
    assert text.endswith(kept)
    made = load_setup(setup).setup.calibration
    assert (len(made.points), made.by) == (4, "Ä. Example")
    assert "points are few" in again.output


def test_without_write_and_a_terminal_nothing_is_written(setup):
    before = setup.read_text()
    shown = CliRunner().invoke(command, args(setup))
    assert "Nothing was written" in shown.output
    assert "[calibration]" in shown.output
    assert setup.read_text() == before


@pytest.mark.parametrize(
    ("change", "word"),
    [
        (["--point", "100 kPa"], "REFERENCE=READING"),
        (["--point", "100 V=3 kPa"], "pressure"),
        (["--date", "2.11.2026"], "2026-11-02"),
    ],
)
def test_slips_are_told_in_words(setup, change, word):
    before = setup.read_text()
    with pytest.raises(UsageError, match=word):
        CliRunner().invoke(command, [*args(setup), *change], catch_exceptions=False)
    assert setup.read_text() == before


def test_two_points_are_refused_before_anything_is_written(setup):
    shown = CliRunner().invoke(command, args(setup, "--write", points=POINTS[:2]))
    assert shown.exit_code != 0
    assert "three different readings" in str(shown.exception)
    assert "[calibration]" not in setup.read_text()


def test_a_bent_gauge_is_said(setup):
    bent = [f"{t} kPa={t - 1e-4 * t * t + (-1) ** n * 0.05} kPa"
            for n, t in enumerate(range(0, 401, 50))]  # fmt: skip
    assert "rests bend" in CliRunner().invoke(command, args(setup, points=bent)).output
    assert "rests bend" not in CliRunner().invoke(command, args(setup)).output


def test_dates_and_texts():
    assert due_of("2026-01-31", 1) == "2026-02-28"
    assert due_of("2026-11-02", 14) == "2028-01-02"
    entered = Entered(
        'a "quoted" name', 0.5, 2.0, "", "2026-01-01", 12, ((0.0, 0.0), (1.0, 1.0)), False, None
    )
    text = with_table("a = 1", table_text(entered))
    assert text.startswith('a = 1\n\n[calibration]\ndate = "2026-01-01"\n')


def test_a_person_at_a_terminal_is_asked_and_the_gauge_read_live(setup, tmp_path):
    """A real terminal: the questions, two slips of the fingers, the simulated gauge's readings."""
    master, slave = pty.openpty()
    answers = "dead weight no. 2\nabout 0.2\n5 kPa\n" + "".join(
        f"{kpa}\n" for kpa in ("0 kPa", "eleven", "1 kPa", "2 kPa", "", "n", "n")
    )
    process = subprocess.Popen(
        [sys.executable, "-m", "rig.cli.main", "calibrate", str(setup), "--live"],
        stdin=slave, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        env={**os.environ, "RIG_DATA": str(tmp_path / "data")}, cwd=DEMO.parents[1],
    )  # fmt: skip
    try:
        os.write(master, answers.encode())
        out, _ = process.communicate(timeout=60)
    finally:
        process.kill()
        process.wait()
        process.stdout.close()
        os.close(master)
        os.close(slave)
    text = out.decode()
    assert text.count("rig's gauge") >= 3, text
    assert text.count("is not a pressure") == 2, text  # each was asked again
    # the simulated gauge rests at one reading, which no line can go through
    assert any(words in text for words in ("different readings", "do not rise", "Line:")), text


def test_a_zero_that_was_not_measured_is_not_made_up(setup):
    far = ["100 kPa=99 kPa", "200 kPa=198.6 kPa", "300 kPa=298.1 kPa"]
    with pytest.raises(UsageError, match="needs a point without pressure"):
        CliRunner().invoke(
            command, args(setup, "--zero-check", "--write", points=far), catch_exceptions=False
        )
    near = ["5 kPa=5.7 kPa", *far, "400 kPa=397 kPa"]
    CliRunner().invoke(command, args(setup, "--zero-check", "--write", points=near))
    assert load_setup(setup).setup.calibration.zero_reading_kpa == pytest.approx(0.7)


@pytest.mark.parametrize("head", ["  [stop_input]", '["stop_input"]', "\t[ stop_input ]"])
def test_a_table_that_follows_in_an_odd_spelling_is_not_lost(setup, head):
    CliRunner().invoke(command, args(setup, "--write"))
    setup.write_text(setup.read_text() + f"{head}\nline = 25\n")
    assert load_setup(setup).setup.stop_input is not None
    before = setup.read_text()
    again = CliRunner().invoke(command, args(setup, "--write"))
    assert load_setup(setup).setup.stop_input is not None
    assert again.exit_code == 0 or setup.read_text() == before


class Scripted:
    """Gauge readings of a point, as `Reader` gives them."""

    where = "a script"

    def __init__(self, takes):
        self.takes = iter(takes)

    def take(self):
        return next(self.takes)

    def close(self):
        pass


def test_a_pressure_that_swings_is_shown_and_kept_only_if_the_person_says_so(monkeypatch, setup):
    steady, swinging = Taken(99.4, 99.35, 99.45, 20), Taken(201.0, 195.0, 207.0, 20)
    takes = [steady, swinging, swinging]
    monkeypatch.setattr(calibrate_live, "Reader", lambda _: Scripted(takes))
    told = []

    @click.command()
    def asking():
        told.extend(_asked(load_setup(setup).setup, 0.4, live=True))

    said = CliRunner().invoke(asking, input="100 kPa\n200 kPa\nn\n200 kPa\ny\n\n")
    assert said.exit_code == 0, said.output
    assert told == [(100.0, 99.4), (200.0, 201.0)]
    assert said.output.count("swing by 12 kPa, more than the 0.4 kPa") == 2
    assert "mean of 20 readings from 195 to 207" in said.output
