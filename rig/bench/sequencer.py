# SPDX-License-Identifier: MIT
"""The sheet as a timed list of actions: a generator that the bench's loop steps through.

Times are measured from the instant at which the last command was actually given, so that an on time
is exact and a late wake-up does not shorten the next rest.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from typing import Literal, NamedTuple

from rig.config.sheet.model import HoldSheet, RampSheet, Sheet, StrokesSheet

NS = 1_000_000_000


class Do(NamedTuple):
    """An action to do now: energise, release, step (enter a step of the sheet), guide, fail."""

    what: Literal["energise", "release", "step", "guide", "fail"]
    text: str = ""
    number: int = 0


class Wait(NamedTuple):
    """Wait until `until_ns`, or until the pressure reaches `above_kpa` / `below_kpa` if sooner."""

    until_ns: int
    above_kpa: float | None = None
    below_kpa: float | None = None


Action = Do | Wait
# Sent back by the loop: the time now, or of the command just given, and whether the awaited
# pressure was reached.
Answer = tuple[int, bool]
Plan = Generator[Action, Answer, None]


def plan(sheet: Sheet) -> Plan:
    """The actions of a sheet. The loop sends (t_ns, reached) for each."""
    if isinstance(sheet, StrokesSheet):
        return _strokes(sheet)
    return _hold(sheet) if isinstance(sheet, HoldSheet) else _ramp(sheet)


def _settle(sheet: Sheet) -> Plan:
    t_ns, _ = yield Do("step", "settle")
    yield Wait(t_ns + int(sheet.settle_wait_s * NS))


def _strokes(sheet: StrokesSheet) -> Plan:
    on_ns, rest_ns = int(sheet.on_time_s * NS), int(sheet.rest_s * NS)
    yield from _settle(sheet)
    for number in range(1, sheet.strokes + 1):
        yield Do("step", "stroke", number)
        t_ns, _ = yield Do("energise", number=number)
        yield Wait(t_ns + on_ns)
        t_ns, _ = yield Do("release", number=number)
        yield Wait(t_ns + rest_ns)


def _hold(sheet: HoldSheet) -> Plan:
    yield from _settle(sheet)
    yield Do("step", "energise", 1)
    t_ns, _ = yield Do("energise", number=1)
    if sheet.state == "released":
        yield Wait(t_ns + int(sheet.energise_first_s * NS))
        t_ns, _ = yield Do("release", number=1)
    yield Do("step", "watch", 1)
    yield Wait(t_ns + int(sheet.watch_s * NS))
    if sheet.state == "energised":
        yield Do("release", number=1)
        yield Wait(t_ns + int((sheet.watch_s + sheet.settle_wait_s) * NS))


def _ramp(sheet: RampSheet) -> Plan:
    limit_ns = int(sheet.ramp_time_max_s * NS)
    yield from _settle(sheet)
    if sheet.coil == "energised":
        yield Do("energise")
    for number in range(1, sheet.ramps + 1):
        for way, above, below in (("raise", sheet.high_kpa, None), ("lower", None, sheet.low_kpa)):
            t_ns, _ = yield Do("step", way, number)
            yield Do("guide", way)
            _, reached = yield Wait(t_ns + limit_ns, above, below)
            if not reached:
                goal = above if above is not None else below
                yield Do(
                    "fail",
                    f"Ramp {number}: the pressure did not reach {goal:.0f} kPa within "
                    f"{sheet.ramp_time_max_s:.0f} s. Check the supply and the hand valve.",
                )
                return
    yield Do("guide", "hold")
    if sheet.coil == "energised":
        yield Do("release")


@dataclass
class Sequencer:
    """Steps a plan. `next_ns` is when to ask it again; None when it is done."""

    steps: Plan
    next_ns: int | None = 0
    _wait: Wait | None = None

    def due(self, now_ns: int, pressure_kpa: float | None) -> Do | None:
        """The next action to do now, or None while waiting or done. Answer it with `done`."""
        wait = self._wait
        if wait is None:
            return self._ask((now_ns, False), first=True)
        reached = pressure_kpa is not None and (
            (wait.above_kpa is not None and pressure_kpa >= wait.above_kpa)
            or (wait.below_kpa is not None and pressure_kpa <= wait.below_kpa)
        )
        if reached or now_ns >= wait.until_ns:
            return self._ask((now_ns, reached))
        return None

    def done(self, t_ns: int) -> Do | None:
        """Report when the last action was done; returns the next one if it is due at once."""
        return self._ask((t_ns, False))

    def _ask(self, answer: Answer, *, first: bool = False) -> Do | None:
        try:
            action = next(self.steps) if first else self.steps.send(answer)
        except StopIteration:
            self.next_ns, self._wait = None, Wait(1 << 62)
            return None
        if isinstance(action, Wait):
            self._wait, self.next_ns = action, action.until_ns
            return self.due(answer[0], None)
        return action
