# SPDX-License-Identifier: MIT
"""Checks by hand from a file: readings to states, refusals in words, and what they change."""

from __future__ import annotations

from pathlib import Path

import pytest
from seen_runs import good, run_with

from rig.core.errors import FileProblems
from rig.diagnosis.checks_file import check_findings, load_checks
from rig.diagnosis.diagnose import diagnose
from rig.diagnosis.knowledge.loading import load_knowledge

KNOWN = load_knowledge()


def loaded(tmp_path, text):
    path = tmp_path / "job.checks.toml"
    path.write_text(text)
    return load_checks(path, KNOWN)


def state_of(tmp_path, text, setup=None):
    (one,) = check_findings(loaded(tmp_path, text), KNOWN, setup)
    return one.state, one.found


COIL = '[[check]]\ncheck = "coil_ohms"\nresistance = "{} ohm"\ncoil_temperature = "{} degC"\n'


@pytest.mark.parametrize(
    ("ohm", "degc", "state"),
    # copper: 0.393 % a kelvin at 20 degC (IEC 60228, annex): 22 ohm at 20 degC, 28.05 at 90 degC
    [
        (22, 20, "right"),
        (28.05, 90, "right"),
        (22, 90, "low"),
        (28.05, 20, "high"),
        (12, 20, "low"),
    ],
)
def test_a_coil_is_brought_to_20_degc(tmp_path, ohm, degc, state):
    setup = good().setup
    assert setup.coil.resistance_ohm == 22.0
    assert state_of(tmp_path, COIL.format(ohm, degc), setup)[0] == state


BARE = '[[check]]\ncheck = "coil_ohms"\nresistance = "{} ohm"\n'


def test_a_coil_without_its_temperature_is_taken_as_any_and_says_so(tmp_path):
    # 25 ohm is 10 % above 22 at 53 degC of copper (IEC 60228: 22 x (1 + 0.00393 x 33) = 24.9)
    text = BARE.format(25)
    (one,) = check_findings(loaded(tmp_path, text), KNOWN, good().setup)
    assert 0.2 < one.chances["right"] < 0.8 and one.chances["high"] > 0.1
    assert "state coil_temperature" in one.found
    (low,) = check_findings(loaded(tmp_path, BARE.format(12)), KNOWN, good().setup)
    assert low.state == "low" and low.sure > 0.9, "too low at any temperature"


def test_a_coil_without_a_setup_is_not_judged(tmp_path):
    (one,) = check_findings(loaded(tmp_path, COIL.format(22, 20)), KNOWN, None)
    assert not one.observed and "no setup" in one.found


def test_found_beside_a_reading_is_refused(tmp_path):
    with pytest.raises(FileProblems, match="found and a reading"):
        loaded(tmp_path, COIL.format(12, 20) + 'found = "right"\n')


def test_an_open_coil(tmp_path):
    assert state_of(tmp_path, COIL.format("2e6", 20), good().setup)[0] == "open"


@pytest.mark.parametrize(
    ("coil", "source", "state"),
    [(12.4, 12.6, "right"), (10.9, 12.6, "drop"), (9.6, 9.8, "low_source"), (0.1, 12.6, "none")],
)
def test_supply_under_load(tmp_path, coil, source, state):
    text = f'[[check]]\ncheck = "supply_loaded"\nat_coil = "{coil} V"\nat_source = "{source} V"\n'
    assert state_of(tmp_path, text, good().setup)[0] == state


def test_base_pressure_against_the_service_information(tmp_path):
    text = '[normal]\nbase_pressure_min = "200 kPa"\n[[check]]\ncheck = "base_gauge"\n'
    assert state_of(tmp_path, text + 'pressure = "29 psi"\n')[0] == "low"  # 199.95 kPa
    assert state_of(tmp_path, text + 'pressure = "30 psi"\n')[0] == "right"


def cylinders(*pairs):
    rows = '[[check]]\ncheck = "compression"\n'
    for n, (off, on) in enumerate(pairs, 1):
        rows += f'[[check.cylinder]]\ncylinder = {n}\ncoil_off = "{off} kPa"\n'
        rows += f'coil_on = "{on} kPa"\n'
    return rows


@pytest.mark.parametrize(
    ("pairs", "state", "named"),
    [
        (((900, 970), (890, 965), (905, 975), (900, 972)), "all_rise", ""),
        (((900, 970), (890, 892), (905, 975), (900, 972)), "one_missing", "cylinder 2 does not"),
        (((900, 970), (890, 965), (975, 978), (900, 972)), "one_always_high", "cylinder 3 is high"),
    ],
)
def test_running_compression_names_the_cylinder(tmp_path, pairs, state, named):
    found = state_of(tmp_path, cylinders(*pairs))
    assert found[0] == state
    assert named in found[1]


