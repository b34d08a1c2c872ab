# SPDX-License-Identifier: MIT
"""Runs for tests of the diagnosis: of the simulated rig, wired as a study's rigs are."""

from __future__ import annotations

import sys
import warnings
from functools import lru_cache
from pathlib import Path
from typing import Any

from rig.config.files.loading import setup_from_text
from rig.core.errors import RigError
from rig.diagnosis.findings.collect import findings_of
from rig.diagnosis.findings.model import Finding, RunSeen

sys.path.insert(0, str(Path(__file__).parents[1] / "studies"))
from diagnosed_rigs import run_of, setup_text


@lru_cache
def run_with(
    fault: str, wiring: str = "gauge behind", seed: int = 7, more: str = "", oil: str = ""
) -> RunSeen | None:
    """A run of the demo's rig with a hidden fault, or several with " + " between them; None where
    the rig refuses to start."""
    place = '[simulated.gauge]\nat = "supply"\n' if wiring == "gauge in front" else ""
    listed = ", ".join(f'"{one}"' for one in fault.split(" + "))
    hidden = f"fault = [{listed}]\n" if fault != "none" else ""
    text = setup_text(wiring, f"[simulated]\n{hidden}{place}{more}")
    told: dict[str, Any] = {}
    if oil:
        told["oil_temperature"] = {"value": float(oil), "unit": "degC", "how": "typed"}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            return run_of(setup_from_text(text, "test").setup, seed, f"run of {fault}", told)
        except RigError:
            return None


@lru_cache
def good(wiring: str = "gauge behind") -> RunSeen:
    """A run of the sound rig with another seed."""
    run = run_with("none", wiring, 3)
    assert run is not None
    return run


def states(fault: str, wiring: str = "gauge behind", **more: Any) -> dict[str, Finding]:
    """Findings by name of a run with that fault."""
    run = run_with(fault, wiring, **more)
    assert run is not None
    return {one.name: one for one in findings_of(run, good(wiring))}
