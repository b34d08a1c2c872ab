# SPDX-License-Identifier: MIT
"""How often unchanged pairs are called real, with conditions and mountings that a generator of its
own (numpy alone) gives them; slopes against the worked example of JCGM 100:2008, H.3."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from rig.analysis.compare.allowed_for import Sides
from rig.analysis.compare.compare_runs import compare_figure
from rig.analysis.compare.mounting import Mounting
from rig.analysis.compare.repeatability import one_valve
from rig.analysis.compare.run_values import PRESSURE, SUPPLY, Condition
from rig.analysis.compare.slopes import fitted, least_squares, typed
from rig.analysis.compare.two_samples import difference

PAIRS = 400
N = 30
SD_MS = 1.0
T_MS, P_KPA = 40.0, 320.0
MOST = 0.05 + 3 * (0.05 * 0.95 / PAIRS) ** 0.5
"""Of the share called real where nothing changed: 5 %, and three standard errors of the count."""


def strokes(rng: np.random.Generator, mean: float) -> np.ndarray:
    return mean + SD_MS * rng.standard_normal(N)


def conditions(kpa: float = P_KPA, **more: float) -> dict[str, Condition]:
    return {
        name: Condition(value, 0.0, 0.0, True)
        for name, value in {PRESSURE: kpa, SUPPLY: 12.6, **more}.items()
    }


def at(before: dict[str, Condition], after: dict[str, Condition]) -> Sides:
    return Sides(before, after, True, None)


ALIKE = at(conditions(), conditions())
OneOf = Callable[[np.random.Generator], bool | None]


def share_real(one: OneOf, pairs: int = PAIRS, seed: int = 1) -> float:
    """How many of the pairs were called real."""
    rng = np.random.default_rng(seed)
    return sum(one(rng) is True for _ in range(pairs)) / pairs


def real(before, after, sides=ALIKE, slopes=(), mounting: Mounting | None = None) -> bool | None:
    found = compare_figure("response_ms", before, after, None, sides, slopes, mounting)
    assert found is not None
    return {"real": True, "not shown": False, "withheld": None}[found.allowed_for.result]


def mounted(rng: np.random.Generator, sd: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    """An unchanged valve, mounted twice: `sd` ms from one mounting to the next."""
    one, two = T_MS + sd * rng.standard_normal(2)
    return strokes(rng, one), strokes(rng, two)


def test_a_spread_between_mountings_is_not_taken_for_a_change() -> None:
    """1 ms between mountings: without it seven of ten unchanged pairs differ "by more than
    scatter"; with it one of twenty is called real."""
    known = Mounting(1.0, np.inf, "as typed")
    assert share_real(lambda rng: real(*mounted(rng), mounting=known)) < MOST
    rng = np.random.default_rng(1)
    by_scatter = 0
    for _ in range(200):
        found = difference(*mounted(rng), ordered=False)
        assert found is not None
        by_scatter += found.p < 0.05
    assert 120 < by_scatter < 170


def test_without_a_known_spread_between_mountings_nothing_is_called_real() -> None:
    assert share_real(lambda rng: real(*mounted(rng)), 100) == 0


def test_a_spread_from_a_rig_study_is_only_as_sure_as_the_study() -> None:
    """Two people, three mountings each: four degrees of freedom for the repeatability."""

    def one(rng: np.random.Generator) -> bool | None:
        people = [list(T_MS + rng.standard_normal(3)) for _ in range(2)]
        study = one_valve(people)
        sd, dof = study.parts.repeatability, study.repeatability_dof
        assert dof == 4
        return real(*mounted(rng), mounting=Mounting(sd, dof, "study"))

    assert share_real(one) < MOST


def test_a_change_is_called_real_all_the_same() -> None:
    known = Mounting(1.0, np.inf, "as typed")
    assert (
        share_real(
            lambda rng: real(strokes(rng, T_MS), strokes(rng, T_MS - 12.0), mounting=known), 100
        )
        > 0.99
    )


@pytest.mark.parametrize("exponent", [-0.4, -0.58, -1.0, -1.8])
def test_another_pressure_is_not_taken_for_a_change(exponent: float) -> None:
    """42 and 52 psi, one valve, one mounting: whatever power the time goes with."""
    psi = 6.894757
    sides = at(conditions(42 * psi), conditions(52 * psi))
    moved = T_MS * (52 / 42) ** exponent
    still = Mounting(0.0, np.inf, "one mounting")
    assert (
        share_real(
            lambda rng: real(strokes(rng, T_MS), strokes(rng, moved), sides, mounting=still), 200
        )
        < 0.05
    )
    # a valve that became slower although the pressure is higher is told
    assert (
        share_real(
            lambda rng: real(strokes(rng, T_MS), strokes(rng, T_MS + 3), sides, mounting=still), 50
        )
        > 0.95
    )


