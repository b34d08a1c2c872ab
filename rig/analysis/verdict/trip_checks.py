# SPDX-License-Identifier: MIT
"""After a trip: where to look first, by the rule that tripped."""

from __future__ import annotations

_READ = "read what the trip says and mend it"
_GAUGE = "look at the gauge, its supply, cable and settings"

CHECKS = {
    "over-pressure": "bring the engine to idle or shut the supply, then look for why the pressure "
    "rose (relief valve, speed, supply valve)",
    "pressure rising": "look for what raised the pressure while no stroke did (speed, supply "
    "valve, relief valve)",
    "gauge stale": _GAUGE,
    "gauge implausible": f"{_GAUGE}, its unit first",
    "gauge stuck": "look whether the gauge's display is held, its port blocked, or a valve before "
    "it shut",
    "oil temperature": "let the oil cool, and look at its level and cooling",
    "reading stale": "look at the sensor of that channel, its supply, cable and settings",
    "coil current": "measure the coil's resistance at the plug; a shorted coil or a second feed "
    "draws too much",
    "cylinder pressure": "look at the engine (speed, load, mixture) before the transducer",
    "engine speed": "look at the idle, then at the pick-up and its wire",
    "supply voltage": "look at battery, charger and connections, and measure at the relay",
    "on time": "let the coil cool; give the sheet a shorter on time",
    "duty": "let the coil cool; give the sheet a longer rest",
    "coil heating": "let the coil cool; give the sheet a longer rest",
    "read-back disagreeing": "measure at the coil: fuse, relay contact, wiring, and whether the "
    "vehicle drives it",
    "stop input open": "find out why the mushroom stop was pressed; then its wire",
    "guard cover open": "close the guard cover; then look at its contact and wire",
    "edge source lost": "restart the rig, and look at the timed lines for noise",
    "recorder behind": "look at the storage: card, free space, other programs that write",
    "disk nearly full": "make room where the run log is kept",
    "loop late": "close other programs, and look at the computer's cooling and supply",
    "bench lost": "find out why the bench program died or hung before the next run",
}
"""Rules by the name that stands in the trip."""


def next_check(rule: str) -> str:
    """What to look at first after `rule` tripped; then a person clears."""
    return f"{CHECKS.get(rule, _READ)}; then `rig clear`"
