# SPDX-License-Identifier: MIT
"""A map of columns against what the file itself says, and what nobody stated is told.

Factors are those of the SI brochure and of NIST SP 811, appendix B.8: 1 psi = 6.894757 kPa, 1 bar =
100 kPa.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from capture_rigs import RIG
from test_instruments import kept_from, semicolon, tab, written

from rig.captures import plan_capture
from rig.captures.mapping import CaptureMap, stated
from rig.core.errors import FileProblems

MAPPED = ["command=Drive", "switch=Contact"]


def table(head: str, units: str = "") -> str:
    """A second of samples at 1 kHz, ten strokes; invented."""
    rows = [f"{n},{n // 50 % 2},{n // 50 % 2},{n % 90}" for n in range(1000)]
    return "\n".join(["An invented logger", head, *([units] if units else []), *rows, ""])


def refused(folder: Path, text: str, *said: str, **more: object) -> list[str]:
    with pytest.raises(FileProblems) as error:
        plan_capture(written(folder, text), RIG, stated([*MAPPED, *said], **more))
    return [f"{one.key}: {one.what}; {one.remedy}" for one in error.value.problems]


@pytest.mark.parametrize(
    ("unit", "said", "words"),
    [
        ("ms", "time_s=T", "mapped as time_s, and the file's own unit is ms; write --map time_ms="),
        ("us", "sample=T", "mapped as sample, and the file's own unit is us"),
        ("s", "time_ns=T", "--map time_s="),
    ],
)
@pytest.mark.parametrize("place", ["unit line", "brackets"])
def test_a_time_in_another_unit_than_the_file_states(tmp_path, unit, said, words, place):
    text = (
        table("T,Drive,Contact,P", f"{unit},,,kPa")
        if place == "unit line"
        else table(f"T [{unit}],Drive,Contact,P")
    )
    named = said if place == "unit line" else f"{said} [{unit}]"
    (told,) = refused(tmp_path, text, named, rate="1 kHz")
    assert words in told


@pytest.mark.parametrize(
    ("unit", "role", "remedy"),
    [
        ("psi", "pressure_kpa", '--map pressure_psi="P"'),
        ("MPa", "pressure_kpa", "--scale pressure_kpa=1000"),
        ("kPa", "pressure_bar", '--map pressure_kpa="P"'),
        ("mbar", "pressure_psi", "--scale pressure_psi=0.01450377"),
        ("V", "pressure_kpa", "map another column"),
        ("mA", "coil_current_a", "--scale coil_current_a=0.001"),
        ("degF", "oil_temperature_degc", "map another column"),
        ("mV", "supply_voltage_v", "--scale supply_voltage_v=0.001"),
    ],
)
def test_a_reading_in_another_unit_than_the_file_states(tmp_path, unit, role, remedy):
    text = table("T,Drive,Contact,P", f"ms,,,{unit}")
    (told,) = refused(tmp_path, text, "time_ms=T", f"{role}=P")
    assert role in told and f"the file's own unit is {unit}" in told and remedy in told


def test_both_are_told_at_once_and_a_stated_scale_counts(tmp_path):
    text = table("T,Drive,Contact,P", "ms,,,psi")
    assert len(refused(tmp_path, text, "time_s=T", "pressure_kpa=P")) == 2
    said = stated([*MAPPED, "time_ms=T", "pressure_kpa=P"], scales=["pressure_kpa=1"])
    plan = plan_capture(written(tmp_path, text), RIG, said)
    assert plan is not None and plan.sure


@pytest.mark.parametrize("unit", ["kPa", "KPA", "kPag", "%", ""])
def test_an_equal_or_unknown_unit_is_no_contradiction(tmp_path, unit):
    text = table("T,Drive,Contact,P", f"ms,,,{unit}")
    said = stated([*MAPPED, "time_ms=T", "pressure_kpa=P"])
    plan = plan_capture(written(tmp_path, text), RIG, said)
    assert plan is not None and plan.sure and plan.remarks == ()


def test_a_map_typed_on_the_page_is_held_against_the_file_too(tmp_path):
    plan = plan_capture(written(tmp_path, tab()), RIG)
    assert plan is not None and plan.by is not None and plan.by.time_unit == "ms"
    typed = CaptureMap.model_validate({**plan.by.model_dump(), "time_unit": "s"})
    with pytest.raises(FileProblems, match="own unit is ms"):
        plan_capture(written(tmp_path, tab()), RIG, None, None, typed)


def test_what_a_kept_map_adds_is_told(tmp_path):
    kept = kept_from(tmp_path, semicolon())
    path = written(tmp_path, semicolon())
    whole = plan_capture(path, RIG, None, kept.get)
    assert whole is not None and whole.sure
    joined = " ".join(whole.remarks)
    assert "From a map confirmed before" in joined and "time_s, command, switch" in joined
    part = plan_capture(path, RIG, stated(["switch=not Switch [V]"]), kept.get)
    assert part is not None and part.sure
    (told,) = part.remarks  # the switch was stated, so nothing of it is guessed
    assert "time_s, command" in told and "switch" not in told.partition("Stated now")[0]
    assert told.endswith("Stated now: switch.")


def test_a_switch_inverted_for_the_setups_sake_is_told(tmp_path):
    assert RIG.switch_closed_level == 0
    plan = plan_capture(written(tmp_path, semicolon()), RIG)
    assert plan is not None and plan.by is not None and plan.by.signals["switch"].inverted
    assert any("switch is read inverted" in one and "closed contact reads low" in one
               for one in plan.remarks)  # fmt: skip
    high = RIG.model_copy(update={"switch": RIG.switch.model_copy(update={"pull": "down"})})
    other = plan_capture(written(tmp_path, semicolon()), high)
    assert other is not None and not any("inverted" in one for one in other.remarks)
