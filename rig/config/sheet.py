# SPDX-License-Identifier: MIT
"""The sheet: what to do and what to accept (`*.sheet.toml`). It names no valve."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from rig.config.quantity_types import PressureKpa, TimeS
from rig.config.setup import Strict


class Accept(Strict):
    """One acceptance limit: `figure` of `of` lies between `min` and `max`.

    `min` and `max` are quantities with a unit, or plain numbers for counts.
    """

    figure: Literal[
        "response", "release", "bounce", "missed",
        "actuation_pressure", "reset_pressure", "differential", "decay_rate",
    ]  # fmt: skip
    of: Literal["each", "mean", "median", "p95", "total"] = "each"
    max: str | int | None = None
    min: str | int | None = None


class _Sheet(Strict):
    title: str = ""
    settle_wait_s: TimeS = Field(alias="settle_wait", default=2.0, ge=0)
    """Coil off, before the first energise."""
    settle_window_s: TimeS = Field(alias="settle_window", default=0.02, gt=0)
    """A switch has settled when it stays put for this long."""
    base_pressure_min_kpa: PressureKpa | None = Field(alias="base_pressure_min", default=None)
    accept: tuple[Accept, ...] = ()


class StrokesSheet(_Sheet):
    """Energise and release, `strokes` times."""

    kind: Literal["strokes"]
    strokes: int = Field(ge=1, le=100_000)
    on_time_s: TimeS = Field(alias="on_time", gt=0)
    rest_s: TimeS = Field(alias="rest", gt=0)


class HoldSheet(_Sheet):
    """Hold one state and watch the pressure: leak-down."""

    kind: Literal["hold"]
    state: Literal["energised", "released"]
    energise_first_s: TimeS = Field(alias="energise_first", default=2.0, gt=0)
    """With state released: how long the coil is energised before the watch."""
    watch_s: TimeS = Field(alias="watch", gt=0)


class RampSheet(_Sheet):
    """Pressure raised and lowered slowly, `ramps` times: actuation and reset pressure."""

    kind: Literal["ramp"]
    ramps: int = Field(ge=1, le=100)
    coil: Literal["energised", "released"] = "released"
    low_kpa: PressureKpa = Field(alias="low")
    high_kpa: PressureKpa = Field(alias="high")
    ramp_time_max_s: TimeS = Field(alias="ramp_time_max", default=60.0, gt=0)
    """A ramp that takes longer ends the run as aborted."""


Sheet = Annotated[StrokesSheet | HoldSheet | RampSheet, Field(discriminator="kind")]
