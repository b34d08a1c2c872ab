# SPDX-License-Identifier: MIT
"""`rig calc`: what is refused and how, what is said beside an answer, JSON, and garbage."""

from __future__ import annotations

import json
import math
import shlex
import subprocess
import sys

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.calculators.frame import digits, si
from rig.cli.calc import CALCULATORS, command
from rig.core.errors import UsageError

GOOD = {
    "coil": '--voltage "12 V" --resistance "20 ohm"',
    "pull-in": '--voltage "12 V" --resistance "20 ohm" --inductance "50 mH" --current "0.3 A"',
    "release": '--resistance "20 ohm" --inductance "50 mH" --from "0.6 A" --to "0.1 A"',
    "winding": '--cold "10 ohm" --hot "12 ohm"',
    "wire": '--gauge 18 --length "3 m" --current "1 A"',
    "fuse": '--current "2 A" --rating "5 A"',
    "protect": '--current "1 A" --rating "3 A" --area "0.75 mm^2" --length "3 m"',
    "contact": '--supply "16 V" --zener "24 V" --current "1.2 A" --rating-voltage "60 V" '
    '--rating-current "5 A"',
    "clamp": '--voltage "16 V" --resistance "12.8 ohm" --inductance "60 mH" --zener "24 V" '
    '--rate "2 Hz" --rating "5 W"',
    "viscosity": '--at-40 "73.3 cSt" --at-100 "8.86 cSt" --temperature "80 degC"',
    "grade": '--at-100 "7 cSt"',
    "index": '--at-40 "73.3 cSt" --at-100 "8.86 cSt"',
    "orifice": '--diameter "1 mm" --drop "500 kPa"',
    "land": '--diameter "12 mm" --clearance "10 um" --length "3 mm" --drop "5 bar" '
    '--viscosity "12 cSt"',
    "air": '--diameter "1 mm" --upstream "5 bar"',
    "leak": '--volume "100 cm^3" --start "500 kPa" --end "499 kPa" --time "60 s"',
}


def call(line: str):
    done = CliRunner().invoke(command, shlex.split(line))
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    assert done.exit_code == 0, done.output
    return done.output


def values(line: str) -> dict:
    return json.loads(call(line + " --json"), parse_constant=pytest.fail)["values"]


def refused(line: str) -> str:
    with pytest.raises(UsageError) as caught:
        call(line)
    assert caught.value.exit_code == 2
    text = str(caught.value)
    assert "nothing was calculated" in text
    assert text.count("Remedy:") == len(text.split("\n")) // 2
    return text


@pytest.mark.parametrize("name", CALCULATORS)
def test_the_answer_comes_first_and_json_holds_all_of_it(name):
    text = call(f"{name} {GOOD[name]}")
    shape = json.loads(call(f"{name} {GOOD[name]} --json"), parse_constant=pytest.fail)
    assert text.split("\n")[0] == shape["answer"]
    assert "\nFormula:  " in text
    assert "\nSource:   " in text
    assert shape["calculation"] == name
    assert shape["formula"] and shape["source"] and shape["assumptions"]
    for option in shlex.split(GOOD[name])[::2]:
        assert option[2:] in shape["inputs"]


@pytest.mark.parametrize("name", CALCULATORS)
def test_help_names_every_input(name):
    assert command.get_command(None, name) is not None
    text = call(f"{name} --help")
    for option in shlex.split(GOOD[name])[::2]:
        assert option in text


@pytest.mark.parametrize("name", CALCULATORS)
def test_all_that_is_missing_is_named_at_once(name):
    text = refused(name)
    for option in shlex.split(GOOD[name])[::2]:
        if (name, option) not in (
            ("wire", "--gauge"),
            ("land", "--viscosity"),
            ("protect", "--area"),
        ):
            assert f"{option}: is needed" in text


