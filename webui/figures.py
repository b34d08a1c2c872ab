# SPDX-License-Identifier: MIT
"""The summary figures of a result as cards: name, unit, one sentence, and where help defines it."""

from __future__ import annotations

from typing import Any, NamedTuple

from webui import helptexts


class Meaning(NamedTuple):
    """A figure's name, unit, one sentence, the heading in help/numbers, and its trace's colour."""

    name: str
    unit: str
    sentence: str
    heading: str
    tone: str
    digits: int = 1


MEANINGS = {
    "response_ms": Meaning(
        "Response time", "ms",
        "From the coil going live to the switch settled in its on state.",
        "response time", "switch",
    ),
    "release_ms": Meaning(
        "Release time", "ms",
        "From the coil going dead to the switch settled in its off state.",
        "release time", "coil",
    ),
    "bounce_on": Meaning(
        "Bounce, going on", "edges",
        "Switch edges after the first, up to the settled one; a lower bound.",
        "bounce", "switch",
    ),
    "bounce_off": Meaning(
        "Bounce, going off", "edges",
        "Switch edges after the first, up to the settled one; a lower bound.",
        "bounce", "coil",
    ),
    "actuation_kpa": Meaning(
        "Actuation pressure", "kPa",
        "Where the switch changes while the pressure rises.",
        "actuation pressure", "pressure",
    ),
    "reset_kpa": Meaning(
        "Reset pressure", "kPa",
        "Where the switch changes back while the pressure falls.",
        "reset pressure", "pressure",
    ),
    "differential_kpa": Meaning(
        "Differential", "kPa",
        "Actuation pressure less reset pressure.",
        "differential", "pressure",
    ),
}  # fmt: skip

STATISTICS = (("n", "n"), ("sd", "sd"), ("min", "min"), ("median", "median"), ("max", "max"))


class Card(NamedTuple):
    """A figure ready to print: `stats` are (word, text) pairs."""

    meaning: Meaning
    mean: str
    stats: list[tuple[str, str]]
    anchor: str


def cards(result: dict[str, Any] | None) -> list[Card]:
    """The cards of every figure that has numbers, in the order of MEANINGS, others after them."""
    summary = (result or {}).get("summary") or {}
    keys = [*(k for k in MEANINGS if k in summary), *(k for k in summary if k not in MEANINGS)]
    return [_card(key, summary[key]) for key in keys if isinstance(summary[key], dict)]


def _card(key: str, figure: dict[str, Any]) -> Card:
    meaning = MEANINGS.get(key) or Meaning(key.replace("_", " "), "", "", key, "plain")
    stats = [(word, _text(figure.get(name), name, meaning)) for name, word in STATISTICS]
    return Card(meaning, _text(figure.get("mean"), "mean", meaning), stats, anchor(meaning.heading))


def _text(value: Any, name: str, meaning: Meaning) -> str:
    if value is None:
        return "–"
    return str(value) if name == "n" else f"{value:.{meaning.digits + (name == 'sd')}f}"


def anchor(heading: str) -> str:
    """Where help defines it: the page of numbers, at the heading that begins with these words."""
    wanted = helptexts.slug(heading)
    found = ""
    if "numbers" in helptexts.names():
        anchors = helptexts.text("numbers").anchors
        found = next((a for a in anchors if a.startswith(wanted)), "")
    return f"#{found}" if found else ""
