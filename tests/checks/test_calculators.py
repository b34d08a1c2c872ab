# SPDX-License-Identifier: MIT
"""The calculators end to end, typed as a person types, against published values and `fluids`.

A unit lost between the text typed and the formula would show here and not in the formula's checks.
"""

from __future__ import annotations

import json
import math
import shlex

import pytest
from click.testing import CliRunner
from fluids.flow_meter import flow_meter_discharge
from fluids.friction import friction_laminar
from fluids.safety_valve import API520_A_g

from rig.cli.calc import command


def values(line: str) -> dict[str, float]:
    done = CliRunner().invoke(command, [*shlex.split(line), "--json"])
    assert done.exit_code == 0, done.exception
    found: dict[str, float] = json.loads(done.output)["values"]
    return found


@pytest.mark.parametrize(
    ("line", "name", "expected"),
    [
        # IEC 60028, alpha 0.00393 /K (recalled): 10 ohm at 20 degC is 13.144 ohm at 100 degC
        ('coil --voltage "12 V" --resistance "10 ohm"', "resistance_hot_ohm", 13.144),
        ('coil --voltage "12000 mV" --resistance "0.02 kohm"', "current_20_a", 0.6),
        ('coil --voltage "12 V" --resistance "20 ohm"', "power_20_w", 7.2),
        # IEC 60034-1 resistance method (clause from memory)
        ('winding --cold "10 ohm" --hot "12.5 ohm" --cold-temperature "77 degF" '
         '--ambient "27 degC"', "rise_k", 63.0),
        # RL circuit, closed form; integrated by scipy in the checks of the formulas
        ('pull-in --voltage "12 V" --resistance "20 ohm" --inductance "0.05 H" '
         '--current "300 mA"', "pull_in_s", 1.732868e-3),
        ('release --resistance "20 ohm" --inductance "50 mH" --from "0.6 A" --to "0.1 A" '
         '--zener "24 V"', "release_diode_s", 3.870876e-3),
        ('release --resistance "20 ohm" --inductance "50 mH" --from "0.6 A" --to "0.1 A" '
         '--zener "24 V"', "release_zener_s", 0.795283e-3),
        ('release --resistance "20 ohm" --inductance "50 mH" --from "0.6 A" --to "0 A" '
         '--zener "24 V"', "release_zener_s", 0.989934e-3),
        ('release --resistance "20 ohm" --inductance "50 mH" --from "0.6 A" --to "0 A"',
         "energy_j", 9.0e-3),
        # ASTM B258 and IEC 60028: 18 AWG, 3 m out and back, 1 A
        ('wire --gauge 18 --length "3 m" --current "1 A"', "drop_v", 0.125689),
        ('wire --gauge 16 --length "0.5 km" --current "1 A"', "resistance_ohm", 13.174),
        # ISO 8820-3 as data sheets quote it (second hand): 200 % opens in 0.15 to 5 s
        ('fuse --current "10 A" --rating "5 A"', "opens_shortest_s", 0.15),
        ('fuse --current "10000 mA" --rating "5 A"', "opens_longest_s", 5.0),
        ('fuse --current "3 A" --rating "5 A"', "margin_a", 0.75),
        # DIN VDE 0298-4 as makers quote it: 0.75 mm^2 free in air 15 A; 0.71 at 50 degC
        ('protect --current "1 A" --rating "3 A" --area "0.75 mm^2" --length "3 m"',
         "ampacity_a", 15.0),
        ('protect --current "1 A" --rating "3 A" --area "1.5 mm^2" --length "3 m" '
         '--surroundings "50 degC"', "ampacity_a", 24.0 * math.sqrt(0.5)),
        # IEC 60364-4-43: k = 115 for copper in PVC, so 1 mm^2 withstands 115^2 A^2 s
        ('protect --current "1 A" --rating "3 A" --area "1 mm^2" --length "3 m"',
         "wire_a2s", 226.0**2 * math.log(394.5 / 304.5)),
        # textbook: 16 V + 25.2 V + 0.8 V
        ('contact --supply "16 V" --zener "24 V" --current "1.2 A" --rating-voltage "60 V" '
         '--rating-current "5 A"', "contact_v", 42.0),
        # integral of the RL decay into 24 V + 0.7 V, by hand
        ('clamp --voltage "16 V" --resistance "12.8 ohm" --inductance "60 mH" --zener "24 V" '
         '--rate "10 Hz" --rating "5 W"', "mean_w",
         10 * 24.0 * 0.06 / 12.8 * (1.25 - 24.7 / 12.8 * math.log(1 + 1.25 * 12.8 / 24.7))),
        # ASTM D341 short form through the points of ASTM D2270's example oil
        ('viscosity --at-40 "73.3 cSt" --at-100 "8.86 mm^2/s" --temperature "60 degC"',
         "kinematic_mm2_s", 30.082611),
        ('viscosity --at-40 "73.3 cSt" --at-100 "8.86 mm^2/s" --temperature "176 degF"',
         "kinematic_mm2_s", 15.180386),
        # density coefficient 0.00064 /K, typical (from memory)
        ('viscosity --at-40 "73.3 cSt" --at-100 "8.86 cSt" --temperature "100 degC" '
         '--density "0.87 kg/l"', "density_kg_m3", 822.672),
        ('viscosity --at-40 "73.3 cSt" --at-100 "8.86 cSt" --temperature "100 degC" '
         '--density "870 kg/m^3"', "dynamic_mpa_s", 8.86 * 0.822672),
        ('index --at-40 "53.47 cSt" --at-100 "7.8 cSt"', "viscosity_index", 111),
        # Merritt, laminar leakage along a land
        ('land --diameter "12 mm" --clearance "10 um" --length "3 mm" --drop "5 bar" '
         '--dynamic-viscosity "10 mPa*s"', "leak_ml_min", 3.14159265),
        ('land --diameter "1.2 cm" --clearance "10 um" --length "3 mm" --drop "500 kPa" '
         '--dynamic-viscosity "10 cP" --eccentricity 1', "leak_ml_min", 7.853982),
        ('land --diameter "12 mm" --clearance "10 um" --worn-clearance "0.02 mm" --length "3 mm" '
         '--drop "500 kPa" --viscosity "10 cSt" --density "1000 kg/m^3"', "ratio", 8.0),
        # choked nozzle flow, 600 kPa absolute, 1 mm, Cd 0.61 (gas dynamics)
        ('air --diameter "1 mm" --upstream "500 kPa" --atmosphere "100 kPa"', "mass_g_s",
         0.6785276),
        # EN 1779 / ASTM E2930 class: 100 cm3, 1 kPa in 60 s (standards from memory)
        ('leak --volume "100 ml" --start "5 bar" --end "4.99 bar" --time "1 min"',
         "leak_pa_m3_s", 1.666667e-3),
        ('leak --volume "100 cm^3" --start "500 kPa" --end "499 kPa" --time "60 s"',
         "leak_cm3_min", 0.986923),
        ('leak --volume "100 cm^3" --start "500 kPa" --end "499 kPa" --time "60 s" '
         '--reference "0 degC"', "leak_cm3_min", 0.919591),
    ],
)  # fmt: skip
def test_published_values(line: str, name: str, expected: float) -> None:
    assert values(line)[name] == pytest.approx(expected, rel=4e-5)  # as many digits as published


