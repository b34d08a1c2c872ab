# SPDX-License-Identifier: MIT
"""The coil's current: hand-made rises with known answers, and the plant's own in short form."""

from __future__ import annotations

import math
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "studies"))

from current_rigs import draw, one_stroke
from current_signature import study

from rig.analysis.coil import coil_state
from rig.analysis.coil.current_fall import fall
from rig.analysis.coil.current_rise import MOVED, NOT_SEEN, OPEN, rise
from rig.physics.coil import copper_resistance_ohm

STEP_S, STEADY_A, TAU_S = 1e-4, 0.6, 2.5e-3


def plain_rise(n=4000, noise=0.0, at_s=5e-3, seed=1):
    t = np.arange(n) * STEP_S
    i = np.where(t > at_s, STEADY_A * (1 - np.exp(-np.maximum(t - at_s, 0) / TAU_S)), 0.0)
    return t, i + np.random.default_rng(seed).normal(0, noise, n)


def moved_rise(leaves_s, seated_s, growth, n=4000, at_s=5e-3):
    """Euler's method in fine steps on d(flux)/dt = V - R i with an inductance of known course."""
    fine = 2e-6
    t = np.arange(0.0, n * STEP_S, fine)
    part = np.clip((t - at_s - leaves_s) / (seated_s - leaves_s), 0, 1) ** 3
    tau = TAU_S * (1 + growth * part)
    flux, out = 0.0, np.zeros(len(t))
    for k in range(len(t)):
        out[k] = flux / tau[k]
        if t[k] >= at_s:
            flux += fine * (STEADY_A - out[k])
    skip = round(STEP_S / fine)
    return t[::skip], out[::skip]


def test_a_plain_rise_has_its_time_constant_and_no_movement():
    t, i = plain_rise(noise=0.001)
    found = rise(t, i, None, 0.0005)
    assert found.state == NOT_SEEN
    assert found.tau1_s == pytest.approx(TAU_S, rel=0.01)
    assert abs(found.tau1_s - TAU_S) < 3 * found.u_tau1_s + 1e-5
    assert found.steady_a == pytest.approx(STEADY_A, abs=0.0005)
    assert found.onset_s == pytest.approx(5e-3, abs=2 * found.u_onset_s)


@pytest.mark.parametrize("growth", [0.15, 0.3, 0.8])
def test_the_landing_of_a_hand_made_movement(growth):
    t, i = moved_rise(1.5e-3, 3.5e-3, growth)
    found = rise(t, i + np.random.default_rng(2).normal(0, 5e-4, len(i)), None, 5e-4)
    assert found.state == MOVED
    assert found.seated_s == pytest.approx(8.5e-3, abs=0.1e-3)
    assert found.leaves_s == pytest.approx(6.5e-3, abs=2 * found.u_leaves_s)
    assert found.growth == pytest.approx(growth, abs=0.04 + 0.05 * growth)


def test_a_step_of_the_current_is_no_movement_and_is_told():
    """Shorted turns: a fifth of the current is there at once, the rest follows slowly."""
    t, i = plain_rise()
    i = np.where(i > 0, 0.2 * STEADY_A + 0.8 * i, 0.0)
    found = rise(t, i + np.random.default_rng(3).normal(0, 5e-4, len(i)), None, 5e-4)
    assert found.state == NOT_SEEN
    assert found.step == pytest.approx(0.2, abs=3 * found.u_step)


def test_two_time_constants_of_an_eddy_current_are_no_movement():
    """A passive coil with iron losses: a sum of decaying exponentials, never steeper again."""
    t, i = plain_rise()
    rest = np.maximum(t - 5e-3, 0)
    i = np.where(
        t > 5e-3, STEADY_A * (1 - 0.8 * np.exp(-rest / 2.5e-3) - 0.2 * np.exp(-rest / 0.4e-3)), 0
    )
    found = rise(t, i + np.random.default_rng(4).normal(0, 1e-3, len(i)), None, 5e-4)
    assert found.state != MOVED


@pytest.mark.parametrize(
    ("t", "i", "word"),
    [
        (np.arange(10) * 1e-3, np.ones(10), "too few"),
        (np.arange(400) * 1e-3, np.zeros(400), "no current"),
        (*(row[:110] for row in plain_rise()), "too short"),
        (*(row[::20] for row in plain_rise()), "too slowly"),
    ],
)
def test_what_cannot_be_said_is_said(t, i, word):
    found = rise(t, i, None, 0.001)
    assert found.state == OPEN
    assert word in found.why
    assert math.isnan(found.seated_s)


def moved():
    return rise(*moved_rise(1.5e-3, 3.5e-3, 0.3), None, 1e-4)


def test_a_slow_channel_still_tells_the_steady_current():
    found = rise(np.arange(5) * 0.1, np.array([0.0, 0.4, 0.41, 0.4, 0.4]), None, 0.01)
    assert found.state == OPEN
    assert found.steady_a == 0.4
    short = rise(np.arange(5) * 1e-3, np.array([0.0, 0.1, 0.15, 0.18, 0.2]), None, 0.01)
    assert math.isnan(short.steady_a)


def test_a_fall_that_is_over_at_once_shows_nothing():
    t = np.arange(400) * STEP_S
    found = fall(t, np.where(t < 5e-4, STEADY_A, 0.0), 0.0, moved())
    assert math.isnan(found.seated_s)
    assert "too soon" in found.why


