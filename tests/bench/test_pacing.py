# SPDX-License-Identifier: MIT
"""How the loop waits with a converter: slices, early returns, and no starving of anything."""

from __future__ import annotations

from collections.abc import Sequence

from rig.bench import pacing

US, MS = 1000, 1_000_000


class World:
    """Virtual time; something arrives at `arrives_ns`."""

    def __init__(self) -> None:
        self.t_ns, self.arrives_ns, self.waits = 0, 1 << 62, 0

    def now_ns(self) -> int:
        return self.t_ns

    def wait(self, until_ns: int, ready: Sequence[int]) -> None:
        assert list(ready) == [7]
        self.waits += 1
        self.t_ns = max(self.t_ns, min(until_ns, self.arrives_ns))

    def guide(self, instruction: str) -> None: ...


class Converter:
    """A round takes 100 us and is due every `step_ns`."""

    def __init__(self, world: World, step_ns: int, takes_ns: int = 100 * US) -> None:
        self._world, self.step_ns, self._takes_ns = world, step_ns, takes_ns
        self.due_ns, self.rounds = 0, []

    def sample(self) -> None:
        self.rounds.append(self._world.t_ns)
        self._world.t_ns += self._takes_ns
        self.due_ns = max(self.due_ns + (self.step_ns or 20 * MS), self._world.t_ns)

    def drain(self) -> list[object]:
        return []


def test_without_a_converter_it_is_the_worlds_wait() -> None:
    world = World()
    pacing.wait(world, None, 20 * MS, [7])
    assert (world.t_ns, world.waits) == (20 * MS, 1)


def test_rounds_are_made_when_due_and_the_slice_ends() -> None:
    world = World()
    converter = Converter(world, 500 * US)
    pacing.wait(world, converter, 20 * MS, [7])
    assert converter.rounds == [n * 500 * US for n in range(len(converter.rounds))]
    assert pacing.SLICE_NS <= world.t_ns <= pacing.SLICE_NS + 100 * US
    assert pacing.SLICE_NS == 5 * MS


def test_what_arrives_ends_the_wait_before_the_next_round() -> None:
    world = World()
    converter = Converter(world, 2 * MS)
    world.arrives_ns = 2500 * US
    pacing.wait(world, converter, 20 * MS, [7])
    assert world.t_ns == 2500 * US and converter.rounds == [0, 2 * MS]


def test_a_deadline_is_met_to_within_one_round() -> None:
    for until_us in (130, 950, 1001, 4990):
        world = World()
        pacing.wait(world, Converter(world, 250 * US), until_us * US, [7])
        assert until_us * US <= world.t_ns <= until_us * US + 100 * US


def test_a_converter_that_is_always_late_still_lets_the_loop_look() -> None:
    world = World()
    converter = Converter(world, 1, takes_ns=400 * US)
    pacing.wait(world, converter, 20 * MS, [7])
    assert world.t_ns <= pacing.SLICE_NS + 400 * US
    assert world.waits >= len(converter.rounds)  # the descriptors were looked at before each


def test_slow_channels_alone_let_it_sleep() -> None:
    world = World()
    converter = Converter(world, 0)
    converter.due_ns = 30 * MS
    pacing.wait(world, converter, 20 * MS, [7])
    assert (world.t_ns, world.waits, converter.rounds) == (20 * MS, 1, [])
