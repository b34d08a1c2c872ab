# SPDX-License-Identifier: MIT
"""The cut-away drawing: what moves, what is only inferred, and what stands still."""

from __future__ import annotations

import pytest

from webui.charts import cutaway
from webui.charts.chain_links import Instant, Instants, Way
from webui.charts.cutaway import Part

ALL = {"lanes": ("command", "readback", "switch"), "channels": ("coil_current", "pressure")}
FULL = Instants(
    Instant(6.0), Instant(8.0, 0.3), Instant(11.0, 0.4), Instant(19.0, 0.3), Instant(34.0),
    Instant(36.0),
)  # fmt: skip
SWITCH_ONLY = Instants(None, None, None, None, Instant(34.0), Instant(36.0))


def of(found: Instants, way: Way = "on", **recorded: tuple[str, ...]) -> dict[str, Part]:
    parts = cutaway.parts(found, way, **{**ALL, **recorded})
    assert tuple(part.name for part in parts) == cutaway.PARTS
    return {part.name: part for part in parts}


def test_what_an_instrument_shows_follows_its_trace() -> None:
    parts = of(FULL)
    followed = {name: part.follows for name, part in parts.items() if part.follows}
    assert followed == {
        "relay": "readback", "coil": "coil_current", "passage": "pressure", "switch": "switch",
    }  # fmt: skip
    assert all(parts[name].known == "measured" for name in followed)


def test_the_plunger_is_measured_at_its_stops_and_inferred_between() -> None:
    rest, way, landed = of(FULL)["plunger"].stretches
    assert (rest.to_ms, rest.from_at, rest.to_at, rest.known) == (8.0, 0.0, 0.0, "measured")
    assert (way.from_ms, way.to_ms, way.known) == (8.0, 11.0, "inferred")
    assert (way.from_at, way.to_at) == (0.0, 1.0)
    assert (landed.from_ms, landed.from_at, landed.known) == (11.0, 1.0, "measured")


def test_where_leaving_cannot_be_told_apart_the_way_begins_where_the_coil_went_live() -> None:
    unsure = FULL._replace(leaves=Instant(9.5, 2.0))
    rest, way, _ = of(unsure)["plunger"].stretches
    assert rest.known == "inferred"
    assert way.from_ms == 6.0


def test_the_spool_is_never_more_than_inferred() -> None:
    spool = of(FULL)["spool"]
    assert {one.known for one in spool.stretches} == {"inferred"}
    assert [(one.from_ms, one.to_ms) for one in spool.stretches] == [
        (None, 11.0), (11.0, 19.0), (19.0, None),
    ]  # fmt: skip


@pytest.mark.parametrize("gone", ["seated", "moves"])
def test_without_one_of_its_bounds_the_spool_stands_still(gone: str) -> None:
    spool = of(FULL._replace(**{gone: None}))["spool"]
    assert (spool.known, spool.stretches) == ("not measured", ())


def test_a_pressure_that_is_not_of_this_chain_moves_nothing() -> None:
    """A slow gauge, or one at the supply: its channel is there, its instant is not."""
    passage = of(FULL._replace(moves=None))["passage"]
    assert (passage.known, passage.follows) == ("not measured", None)


def test_with_a_switch_alone_everything_else_stands_still() -> None:
    parts = of(SWITCH_ONLY, lanes=("command", "switch"), channels=())
    moving = [name for name, part in parts.items() if part.follows or part.stretches]
    assert moving == ["switch"]
    assert {part.known for name, part in parts.items() if name != "switch"} == {"not measured"}


def test_going_off_begins_at_the_other_end() -> None:
    rest, way, landed = of(FULL, "off")["plunger"].stretches
    assert (rest.from_at, way.from_at, way.to_at, landed.to_at) == (1.0, 1.0, 0.0, 0.0)


def test_a_channel_with_one_reading_is_no_course() -> None:
    traces = {
        "lanes": [{"name": "switch"}],
        "channels": [{"name": "coil_current", "value": [None, 0.4, None]}],
    }
    coil = cutaway.drawn(FULL, "on", traces)[1]
    assert (coil["name"], coil["known"], coil["follows"]) == ("coil", "not measured", None)