def test_a_plain_fall_shows_no_movement():
    t = np.arange(400) * STEP_S
    i = np.maximum(-0.03 + (STEADY_A + 0.03) * np.exp(-t / TAU_S), 0.0)
    i += np.random.default_rng(5).normal(0, 1e-3, len(t))
    found = fall(t, i, 0.0, moved())
    assert math.isnan(found.seated_s)


def judged(steady_a, supply=None, degc=90.0, score=0.0, step=0.0, live=True):
    setup = draw(np.random.default_rng(1)).setup
    return setup, coil_state.coil_state(
        [steady_a] * 3, [score] * 3, [step] * 3, setup, supply, degc, any_live=live
    )


def test_the_coil_of_the_setup_is_sound_between_its_limits():
    setup, _ = judged(0.1)
    ohm = copper_resistance_ohm(setup.coil.resistance_ohm, 100.0) + 0.2
    volt = setup.coil.supply_voltage_v
    for factor, word, supply in (
        (1.0, coil_state.SOUND, None),
        (1.0, coil_state.SOUND, (volt, "measured")),
        (1.6, coil_state.LOW_OHM, (volt, "measured")),
        (1.8, coil_state.HIGH_CURRENT, None),
        (0.5, coil_state.HIGH_OHM, (volt, "stated")),
        (0.5, coil_state.LOW_CURRENT, None),
        (0.001, coil_state.NO_CURRENT, None),
    ):
        _, found = judged(factor * volt / ohm, supply)
        assert found.state == word, (factor, found)
        assert bool(found.next_check) == (word != coil_state.SOUND)
    # half the current at half the supply is a sound coil: the supply has its own link
    _, found = judged(0.5 * volt / ohm, (0.5 * volt, "measured"))
    assert found.state == coil_state.SOUND
    assert found.resistance_ohm == pytest.approx(ohm)
    assert found.coil_degc == pytest.approx(100.0, abs=5)


def test_without_a_setup_nothing_is_judged():
    found = coil_state.coil_state([0.4], [0.0], [0.0], None, None, None, any_live=True)
    assert found.state == coil_state.UNKNOWN
    assert found.steady_a == 0.4


def test_shorted_turns_of_the_plant_are_seen_in_resistance_and_step():
    rng = np.random.default_rng(7)
    rig = draw(rng, shorted_turns="35 %")
    row, _, found = one_stroke(rig, 10_000, rng)
    assert found.coil.state == coil_state.HIGH_CURRENT
    assert found.coil.step == pytest.approx(0.35, abs=0.05)
    assert "at once" in found.coil.found
    assert row.steady_a == pytest.approx(
        rig.setup.coil.supply_voltage_v / rig.setup.coil.resistance_ohm / 0.65, rel=0.4
    )


def test_a_weak_supply_of_the_plant_is_seen():
    rng = np.random.default_rng(8)
    _, _, found = one_stroke(draw(rng, supply_voltage="5 V"), 5000, rng)
    assert found.coil.state == coil_state.LOW_CURRENT
    assert "supply" in found.coil.next_check


def test_the_parts_add_up_to_the_response():
    rng = np.random.default_rng(11)
    while True:
        rig = draw(rng)
        row, truth, _ = one_stroke(rig, 10_000, rng)
        if truth.seated_ns is not None and math.isfinite(row.hydraulic_ms):
            break
    assert row.state == MOVED
    parts = row.electrical_ms + row.mechanical_ms + row.hydraulic_ms
    assert row.seated_ms == pytest.approx(row.electrical_ms + row.mechanical_ms)
    assert parts > row.seated_ms > 0


def test_random_rigs_in_short(full_study):
    """The study of tests/studies in short: nothing false, the landing within its uncertainty."""
    row = study(5000, 200 if full_study else 40, seed=5)
    assert row.wrongly_moved == row.wrongly_still == 0
    assert row.found >= 0.95 * row.moving
    assert row.called_stuck >= 0.7 * row.stuck
    assert row.inside >= 0.9
    assert row.rms_ms < 0.15


def test_the_help_page_s_picture_is_the_one_that_is_drawn():
    from current_picture import PICTURE, svg

    assert PICTURE.read_text(encoding="utf-8") == svg()


def test_the_help_page_s_table_is_the_study_s():
    """Rates and counts of false calls stand in both; whoever runs the study anew edits both."""
    root = Path(__file__).parents[2]
    study_rows = (root / "tests/studies/README.md").read_text().splitlines()
    help_rows = (root / "webui/help/signature.md").read_text().splitlines()
    for rate in ("1", "2", "5", "10"):
        shown = next(row for row in help_rows if row.startswith(f"| {rate} kHz |"))
        first = next(row for row in study_rows if row.startswith(f"| {rate}000 Hz |"))
        cells = [cell.strip() for cell in first.strip("|").split("|")]
        moving, still = cells[1].split(" of ")[1], cells[2]
        stuck, wrong = cells[3].split(" of ")[1], cells[4]
        rms, worst = float(cells[6]), float(cells[7])
        said = [cell.strip() for cell in shown.strip("|").split("|")]
        assert said[2] == f"{wrong} of {stuck}"
        assert said[3] == f"{still} of {moving}"
        assert abs(float(said[4].split()[0]) - rms) <= 0.006
        assert abs(float(said[5].split()[0]) - worst) <= 0.051