def test_every_problem_in_one_message():
    text = refused('coil --voltage "12 A" --resistance "-3 ohm" --temperature "nan degC"')
    assert text.startswith("3 problems found")
    assert "--voltage '12 A': \"12 A\" is not a voltage" in text
    assert "--resistance '-3 ohm': must be above 0 ohm" in text
    assert "--temperature 'nan degC': \"nan degC\" is not a number with a unit" in text


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('coil --voltage "0 V" --resistance "14 ohm"', "--voltage '0 V': must be above 0 V"),
        ('coil --voltage "1 V" --resistance "1 ohm" --temperature "-300 degC"', "or more"),
        ('release --resistance "20 ohm" --inductance "50 mH" --from "0.1 A" --to "0.6 A"',
         "give --to below --from"),
        ('wire --length "3 m" --current "1 A"', "--gauge: is needed, or --area"),
        ('wire --gauge 18 --area "1 mm^2" --length "3 m" --current "1 A"', "and --area together"),
        ('wire --gauge 41 --length "3 m" --current "1 A"', "not from 4/0 to 40"),
        ('wire --gauge x --length "3 m" --current "1 A"', "not an American Wire Gauge"),
        ('wire --gauge 18 --length "3 m" --current "1 A" --ways 3', "must be 2 or less"),
        ('wire --gauge 18 --length "3 m" --current "1 A" --ways 1.5', "out and back"),
        ('wire --gauge 30 --length "99 m" --current "9 A" --supply "12 V"', "cannot carry it"),
        ('viscosity --at-40 "8 cSt" --at-100 "9 cSt" --temperature "80 degC"', "thinner at 100"),
        ('viscosity --at-40 "8 cSt" --at-100 "1.5 cSt" --temperature "80 degC"', "below 2 mm^2/s"),
        ('viscosity --at-40 "8 cSt" --at-100 "2.1 cSt" --temperature "150 degC"',
         "does not hold"),
        ('viscosity --at-40 "900 cSt" --at-100 "30 cSt" --temperature "-70 degC"', "no liquid"),
        ('viscosity --at-40 "8 cSt" --at-100 "2.1 cSt" --temperature "400 degC"', "370 degC"),
        ('index --at-40 "3 cSt" --at-100 "1.9 cSt"', "below 2 mm^2/s"),
        ('land --diameter "12 mm" --clearance "1 mm" --length "3 mm" --drop "5 bar" '
         '--viscosity "12 cSt"', "no narrow gap"),
        ('land --diameter "12 mm" --clearance "10 um" --length "3 mm" --drop "5 bar"',
         "--viscosity: is needed, or --dynamic-viscosity"),
        ('land --diameter "12 mm" --clearance "10 um" --worn-clearance "9 um" --length "3 mm" '
         '--drop "5 bar" --viscosity "12 cSt"', "a worn land has more"),
        ('land --diameter "12 mm" --clearance "10 um" --length "3 mm" --drop "5 bar" '
         '--viscosity "12 cSt" --eccentricity 1.1', "must be 1 or less"),
        ('air --diameter "1 mm" --upstream "1 bar" --downstream "2 bar"', "from the higher"),
        ('air --diameter "1 mm" --upstream "1 bar" --downstream "-2 bar"', "below a vacuum"),
        ('air --diameter "1 mm" --upstream "80 psia"', "every pressure here is gauge pressure"),
        ('leak --volume "1 l" --start "5 bar" --end "4 bar" --time "0 s"', "must be above 0 s"),
        ('coil --voltage "1e300 V" --resistance "1e-300 ohm"', "too far apart"),
    ],
)  # fmt: skip
def test_refusals(line, words):
    assert words.casefold() in refused(line).casefold()


def test_two_inputs_that_do_not_fit_are_both_named():
    text = refused(
        'land --diameter "12 mm" --clearance "9 mm" --length "3 mm" --drop "5 bar" '
        '--viscosity "1 cSt" --dynamic-viscosity "1 mPa*s"'
    )
    assert text.startswith("2 problems")


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('coil --voltage "12 V" --resistance "20 ohm" --temperature "250 degC"', "outside -40 to"),
        ('winding --cold "10 ohm" --hot "9 ohm"', "The resistance fell"),
        ('winding --cold "10 ohm" --hot "20 ohm"', "outside -40 to 180 degC"),
        ('viscosity --at-40 "73 cSt" --at-100 "9 cSt" --temperature "-10 degC"', "is drawn on"),
        ('orifice --diameter "1 mm" --drop "5 kPa" --viscosity "100 cSt"', "Reynolds number 20.92"),
        ('land --diameter "12 mm" --clearance "300 um" --length "3 mm" --drop "50 bar" '
         '--viscosity "5 cSt"', "no longer surely laminar"),
        ('leak --volume "100 cm^3" --start "500 kPa" --end "499.9 kPa" --time "60 s"',
         "would feign"),
        ('leak --volume "100 cm^3" --start "500 kPa" --end "500 kPa" --time "60 s"',
         "would feign"),
        ('leak --volume "100 cm^3" --start "500 kPa" --end "501 kPa" --time "60 s"',
         "Look at the temperatures"),
        ('index --at-40 "900 cSt" --at-100 "8 cSt"', "index below 0"),
    ],
)  # fmt: skip
def test_what_to_beware_of_is_said(line, words):
    cautions = [text for text in call(line).split("\n") if text.startswith("Caution:")]
    assert any(words in text for text in cautions), cautions


def test_nothing_is_said_where_the_formula_holds():
    for name, line in GOOD.items():
        assert "Caution:" not in call(f"{name} {line}"), name


