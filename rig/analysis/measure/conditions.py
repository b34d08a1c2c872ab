# SPDX-License-Identifier: MIT
"""Facts about a run besides its edges: measured by an instrument, or stated by a person."""

from __future__ import annotations

import numpy as np

from rig.core.recording import Recording
from rig.core.results.run import Conditions


def supply_v(recording: Recording, conditions: Conditions) -> tuple[float, str] | None:
    """The coil supply in volt, and whether it was "measured" or "stated"; None where neither."""
    return _measured_or_stated(recording, conditions, "supply_voltage", "V")


def oil_degc(recording: Recording, conditions: Conditions) -> tuple[float, str] | None:
    """The oil temperature, and whether it was "measured" or "stated"; None where neither."""
    return _measured_or_stated(recording, conditions, "oil_temperature", "degC")


def _measured_or_stated(
    recording: Recording, conditions: Conditions, name: str, unit: str
) -> tuple[float, str] | None:
    measured = recording.samples.get(name)
    if measured is not None and measured.good.any():
        return float(np.median(measured.value[measured.good])), "measured"
    found, how = stated(conditions, name, unit)
    return None if found is None else (found, how)


def stated(conditions: Conditions, name: str, unit: str) -> tuple[float | None, str]:
    """A condition given with the run in `unit`, and how it was obtained."""
    given = conditions.get(name)
    value = given.get("value") if given else None
    if given is None or isinstance(value, bool) or not isinstance(value, int | float):
        return None, ""
    if given.get("unit") != unit or not np.isfinite(value):
        return None, ""
    return float(value), "measured" if given.get("how") == "measured" else "stated"