def test_oil_through_a_hole_against_fluids() -> None:
    # fluids: ISO 5167 meter equation with a given C and a very large pipe
    kg_s = flow_meter_discharge(D=10.0, Do=0.0012, P1=400e3, P2=100e3, rho=840.0, C=0.7)
    found = values('orifice --diameter "1.2 mm" --drop "3 bar" --density "840 kg/m^3" '
                   '--discharge 0.7 --viscosity "12 cSt"')  # fmt: skip
    assert found["flow_l_min"] == pytest.approx(kg_s / 840.0 * 6e4, rel=1e-6)
    speed = found["flow_l_min"] / 6e4 / (math.pi / 4 * 0.0012**2)
    assert found["reynolds"] == pytest.approx(speed * 0.0012 / 12e-6, rel=1e-9)


def test_choked_air_against_the_sizing_equation_of_api_520() -> None:
    found = values('air --diameter "1.5 mm" --upstream "600 kPa" --temperature "35 degC"')
    area = API520_A_g(
        m=found["mass_g_s"] / 1000, T=308.15, Z=1.0, MW=28.9651, k=1.4, P1=701.325e3,
        P2=101.325e3, Kd=0.61,
    )  # fmt: skip
    assert found["choked"]
    assert area == pytest.approx(math.pi / 4 * 0.0015**2, rel=5e-5)


def test_a_land_is_a_slot_unrolled() -> None:
    """Darcy's friction with the hydraulic diameter 2c and the slot's 96/Re (fluids: 64/Re)."""
    found = values('land --diameter "12 mm" --clearance "15 um" --length "3 mm" --drop "3 bar" '
                   '--viscosity "12 cSt"')  # fmt: skip
    q, c, width = found["leak_ml_min"] / 6e7, 15e-6, math.pi * 0.012
    speed = q / (c * width)
    reynolds = speed * 2 * c / 12e-6
    assert found["reynolds"] == pytest.approx(reynolds, rel=1e-9)
    friction = friction_laminar(reynolds) * 96 / 64
    drop = friction * 0.003 / (2 * c) * 850.0 * speed * speed / 2
    assert drop == pytest.approx(300e3, rel=1e-9)


def test_a_leak_is_what_has_left_by_the_gas_law() -> None:
    """Moles at the start less moles at the end, turned into a volume at the reference."""
    r, volume = 8.31446261815324, 250e-6
    p1, p2, t1, t2 = 601.325e3, 594.325e3, 296.15, 295.55
    moles = p1 * volume / (r * t1) - p2 * volume / (r * t2)
    cm3_min = moles * r * 293.15 / 101.325e3 * 1e6 / 1.5
    found = values('leak --volume "250 cm^3" --start "500 kPa" --end "493 kPa" --time "90 s" '
                   '--start-temperature "23 degC" --end-temperature "22.4 degC"')  # fmt: skip
    assert found["leak_cm3_min"] == pytest.approx(cm3_min, rel=1e-9)
