# SPDX-License-Identifier: MIT
"""The reader's units on the terminal; JSON, TSV and CSV stay kPa and degC."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from rig.cli.main import answer

DEMO = Path(__file__).parents[2] / "demo"
GOLDEN = Path(__file__).parents[1] / "golden"
SHEETS = {"strokes": GOLDEN / "strokes.sheet.toml", "ramp": GOLDEN / "ramp.sheet.toml"}
SI_UNITS = ("kPa", "degC")

Captured = pytest.CaptureFixture[str]


def told(capsys: Captured, *words: str) -> tuple[str, str]:
    """What one command printed, on standard output and error."""
    capsys.readouterr()
    answer(list(words))
    out, err = capsys.readouterr()
    return out, err


def run(capsys: Captured, sheet: Path, *more: str, setup: str = "workshop") -> tuple[str, str]:
    return told(
        capsys, "run", str(DEMO / f"{setup}.setup.toml"), str(sheet), "--fast", "--seed", "41",
        "--wait", "--base-pressure", "44 psi", "--oil-temperature", "194 degF", *more,
    )  # fmt: skip


@pytest.mark.parametrize("kind", ["strokes", "ramp"])
def test_a_run_is_told_in_the_readers_units_and_kept_in_si(kind: str, capsys: Captured) -> None:
    out, err = run(capsys, SHEETS[kind], "--full", "--units", "psi,degF")
    assert not [unit for unit in SI_UNITS if unit in out + err]
    assert "base pressure 44 psi (typed)" in out
    assert "oil temperature 194 degF (typed)" in out
    for form in ("--json", "--tsv"):
        usual, _ = told(capsys, "show", "last", form)
        assert told(capsys, "show", "last", form, "--units", "psi,degF") == (usual, "")
        assert "kPa" in usual
        assert "psi" not in usual
    usual, _ = told(capsys, "runs", "--csv", "-")
    assert told(capsys, "--units", "psi", "runs", "--csv", "-")[0] == usual


def test_a_typed_value_comes_back_as_typed_to_a_reader_of_kpa_too(capsys: Captured) -> None:
    out, _ = run(capsys, SHEETS["ramp"], "--full")
    assert "base pressure 44 psi (typed)" in out
    assert "actuation kPa" in out


def test_a_ramps_figures_are_the_same_pressures(capsys: Captured) -> None:
    run(capsys, SHEETS["ramp"])
    mean_kpa = json.loads(told(capsys, "show", "last", "--json")[0])["ramp"]["summary"][
        "actuation_kpa"
    ]["mean"]
    line = next(
        line for line in told(capsys, "show", "last", "--units", "psi")[0].splitlines()
        if line.startswith("actuation:")
    )  # fmt: skip
    # 1 psi = 6.894757293168 kPa (NIST SP 811, B.8)
    assert float(line.split()[2]) == pytest.approx(mean_kpa / 6.894757293168, abs=0.005)
    budget, _ = told(capsys, "show", "last", "--budget", "--units", "psi")
    assert "kPa" not in budget
    assert "0.5 psi" in budget  # the gauge's accuracy, as its setup has it


def test_a_hold_in_bar(capsys: Captured) -> None:
    out, err = run(
        capsys, DEMO / "leak-down.sheet.toml", "--full", "--units", "bar", setup="leak-down"
    )
    assert "bar/s" in out
    assert not [unit for unit in ("kPa", "degF") if unit in out + err]


def test_the_check_takes_a_limit_as_it_was_typed(capsys: Captured) -> None:
    words = ("check", str(DEMO / "workshop.setup.toml"), str(DEMO / "workshop.sheet.toml"))
    out, _ = told(capsys, *words, "--full", "--units", "psi,degF")
    assert not [unit for unit in SI_UNITS if unit in out]
    row = next(line for line in out.splitlines() if line.startswith("limits.pressure "))
    assert row.split('"80 psi"')[1].strip() == "80 psi"


def test_the_setups_own_units_hold_unless_others_are_asked_for(
    capsys: Captured, tmp_path: Path
) -> None:
    setup = tmp_path / "shop.setup.toml"
    text = (DEMO / "workshop.setup.toml").read_text()
    setup.write_text(text + '\n[units]\npressure = "psi"\ntemperature = "degF"\n')
    words = ("run", str(setup), str(SHEETS["ramp"]), "--fast", "--seed", "41", "--wait")
    assert " psi" in told(capsys, *words)[0]
    assert " psi" in told(capsys, "show", "last")[0]
    assert " bar" in told(capsys, "show", "last", "--units", "bar")[0]
    assert "limits.pressure" in told(capsys, "check", "--full", str(setup))[0]
    setup.write_text(text + '\n[units]\npressure = "atm"\n')
    assert "units.pressure" in told(capsys, "check", str(setup))[1]


def test_a_trip_and_a_refusal(capsys: Captured, tmp_path: Path) -> None:
    setup = tmp_path / "low.setup.toml"
    text = (DEMO / "workshop.setup.toml").read_text().replace('"60 psi"', '"20 psi"')
    setup.write_text(text.replace('pressure = "80 psi"', 'pressure = "25 psi"'))
    words = ("run", str(setup), str(SHEETS["ramp"]), "--fast", "--seed", "41", "--units", "psi")
    out, err = told(capsys, *words)
    assert "the limit of 25 psi" in out + err or "25 psi" in err
    assert "kPa" not in out + err


def test_a_wrong_unit_is_refused(capsys: Captured) -> None:
    assert answer(["show", "last", "--units", "atm"]) == 2
    assert '"atm" is not one of kPa, bar, psi, degC, degF' in capsys.readouterr().err
