# SPDX-License-Identifier: MIT
"""What the simulated rig is made of: parameters of its physics, and its hidden fault."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class SimulatedRig(BaseModel):
    """Parameters of the plant; every one has a default."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)
    seed: int = 1
