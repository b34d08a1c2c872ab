# SPDX-License-Identifier: MIT
"""Leak-down of trapped oil that warms or cools: its lines, and whether the leak is found."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from stroke_trains import MS, Train, setup, sheet

from rig.analysis.analyse import analyse
from rig.config.plant.model import SimulatedRig
from rig.core.records import Sample, Step
from rig.physics.oil import trapped_kpa_per_k
from rig.results.run_json import run_json
from rig.simulated.hydraulics.oil_valve import OilValve

EVERY_MS = 100


def leak_down(kpa, degc=None, *, state="released", medium="oil"):
    """The result of a watch of these readings, every 0.1 s."""
    train = Train()
    train.command(True, 500, 1)
    if state == "released":
        train.command(False, 999, 1)
    train.add(Step("watch", 1, 1000 * MS))
    for name, values in {"pressure": kpa, "oil_temperature": degc}.items():
        for at, value in enumerate([] if values is None else values):
            t_ns = (1000 + EVERY_MS * (at + 1)) * MS
            train.add(Sample(name, float(value), t_ns, "good"))
    train.end(1000 + EVERY_MS * (len(kpa) + 1))
    rig = setup().model_copy(update={"medium": medium})
    return run_json(analyse(train.build(), rig, sheet("hold", state=state, watch="30 s")))


def lines_of(shape):
    return {line["name"]: line for line in shape["budget"]["decay_rate_kpa_s"]["lines"]}


def falling(n=200, per_s=2.0, mean=300.0, seed=1):
    at = EVERY_MS * np.arange(n) / 1000
    return mean - per_s * (at - at.mean()) + np.random.default_rng(seed).normal(0, 0.2, n), at


def test_by_hand():
    """At 401.325 kPa absolute, with 2 % of air: it is 0.50495 % of the volume there;
    0.99495 / 1.4e6 + 0.0050495 / 401.325 = 7.1068e-7 + 1.25822e-5 = 1 / 75 228 kPa. Times
    0.00064 - 3 x 23.1e-6 = 0.0005707 per K. Without air: 1.4e6 x 0.0005707 = 799 kPa; common
    practice reckons with some 0.6 to 1.2 MPa a kelvin for oil shut in (from memory)."""
    assert trapped_kpa_per_k(401.325, 0.02) == pytest.approx(42.93, abs=0.01)
    assert trapped_kpa_per_k(401.325, 0.0) == pytest.approx(799, abs=1)


def test_not_measured_it_is_a_line_of_an_assumed_drift():
    """At 401.325 kPa absolute as above: 0.5 % of air 258 700 kPa, 147.7 kPa/K; 5 % of air 31 091
    kPa, 17.74 kPa/K. The middle is 82.7, the half 65.0; root mean square with air at either
    end 105.2."""
    kpa, _ = falling()
    shape = leak_down(kpa)
    line = lines_of(shape)["oil's temperature"]
    assert line["value"] == pytest.approx(1.5 / 60)
    assert abs(line["sensitivity"]) == pytest.approx(105.2, rel=3e-3)
    assert "not measured" in line["note"]
    low, high = shape["hold"]["interval95"]
    assert low < 2.0 < high
    assert (low + high) / 2 == pytest.approx(shape["hold"]["decay_rate_kpa_s"], abs=1e-5)


def test_measured_it_is_subtracted():
    """Cooling by 0.02 K/s takes 82.7 x 0.02 = 1.65 kPa/s of the 2.0; the stiffness leaves
    65.0 x 0.02 = 1.30 kPa/s open as a half width."""
    kpa, at = falling()
    noise = np.random.default_rng(2).normal(0, 0.02, len(at))
    shape = leak_down(kpa, 90 - 0.02 * at + noise)
    lines = lines_of(shape)
    assert "oil's temperature" not in lines
    open_ = lines["stiffness of the trapped oil"]
    assert open_["part"] == pytest.approx(1.30, rel=0.02)
    assert shape["budget"]["decay_rate_kpa_s"]["correction"] == pytest.approx(-1.65, rel=0.02)
    assert lines["oil's cooling"]["part"] < 0.1 * open_["part"]


@pytest.mark.parametrize("degc", ["coarse", "still", "few"])
def test_a_sensor_that_shows_no_rate_leaves_the_assumed_drift(degc):
    """A display in whole degrees, one that shows the same throughout, and three readings."""
    kpa, at = falling(n=60)
    read = {"coarse": np.round(90.3 - 0.05 * at), "still": 90 + 0 * at, "few": [90.0, 89.9, 89.9]}
    assert "oil's temperature" in lines_of(leak_down(kpa, read[degc]))


@pytest.mark.parametrize("how", [{"state": "energised"}, {"medium": "air"}])
def test_oil_that_is_not_trapped_has_no_such_line(how):
    assert not any("oil" in name for name in lines_of(leak_down(falling()[0], **how)))


@pytest.mark.parametrize("measured", [True, False])
def test_the_leak_is_found_whatever_the_oil_does(measured):
    """Truth from equations of its own (scipy): (1/beta + x p0/p^2) dp/dt = a dT/dt - g (p - p0),
    with the free air, the drift and the leak drawn. At least 54 of 60 (P of fewer at 95 %: 3 %)."""
    chance, inside, missed_without = np.random.default_rng(5), 0, 0
    for seed in range(60):
        drift, air = chance.uniform(-0.025, 0.025), chance.uniform(0.005, 0.05)
        gain = 10 ** chance.uniform(-8.0, -7.3)
        at = EVERY_MS * np.arange(1, 61) / 1000

        def stretch(p, air=air):
            return 1 / 1.4e6 + air * 101.325 / p**2

        def slope(_t, p, drift=drift, gain=gain):
            return (5.707e-4 * drift - gain * (p - 101.325)) / stretch(p)

        p = solve_ivp(slope, (0, at[-1]), [400.0], t_eval=at, rtol=1e-8).y[0]
        leak = gain * (p - 101.325) / stretch(p)
        truth = float(np.mean((leak[1:] + leak[:-1]) / 2))
        noise = np.random.default_rng(seed)
        kpa = p - 101.325 + noise.normal(0, 0.05, len(at))
        degc = 90 + drift * at + noise.normal(0, 0.005, len(at)) if measured else None
        shape = leak_down(kpa, degc)
        low, high = shape["hold"]["interval95"]
        inside += low <= truth <= high
        scatter = lines_of(shape)
        part = next(line["part"] for name, line in scatter.items() if name.startswith("scatter"))
        missed_without += abs(shape["hold"]["decay_rate_kpa_s"] - truth) > 2.1 * part
    assert inside >= 54
    assert missed_without > 30  # the effect is there to be found


def test_the_simulated_gallery_follows_the_formula():
    """Pressure gained by warming alone: net flow over capacity, with and without it."""
    rigs = [SimulatedRig.model_validate({"gallery": {"drain_area": "0 mm^2"}, "oil": oil})
            for oil in ({}, {"warming": "3 K/min"})]  # fmt: skip
    at_pa = 300e3
    plain, warm = (
        valve.still(0.0)(at_pa, 300e3) / valve.capacity(at_pa) / 1e3
        for valve in map(OilValve, rigs)
    )
    assert warm - plain == pytest.approx(0.05 * trapped_kpa_per_k(401.325, 0.02), rel=0.01)
