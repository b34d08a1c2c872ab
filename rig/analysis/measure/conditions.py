# SPDX-License-Identifier: MIT
"""Facts about a run besides its edges: measured by an instrument, or stated by a person."""

from __future__ import annotations

import numpy as np

from rig.core.recording import Recording
from rig.core.results.run import Conditions


def supply_v(recording: Recording, conditions: Conditions) -> tuple[float, str] | None:
    """The coil supply in volt, and whether it was "measured" or "stated"; None where neither."""
    measured = recording.samples.get("supply_voltage")
    if measured is not None and measured.good.any():
        return float(np.median(measured.value[measured.good])), "measured"
    found_v, how = stated(conditions, "supply_voltage", "V")
    return None if found_v is None else (found_v, how)


def oil_degc(recording: Recording, conditions: Conditions) -> tuple[float, str] | None:
    """The oil temperature, and whether it was "measured" or "stated"; None where neither."""
    measured = recording.samples.get("oil_temperature")
    if measured is not None and measured.good.any():
        return float(np.median(measured.value[measured.good])), "measured"
    degc, how = stated(conditions, "oil_temperature", "degC")
    return None if degc is None else (degc, how)


def stated(conditions: Conditions, name: str, unit: str) -> tuple[float | None, str]:
    """A condition given with the run in `unit`, and how it was obtained."""
    given = conditions.get(name)
    value = given.get("value") if given else None
    if given is None or isinstance(value, bool) or not isinstance(value, int | float):
        return None, ""
    if given.get("unit") != unit or not np.isfinite(value):
        return None, ""
    return float(value), "measured" if given.get("how") == "measured" else "stated"
