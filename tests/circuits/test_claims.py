# SPDX-License-Identifier: MIT
"""What the wiring pages claim of each circuit, simulated by ngspice (generic models of our own).

The models themselves are held against formulas that were not made for them: RL decay into a clamp,
RC filters, charge shared between two capacitors.
"""

from __future__ import annotations

import math
import os
import re
import sys
from pathlib import Path

import pytest

CIRCUITS = Path(__file__).parents[2] / "hardware/circuits"
sys.path.insert(0, str(CIRCUITS))

import claims  # noqa: E402
from simulate import simulate  # noqa: E402

from rig.wiring import parts as part_table  # noqa: E402

FULL = os.environ.get("RIG_TESTS_FULL") == "1"
IDS = [f"{claim.group}: {claim.text[:40]}" for claim in claims.CLAIMS]


def printed(page: Path) -> list[list[str]]:
    """The cells of the simulated table of a page."""
    inner = claims.between(page.read_text(), claims.BEGIN, claims.END)
    return [[cell.strip() for cell in row.strip("|").split("|")] for row in inner.split("\n")[2:]]


@pytest.mark.parametrize("claim", claims.CLAIMS, ids=IDS)
def test_a_claim_holds_and_its_page_says_what_the_simulation_shows(claim: claims.Claim) -> None:
    figure = claim.worst(claims.figures(claim))
    assert claim.holds(figure), f"{figure:.4g} {claim.unit}, allowed {claim.limit:g}"
    page = claims.SENSORS if claim.group in claims.SENSOR_GROUPS else claims.README
    rows = [row for row in printed(page) if row[:2] == [claim.group, claim.text]]
    assert len(rows) == 1, "not in the page: python3 hardware/circuits/simulate.py --write"
    cells = claims.cells(claim, figure)
    assert rows[0][2] == cells[2]
    for said, found in zip(rows[0][3:], cells[3:], strict=True):
        (number, unit), (fresh, fresh_unit) = said.split(" "), found.split(" ")
        near = 0.06 * max(abs(figure), abs(float(fresh)))  # two digits, other releases of ngspice
        assert unit == fresh_unit and float(number) == pytest.approx(float(fresh), abs=near)


def test_the_pages_have_no_row_without_a_claim() -> None:
    known = {(claim.group, claim.text) for claim in claims.CLAIMS}
    rows = [*printed(claims.README), *printed(claims.SENSORS)]
    assert {(row[0], row[1]) for row in rows} == known and len(rows) == len(claims.CLAIMS)


def test_a_claim_that_was_never_reached_does_not_hold() -> None:
    claim = claims.CLAIMS[0]
    assert not claim.holds(claim.worst([claim.limit, math.nan]))
    assert math.isnan(claim.of({}))


def test_a_parameter_that_a_circuit_does_not_have_is_refused() -> None:
    with pytest.raises(ValueError, match="no parameter"):
        simulate("coil_clamp", vsuply=12)


def test_every_circuit_is_used_by_a_claim() -> None:
    assert {path.stem for path in CIRCUITS.glob("*.cir")} == {c.circuit for c in claims.CLAIMS}


VALUED = re.compile(r"^(?:R|C|Xz)(?P<digits>[0-9]+)r? (?P<rest>.*)$")


@pytest.mark.parametrize("path", sorted(CIRCUITS.glob("*.cir")), ids=lambda path: path.stem)
def test_a_circuit_takes_its_parts_from_the_table(path: Path) -> None:
    """An element that is named like a part of the table, or its parameter, has no number of its
    own."""
    text = path.read_text()
    given = dict(re.findall(r"(?<= )([a-z0-9_]+)=(\S+)", " ".join(
        line for line in text.split("\n") if line.startswith(".param"))))  # fmt: skip
    for line in text.split("\n"):
        found = VALUED.match(line)
        if found is None:
            continue
        kind = "Z" if line.startswith("Xz") else line[0]
        part = f"{kind}{found['digits']}"
        braces = re.findall(r"\{([^}]*)\}", found["rest"])
        assert part in part_table.PARTS, line
        assert braces, f"{line}: a value of its own"
        assert part in braces[0] or part in given[braces[0]], line