def test_the_air_test_names_the_rockers(tmp_path):
    rows = '[[check]]\ncheck = "air_test"\n'
    for n, (without, with_) in enumerate([("free", "locked"), ("free", "free")], 1):
        rows += f'[[check.rocker]]\ncylinder = {n}\nrocker = "intake"\n'
        rows += f'without_air = "{without}"\nwith_air = "{with_}"\n'
    state, words = state_of(tmp_path, rows)
    assert state == "one_free"
    assert "cylinder 2 intake" in words and "cylinder 1" not in words


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('[[check]]\ncheck = "oil_levle"\nfound = "low"\n', 'did you mean "oil_level"'),
        ('[[check]]\ncheck = "oil_level"\nfound = "lwo"\n', 'did you mean "low"'),
        ('[[check]]\ncheck = "oil_level"\n', "is missing"),
        ('[[check]]\ncheck = "fuse"\nresistance = "1 ohm"\nfound = "open"\n', "no such reading"),
        ('[[check]]\ncheck = "supply_loaded"\nat_coil = "12 V"\n', "at_source"),
        ('[[check]]\ncheck = "base_gauge"\npressure = "30 psi"\n', "base_pressure_min"),
        ('gauge_at = "inside"\n', "not one of the words"),
        ('[[check]]\ncheck = "coil_ohms"\nresistance = "22 V"\n', "resistance"),
        ("[[chekc]]\n", 'did you mean "check"'),
        ("=", "line 1"),
    ],
)
def test_what_is_wrong_is_refused_in_words(tmp_path, text, told):
    with pytest.raises(FileProblems) as caught:
        loaded(tmp_path, text)
    assert told.lower() in str(caught.value).lower()
    assert "nothing was diagnosed" in str(caught.value)


@pytest.mark.parametrize("typed", ['"2026-11-02T15:05:00+01:00"', "2026-11-02T14:05:00Z"])
def test_when_a_check_was_noted_is_kept_as_utc(tmp_path, typed):
    """RFC 3339, as TOML has it: with quotes or without, with any offset."""
    text = f'[[check]]\ncheck = "oil_level"\nfound = "right"\nnoted = {typed}\n'
    assert loaded(tmp_path, text).check[0].noted == "2026-11-02T14:05:00+00:00"
    with pytest.raises(FileProblems, match="offset"):
        loaded(tmp_path, text.replace(typed, '"2026-13-02T14:05:00Z"'))


def test_a_missing_file_is_refused(tmp_path):
    with pytest.raises(FileProblems):
        load_checks(tmp_path / "none.toml", KNOWN)


def told(tmp_path, run, text=""):
    return diagnose(KNOWN, [run], loaded(tmp_path, text), good())


def test_a_check_parts_what_a_run_cannot(tmp_path):
    """Switch stuck open and its wire open look alike in a run; the bridge parts them."""
    run = run_with("switch stuck open")
    before = told(tmp_path, run)
    by_name = {c.cause: c.probability for c in before.causes}
    assert by_name["switch wire open"] > 0.1 and by_name["switch stuck open"] > 0.1
    assert before.undecided is not None
    done = '[[check]]\ncheck = "drive_isolated"\nfound = "right"\n'
    done += '[[check]]\ncheck = "switch_bridged"\n'
    at_switch = told(tmp_path, run, done + 'found = "closed"\n')
    assert at_switch.causes[0].cause == "switch stuck open"
    at_wire = told(tmp_path, run, done + 'found = "open"\n')
    assert at_wire.causes[0].cause == "switch wire open"
    assert all(check.check != "switch_bridged" for check in at_wire.next)


def test_a_check_that_contradicts_the_run_is_named(tmp_path):
    run = run_with("oil pressure surge")
    found = told(tmp_path, run, '[[check]]\ncheck = "fuse"\nfound = "open"\n')
    assert any("fuse" in text for text in found.contradictions)


def test_a_later_check_of_the_same_kind_replaces_the_earlier_one(tmp_path):
    text = "".join(f'[[check]]\ncheck = "oil_level"\nfound = "{s}"\n' for s in ("low", "right"))
    (one,) = check_findings(loaded(tmp_path, text), KNOWN, None)
    assert one.state == "right"


def test_the_locks_are_found_by_hand_alone(tmp_path):
    run = run_with("rocker lock stuck free")
    before = told(tmp_path, run)
    assert before.valve.result == "conforms"
    rows = cylinders((900, 970), (890, 892), (905, 975), (900, 972))
    found = told(tmp_path, run, rows)
    assert found.causes[0].cause == "rocker lock stuck free"


def test_more_volts_at_the_coil_than_at_the_source_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.checks.toml"
    for at_coil, refused in (("14 V", True), ("12.6 V", False)):
        path.write_text(
            f'[[check]]\ncheck = "supply_loaded"\nat_coil = "{at_coil}"\nat_source = "12.5 V"\n'
        )
        if not refused:
            assert load_checks(path, load_knowledge()).check[0].at_coil_v == 12.6
            continue
        with pytest.raises(FileProblems, match="swapped leads"):
            load_checks(path, load_knowledge())