def test_a_current_that_is_never_reached():
    line = 'pull-in --voltage "12 V" --resistance "20 ohm" --inductance "50 mH" --current "0.6 A"'
    assert call(line).startswith("Never: the current stays below 600 mA")
    assert values(line)["pull_in_s"] is None


def test_a_fuse_in_words():
    say = {
        "3.7 A": "for long, with 50 mA to spare", "5 A": "1.25 A more than the 75 %",
        "6 A": "it opens after 750 ms or never", "12 A": "it opens after 40 ms to 5 s",
        "40 A": "it opens at once, or within 100 ms",
    }  # fmt: skip
    for current, words in say.items():
        assert words in call(f'fuse --current "{current}" --rating "5 A"'), current


def test_a_grade_in_words():
    assert "lies in it" in call('grade --at-100 "10 cSt"')
    assert "thinner than SAE 8" in call('grade --at-100 "3.9 cSt"')
    assert "SAE 60's limit" in call('grade --at-100 "26.1 cSt"')
    assert "asks for 2.9 mPa*s" in call('grade --at-100 "10 cSt" --high-shear "2.8 mPa*s"')
    assert values('grade --at-100 "7 cSt" --high-shear "2.3 cP"')["grades"] == ["12", "16"]


@pytest.mark.parametrize(
    ("text", "area"),
    [("18", 0.82305), ("AWG 18", 0.82305), ("18awg", 0.82305), ("0", 53.475), ("00", 67.431),
     ("2/0", 67.431), ("4/0", 107.219), ("0000", 107.219)],
)  # fmt: skip
def test_gauges_as_people_write_them(text, area):
    # ASTM B258 areas, mm^2 (from memory, and by its formula)
    found = values(f'wire --gauge "{text}" --length "1 m" --current "1 A"')
    assert found["area_mm2"] == pytest.approx(area, rel=1e-4)


def test_a_wire_by_its_area_and_one_way():
    twice = values('wire --area "1 mm^2" --length "29 m" --current "1 A"')
    assert twice["drop_v"] == pytest.approx(1.0)  # 1/58 ohm mm^2/m, IEC 60028
    once = values('wire --area "1 mm^2" --length "29 m" --current "1 A" --ways 1')
    assert once["drop_v"] == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("value", "text"),
    [(0, "0 A"), (0.9, "900 mA"), (1, "1 A"), (999.96, "1 kA"), (0.99999, "1 A"),
     (1234, "1.234 kA"), (-0.0021, "-2.1 mA"), (3e-12, "0.003 nA"), (2.5e9, "2500 MA")],
)  # fmt: skip
def test_prefixes(value, text):
    assert si(value, "A") == text


@given(st.floats(min_value=-1e12, max_value=1e12))
def test_four_digits_are_kept(value):
    assert float(digits(value)) == pytest.approx(value, rel=5.1e-4, abs=1e-300)


PIECES = st.sampled_from(
    ["1", "12 V", "14 ohm", "-3 ohm", "1e308 V", "1e-308 ohm", "0.3 A", "50 mH", "90 degC", "7 cSt",
     "500 kPa", "1 mm", "nan V", "inf", "", "1 mPa*s", "60 s", "100 cm^3", "18", "2", "850 kg/m^3",
     "0 A", "1e9 mm^2/s", "4e5 kPa", "-101.325 kPa", "1e-9 mm", "0.5", "\x1b[2J"]
) | st.text(max_size=12)  # fmt: skip


@given(data=st.data())
@settings(max_examples=300)
def test_any_inputs_are_calculated_or_refused_in_words(data):
    name = data.draw(st.sampled_from(list(CALCULATORS)))
    good = shlex.split(GOOD[name])
    texts = dict(zip(good[::2], good[1::2], strict=True))
    for option in command.get_command(None, name).params:
        if option.opts[0] != "--json" and data.draw(st.booleans()):
            texts[option.opts[0]] = data.draw(PIECES)
    arguments = [name, *(f"{option}={text}" for option, text in texts.items()), "--json"]
    done = CliRunner().invoke(command, arguments)
    if isinstance(done.exception, UsageError):
        assert "\x1b" not in str(done.exception)
        return
    assert done.exit_code == 0, (arguments, done.exception)
    shape = json.loads(done.output, parse_constant=pytest.fail)
    for value in shape["values"].values():
        assert value is None or not isinstance(value, float) or math.isfinite(value)


def test_help_loads_no_heavy_module():
    code = (
        "import sys\nfrom click.testing import CliRunner\nfrom rig.cli.calc import command\n"
        "assert CliRunner().invoke(command, ['--help']).exit_code == 0\n"
        "CliRunner().invoke(command, ['coil', '--help'])\n"
        "print([m for m in ('numpy', 'pint', 'scipy', 'pydantic') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_an_unknown_calculator():
    assert CliRunner().invoke(command, ["nonsense"]).exit_code == 2
