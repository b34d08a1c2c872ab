# SPDX-License-Identifier: MIT
"""Names shared by drawings, netlists and lists: lines, header pins, nets, contacts, places."""

from __future__ import annotations

HEADER_PIN = {
    0: 27, 1: 28, 2: 3, 3: 5, 4: 7, 5: 29, 6: 31, 7: 26, 8: 24, 9: 21, 10: 19, 11: 23, 12: 32,
    13: 33, 14: 8, 15: 10, 16: 36, 17: 11, 18: 12, 19: 35, 20: 38, 21: 40, 22: 15, 23: 16, 24: 18,
    25: 22, 26: 37, 27: 13,
}  # fmt: skip
"""Number on the 40-pin header of each GPIO line (the board's documentation, from memory; compared
with a GPIO library in the tests)."""

PRINTED = (
    "supply plus", "supply minus", "ground", "3V3", "engine", "LOAD", "relay supply",
    "source of Q1", "coil's lower end", "USB", "reference", "sensor supply", "own supply",
    "loop supply", "pick-up", "pick-up's return",
)  # fmt: skip
"""Nets whose name is printed in the drawings; so are those of GPIO lines and converter inputs."""

LOOPS = {"stop": ("S0@", "21", "22"), "cover": ("S1", "1", "2"), "confirm": ("S2", "1", "2")}
"""Contact of each loop or button, and its two terminals. S0 is the
one of the coil's supply, so it has no place of its own."""


def gpio(line: int) -> str:
    """The net of a GPIO line."""
    return f"GPIO {line}"


def with_pin(line: int) -> str:
    """The same as printed, with its pin on the header."""
    return f"GPIO {line}, pin {HEADER_PIN[line]}" if line in HEADER_PIN else gpio(line)
