# SPDX-License-Identifier: MIT
"""A ramp on the bench page: its pressure, rate and pace, held against the records another way."""

from __future__ import annotations

import numpy as np
import pytest
from fast_runs import DEMO, fast_run

from rig.analysis.analyse import analyse
from rig.config.files.loading import load_pair
from rig.core.recording import RecordingBuilder
from rig.core.records import Edge, Sample, Step, decode
from webui.live.ramp import POINTS_MOST, RampView, pace_of
from webui.live.view import LiveView

S = 10**9


@pytest.fixture(scope="module")
def ramps() -> tuple[LiveView, list[object]]:
    """A whole run of the demo's ramp sheet."""
    setup, sheet, lines = fast_run("workshop.setup.toml", "switch-pressures.sheet.toml")
    view = LiveView(setup, sheet, "simulated")
    for line in lines:
        view.line(line, 1)
    return view, [decode(line) for line in lines if line.startswith(b"[")]


def test_every_reading_and_way_is_drawn(ramps: tuple[LiveView, list[object]]) -> None:
    view, records = ramps
    ramp = view.facts(60 * S)["ramp"]
    ways = [r for r in records if isinstance(r, Step) and r.name in ("raise", "lower")]
    assert [name for _, name in ramp["ways"]] == ["raise", "lower"] * 3
    assert ramp["ways"][-1][0] == pytest.approx((ways[-1].t_ns - ways[0].t_ns) / 1e6, abs=0.06)
    sent = [r for r in records if isinstance(r, Sample) and r.channel == "pressure"
            and r.t_ns > ways[0].t_ns]  # fmt: skip
    assert [kpa for _, kpa in ramp["points"]] == [pytest.approx(r.value, abs=0.006) for r in sent]
    assert ramp["low_kpa"] == pytest.approx(68.948, abs=0.01)  # 10 psi, NIST SP 811 B.8
    assert max(kpa for _, kpa in ramp["points"]) >= ramp["high_kpa"]


def test_changes_are_near_what_the_analysis_finds(ramps: tuple[LiveView, list[object]]) -> None:
    """The last pressure before the change, against the pressure that the analysis gives it."""
    view, records = ramps
    setup, sheet = load_pair(DEMO / "workshop.setup.toml", DEMO / "switch-pressures.sheet.toml")
    recording = RecordingBuilder("simulated").add_all(records).build()  # type: ignore[arg-type]
    found = analyse(recording, setup.setup, sheet.sheet if sheet else None).ramp
    assert found is not None
    changes = view.facts(60 * S)["ramp"]["changes"]
    for number, at in enumerate(found.actuation_kpa):
        if np.isfinite(at):
            assert min(abs(kpa - at) for _, _, kpa in changes) < 15.0, (number, at, changes)


def fed(way: str, rate: float, seconds: float = 3.0) -> RampView:
    """A way whose pressure moves steadily at `rate` kPa/s, read ten times a second."""
    setup, sheet = load_pair(DEMO / "workshop.setup.toml", DEMO / "switch-pressures.sheet.toml")
    assert sheet is not None
    view = RampView(setup.setup, sheet.sheet)  # type: ignore[arg-type]
    view.put(Step(way, 1, S))
    for n in range(int(10 * seconds)):
        view.put(Sample("pressure", 150.0 + rate * n / 10, S + n * S // 10, "good"))
    return view


@pytest.mark.parametrize("way", ["raise", "lower"])
def test_the_rate_is_held_against_what_sheet_and_gauge_ask_for(way: str) -> None:
    setup, sheet = load_pair(DEMO / "workshop.setup.toml", DEMO / "switch-pressures.sheet.toml")
    assert sheet is not None
    pace = pace_of(setup.setup, sheet.sheet)  # type: ignore[arg-type]
    swing = 25 * 6.894757  # 10 to 35 psi, NIST SP 811 B.8
    assert pace.least == pytest.approx(swing / 60, rel=1e-5)
    gauge = setup.setup.gauge
    assert gauge is not None and pace.most is not None
    assert pace.most >= 0.05 * swing / gauge.period_s * 0.999
    sign = 1 if way == "raise" else -1
    middle = (pace.least + pace.most) / 2
    for rate, word in (
        (pace.least / 2, "too slow"), (-5.0, "too slow"), (middle, "right"),
        (1.2 * pace.most, "too fast"),
    ):  # fmt: skip
        facts = fed(way, sign * rate).facts(4 * S)
        assert facts["pace"] == word
        assert facts["rate_kpa_s"] == pytest.approx(sign * rate, abs=1e-3)
    assert fed(way, 1.0).facts(4 * S)["left_s"] == 57.0


def test_an_old_or_a_single_reading_has_no_rate() -> None:
    assert fed("raise", 5.0).facts(60 * S)["pace"] is None
    assert fed("raise", 5.0, 0.2).facts(2 * S)["rate_kpa_s"] is None
    empty = fed("raise", 5.0, 0.0).facts(2 * S)
    assert empty["points"] == [] and empty["pace"] is None


def test_a_long_ramp_keeps_its_newest_readings_and_is_bounded() -> None:
    facts = fed("raise", 0.5, 500.0).facts(S)
    assert len(facts["points"]) < 2 * POINTS_MOST
    assert facts["points"][-1][1] == pytest.approx(150 + 0.5 * 499.9, abs=0.1)


def test_bounce_is_one_change() -> None:
    view = fed("raise", 5.0)
    for n, level in enumerate((0, 1, 0)):
        view.put(Edge("switch", level, 4 * S + n * 10**6, n + 1, "plant"))
    assert len(view.facts(5 * S)["changes"]) == 1


def test_other_sheets_have_no_ramp() -> None:
    setup, sheet = load_pair(DEMO / "workshop.setup.toml", DEMO / "workshop.sheet.toml")
    assert (
        LiveView(setup.setup, sheet.sheet if sheet else None, "simulated").facts(1)["ramp"] is None
    )