def test_a_typed_slope_takes_off_what_the_pressure_did() -> None:
    """The true slope lies where the typed range says: 5 % of unchanged pairs are called real."""
    slope, u = -0.06, 0.01
    given = typed({PRESSURE: (slope - 1.96 * u, slope + 1.96 * u)})
    assert given is not None
    sides, still = at(conditions(290.0), conditions(360.0)), Mounting(0.0, np.inf, "one mounting")

    def one(rng: np.random.Generator) -> bool | None:
        moved = 70.0 * rng.normal(slope, u)
        return real(strokes(rng, T_MS), strokes(rng, T_MS + moved), sides, [given], still)

    assert share_real(one) < MOST
    assert (
        share_real(
            lambda rng: real(strokes(rng, T_MS), strokes(rng, T_MS), sides, [given], still), 100
        )
        > 0.95
    )  # no slower at a higher pressure: that is a change


def test_slopes_from_the_valves_own_runs() -> None:
    """Four mountings at four pressures, 0.3 ms between mountings; then an unchanged pair."""
    still = Mounting(0.3, np.inf, "as typed")
    own = [280.0, 305.0, 335.0, 370.0]
    sides = at(conditions(290.0), conditions(360.0))

    def one(rng: np.random.Generator) -> bool | None:
        runs = [strokes(rng, T_MS - 0.06 * (p - P_KPA) + 0.3 * rng.standard_normal()) for p in own]
        found = fitted(
            [1, 2, 3, 4], [conditions(p) for p in own], np.array([r.mean() for r in runs]),
            np.array([r.std(ddof=1) / N**0.5 for r in runs]), None,
        )  # fmt: skip
        assert found is not None
        assert found.names == (PRESSURE,)
        pair = [T_MS - 0.06 * (p - P_KPA) + 0.3 * rng.standard_normal() for p in (290.0, 360.0)]
        return real(strokes(rng, pair[0]), strokes(rng, pair[1]), sides, [found], still)

    assert share_real(one) < MOST


def test_a_slope_does_not_reach_far_beyond_its_runs() -> None:
    own = [300.0, 320.0, 340.0]
    found = fitted(
        [1, 2, 3], [conditions(p) for p in own], np.array([41.0, 40.0, 39.1]), np.full(3, 0.1), None
    )
    assert found is not None
    assert found.holds(PRESSURE, 295.0, 345.0)
    assert not found.holds(PRESSURE, 250.0, 320.0)
    assert not found.holds(PRESSURE, float("nan"), 320.0)


# JCGM 100:2008, table H.6: thermometer readings t_k (degC) and corrections b_k (degC).
T_K = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
B_K = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]


def test_the_worked_example_of_a_calibration_line() -> None:
    """JCGM 100:2008, H.3.3: slope 0.00218 with standard uncertainty 0.00067, nine degrees."""
    values, covariance, dof = least_squares(np.array([T_K]).T, np.array(B_K))
    assert values[0] == pytest.approx(0.00218, abs=5e-6)
    assert covariance[0, 0] ** 0.5 == pytest.approx(0.00067, abs=5e-6)
    assert dof == 9


def test_several_slopes_against_another_library() -> None:
    """statsmodels.OLS: slopes and their covariance over pressure and temperature."""
    import statsmodels.api as sm

    rng = np.random.default_rng(5)
    x = np.column_stack((rng.normal(320, 25, 12), rng.normal(85, 6, 12)))
    y = 40 - 0.06 * (x[:, 0] - 320) - 0.2 * (x[:, 1] - 85) + rng.normal(0, 0.3, 12)
    values, covariance, dof = least_squares(x, y)
    model = sm.OLS(y, sm.add_constant(x)).fit()
    assert values == pytest.approx(model.params[1:], rel=1e-9)
    assert covariance == pytest.approx(model.cov_params()[1:, 1:], rel=1e-7)
    assert dof == model.df_resid
    with pytest.raises(ValueError, match="moved together"):
        least_squares(np.column_stack((x[:, 0], 2 * x[:, 0] + 1e-4 * x[:, 1])), y)