# -- the models against formulas


def test_current_into_a_clamp_decays_as_the_formula_says() -> None:
    """t = L/R ln((I0 + Vc/R) / (I1 + Vc/R)): solution of the RL circuit, any textbook."""
    r, l_h = 14.5, 60e-3
    found = simulate("coil_clamp", rcoil=r, lcoil=l_h)
    clamp_v = 25.5  # 24 V, a diode, and 2 ohm at half an ampere
    i0, i1 = found["on_a"], 0.1 * 14.4 / r
    expected = l_h / r * math.log((i0 + clamp_v / r) / (i1 + clamp_v / r))
    assert found["decay_s"] == pytest.approx(expected, rel=0.05)


def test_the_calculators_say_what_the_simulation_shows() -> None:
    """`rig calc contact` and `clamp` for the coil of the claims: 16 V, 12.8 ohm, 60 mH."""
    from rig.calculators.sizing import COMMANDS
    from rig.physics.coil import clamp_energy_j

    assert {"contact", "clamp"} <= set(COMMANDS)
    found = simulate("coil_clamp", vsupply=16, rcoil=12.8)
    zener_v, diode_v = part_table.PARTS["Z1"].si, 0.75
    slope_v = 2 * found["on_a"]  # 2 ohm in the model; none in the calculators
    both = clamp_energy_j(found["on_a"], 12.8, 60e-3, zener_v + slope_v / 2 + diode_v)
    share = (zener_v + slope_v / 2) / (zener_v + slope_v / 2 + diode_v)
    assert found["stroke_j"] == pytest.approx(both * share, rel=0.03)
    seen_v = 16 + zener_v * 1.05 + 0.8
    assert found["contact_v"] == pytest.approx(seen_v, rel=0.05)


def test_a_low_pass_is_down_as_the_formula_says() -> None:
    """|H| = 1 / sqrt(1 + (2 pi f R C)^2), R of the divider and the resistor after it."""
    found = simulate("anti_alias")
    parts = part_table.PARTS
    upper, lower = parts["R20"].si, parts["R21"].si
    rc = (upper * lower / (upper + lower) + parts["R22"].si) * parts["C20"].si
    ratio = 1 / math.hypot(1, 2 * math.pi * 800 * rc)
    assert found["at800"] / found["dc"] == pytest.approx(ratio, rel=0.02)


def test_charge_is_shared_as_the_formula_says() -> None:
    """The first sample takes C2 / (C1 + C2) of the voltage, R too large to refill meanwhile."""
    found = simulate("converter_kick", cin="10n", rsource=7000)
    lost = 2.9 - found["first_v"]
    assert lost == pytest.approx(2.9 * 20e-12 / (10e-9 + 20e-12), rel=0.1)


def test_a_pulled_up_gate_divides_as_ohm_says() -> None:
    found = simulate("relay_driver", rpin="50k", vpin=3.3)
    assert found["gate_v"] == pytest.approx(3.3 * 10 / 60.1, rel=0.01)


# -- heartbeat


@pytest.mark.timeout(900)
def test_the_heartbeat_holds_over_the_full_study() -> None:
    """600 draws with --full, 20 others than the table's without."""
    draws = claims.heartbeat_draws(claims.DRAWS + (540 if FULL else 20))[claims.DRAWS :]
    chosen = [claim for claim in claims.CLAIMS if claim.cases is claims.PUMP]
    assert len(chosen) == 4
    for measured in (simulate("heartbeat", **case) for case in draws):
        for claim in chosen:
            assert claim.holds(claim.of(measured)), (claim.text, measured)


@pytest.mark.parametrize("rests", [0, 1])
def test_a_line_that_stands_still_lets_the_relay_fall(rests: int) -> None:
    assert 0.1 < simulate("heartbeat", rests=rests, vth=1.0)["hold_s"] < 0.5
