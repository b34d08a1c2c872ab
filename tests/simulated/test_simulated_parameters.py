# SPDX-License-Identifier: MIT
"""Parameters of the simulated rig that are refused, and what the refusal says."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from rig.config.plant.model import SimulatedRig
from rig.config.quantity_types import RESOLVED


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ({"fault": "gremlins"}, "low oil pressure"),
        ({"seed": -1}, "greater than or equal to 0"),
        ({"seed": 1.5}, "valid integer"),
        ({"oil": {"temperature": "20 kPa"}}, "temperature"),
        ({"oil": {"free_air": "0 %"}}, "greater than or equal to 0.0005"),
        ({"oil": {"viscosity_40": "9 mm^2/s"}}, "thicker at 100 degC than at 40"),
        ({"oil": {"viscosity_40": "12 mm^2/s", "viscosity_100": "3 mm^2/s",
                  "temperature": "150 degC"}}, "no oil any more at 150 degC"),
        ({"oil": {"viscosity_40": "9000 mm^2/s", "temperature": "-30 degC"}}, "no oil any more"),
        ({"switch": {"actuation": "90 kPa"}}, "reset pressure is not below"),
        ({"plunger": {"spring_end": "60 N"}}, "spring grows faster"),
        ({"spool": {"inlet_opens": "5 mm"}}, "only beyond the spool's travel"),
        ({"relay": {"operate_time": "0.1 ms"}}, "greater than or equal to 0.001"),
        ({"gauge": {"fails": "sometimes"}}, "silent"),
        ({"supply": {"hand_port": "roof"}}, "gallery"),
        ({"electric": {"self_heating_k": True}}, "valid number"),
        ({"electric": {"self_heating_k": float("nan")}}, "finite"),
        ({"gallery": {"volume": 30}}, "without its unit"),
        ({"wheels": {}}, "not permitted"),
    ],
)  # fmt: skip
def test_refused(table: dict[str, Any], words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        SimulatedRig.model_validate(table)


def test_a_plan_carries_it_whole() -> None:
    """Dumped as numbers and read back as a plan, it is the same rig."""
    rig = SimulatedRig.model_validate(
        {"seed": 5, "fault": "cold oil", "oil": {"free_air": "3 %"}, "supply": {"surge": "8 bar"}}
    )
    again = SimulatedRig.model_validate(rig.model_dump(mode="json"), context=RESOLVED)
    assert again == rig
    assert again.supply.surge_kpa == pytest.approx(800.0)
    assert again.oil.free_air == pytest.approx(0.03)
