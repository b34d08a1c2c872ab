# SPDX-License-Identifier: MIT
"""The table of figures: all facts about a figure except its numbers, in one place.

All code that judges, lists, shows or exports figures reads it. To add a figure, add its line at the
end of FIGURES, its numbers (a column `key` of rig.analysis.measure's stroke_table or ramp), and its
definition in webui/help/numbers.md.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

from rig.core.reader_units import units
from rig.core.rounding import places

RATE_DIGITS = 4
"""Significant digits of a rate without an uncertainty: rates span decades."""

PER_STROKE = ("each", "mean", "median", "p95", "tolerance")


class Measure(NamedTuple):
    """How values of a quantity appear in results: their `unit`, how many of them make one SI unit,
    and the digits after the point if no uncertainty sets them."""

    unit: str
    per_si: float
    digits: int


MEASURES = {
    "time": Measure("ms", 1e3, 2),
    "pressure": Measure("kPa", 1.0, 1),
    "pressure_rate": Measure("kPa/s", 1.0, 3),
    "count": Measure("", 1.0, 0),
}
"""By quantity: a key of rig.core.quantities.DIMENSIONS (here kPa is the SI unit), or "count"."""


class Figure(NamedTuple):
    """`name` is used in sheets and limits, `key` in results (with the unit; empty if the figure is
    only judged). `kind` of sheet that measures it. `heading`: where help/numbers.md defines it.
    `worse`: the direction in which a valve gets worse, None if neither. `trace` shows it. `of`: how
    it may be judged; `example`: a limit as written."""

    name: str
    key: str
    title: str
    definition: str
    kind: Literal["strokes", "ramp", "hold"]
    quantity: str
    worse: Literal["higher", "lower"] | None
    heading: str
    trace: str
    example: str
    of: tuple[str, ...] = PER_STROKE

    @property
    def unit(self) -> str:
        """Unit of its values in results."""
        return MEASURES[self.quantity].unit

    @property
    def words(self) -> str:
        """Its title within a sentence: "response time"."""
        return self.title.lower()

    @property
    def short(self) -> str:
        """The same where the context shows what is measured: "response"."""
        return self.words.removesuffix(" time").removesuffix(" pressure")

    @property
    def sentence(self) -> str:
        """Its definition on its own."""
        return f"{self.definition[0].upper()}{self.definition[1:]}."

    @property
    def each_of(self) -> str:
        """What gives one number of it: a stroke, a ramp or a hold."""
        return self.kind.removesuffix("s")

    @property
    def unit_read(self) -> str:
        """The unit that its values are shown in."""
        return units().unit(self.unit)

    def digits(self, value: float | None = None) -> int:
        """Digits after the point of a `value`, in `unit_read`, without an uncertainty."""
        most = units().digits(self.unit, MEASURES[self.quantity].digits)
        if self.quantity != "pressure_rate":
            return most
        return min(most, max(0, places(abs(value or 0.0), most) + RATE_DIGITS - 2))


_RAMP = "ramp-actuation-pressure-reset-pressure-differential"

FIGURES = {
    figure.name: figure
    for figure in (
        Figure(
            "response", "response_ms", "Response time",
            "coil live to switch settled in its on state",
            "strokes", "time", "higher", "response-time", "switch", '"150 ms"',
        ),
        Figure(
            "release", "release_ms", "Release time",
            "coil dead to switch settled in its off state",
            "strokes", "time", "higher", "release-time", "coil", '"150 ms"',
        ),
        Figure(
            "bounce", "", "Bounce", "switch edges after the first, up to the settled one",
            "strokes", "count", "higher", "first-edge-and-bounce", "switch", "4",
        ),
        Figure(
            "missed", "", "Missed strokes", "the switch never went on after the command",
            "strokes", "count", "higher", "missed-and-unexpected", "switch", "0", ("total",),
        ),
        Figure(
            "actuation_pressure", "actuation_kpa", "Actuation pressure",
            "switch changes while pressure rises",
            "ramp", "pressure", None, _RAMP, "pressure", '"20 psi"',
        ),
        Figure(
            "reset_pressure", "reset_kpa", "Reset pressure",
            "switch changes back while pressure falls",
            "ramp", "pressure", None, _RAMP, "pressure", '"14 psi"',
        ),
        Figure(
            "differential", "differential_kpa", "Differential", "actuation less reset pressure",
            "ramp", "pressure", None, _RAMP, "pressure", '"6 psi"',
        ),
        Figure(
            "decay_rate", "decay_rate_kpa_s", "Decay rate",
            "how fast the pressure falls while one state is held",
            "hold", "pressure_rate", "higher", "hold-decay-rate", "pressure", '"2 psi/s"',
            ("each",),
        ),
    )
}  # fmt: skip


def figures_of(kind: str) -> dict[str, Figure]:
    """The figures with numbers of their own in this kind of sheet, by key."""
    return {one.key: one for one in FIGURES.values() if one.key and one.kind == kind}


def short_names(kind: str = "strokes") -> dict[str, str]:
    """Their short names, by key."""
    return {key: one.short for key, one in figures_of(kind).items()}


class Column(NamedTuple):
    """A value given for each stroke: its key in results, heading, label on a phone, digits."""

    key: str
    heading: str
    label: str
    digits: int


BESIDE = (
    Column("first_edge_on_ms", "First edge, on", "first edge, on", 2),
    Column("first_edge_off_ms", "First edge, off", "first edge, off", 2),
    Column("bounce_on", "Bounce, on", "bounce, on", 0),
    Column("bounce_off", "Bounce, off", "bounce, off", 0),
    Column("at_switch_on_kpa", "Pressure at switch-on", "pressure, on", 1),
    Column("at_switch_off_kpa", "Pressure at switch-off", "pressure, off", 1),
)
"""Columns beside the figures."""
FIRST = 2
"""Number of figures before BESIDE."""


def stroke_columns() -> tuple[list[Column], list[Column]]:
    """The columns of a stroke, and the figures added later. In a table read by programs these come
    at its end, because a column never moves."""
    named = [
        Column(key, one.short.capitalize(), one.short, one.digits())
        for key, one in figures_of("strokes").items()
    ]
    return [*named[:FIRST], *BESIDE], named[FIRST:]


def words_of(name: str) -> str:
    """The figure of a limit in words; one from a later program by its name."""
    return FIGURES[name].words if name in FIGURES else name
