# SPDX-License-Identifier: MIT
"""Rehearsals of cautions for a class: something goes wrong on a simulated rig, in virtual time, and
the rig's own interlock responds. Nothing is logged or latched, and nothing real moves.

The scenario is invented; no such rig, engine or valve exists.
"""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING, Final, Literal, NamedTuple

from rig.core.clock import NS_PER_MS
from rig.core.records import Command, Condition, End, Record, Trip, decode

if TYPE_CHECKING:
    from rig.compose import FastRun

Outcome = Literal["refused", "confirmed", "not confirmed", "live", "finished"]

OUTCOMES: Final[dict[Outcome, str]] = {
    "refused": "It refuses to start.",
    "confirmed": "It switches off, and shows that the coil is dead.",
    "not confirmed": "It commands off, and cannot show that the coil is dead.",
    "live": "It commands off, and the coil stays live.",
    "finished": "It goes on to the end.",
}

SETUP = """\
title = "Invented rig for rehearsals"
backend = "simulated"
medium = "oil"

[coil]
feed_side = "supply"
supply_voltage = "12.6 V"
fuse = "2 A"
resistance = "22 ohm"

[relay]
line = 17

[switch]
line = 22
contact = "normally open"

[readback]
line = 27

[gauge]
port = "simulated"
pattern = "{pressure} {unit}"
period = "100 ms"
measuring_range = ["0 kPa", "700 kPa"]
expected_range = ["0 kPa", "420 kPa"]

[limits]
pressure = "550 kPa"
on_time = "10 s"
duty = "60 %"

[simulated]
seed = 7
fault_after = "3 s"
"""

SHEET = """\
title = "four strokes"
kind = "strokes"
strokes = 4
on_time = "500 ms"
rest = "500 ms"
settle_wait = "2 s"
"""


class Rehearsal(NamedTuple):
    """A caution, what goes wrong on the simulated rig, and what that means on a real one."""

    name: str
    title: str
    caution: str
    happens: str
    fault: str
    on_a_real_rig: str
    stop_in: int = 0
    """Stop is pressed while the coil is on in this stroke."""


REHEARSALS: Final = (
    Rehearsal(
        "stop", "Stop, in the middle of a stroke",
        "Have a hand near the mushroom stop whenever the coil may be energised.",
        "A person presses Stop on the page while the coil is on.", "",
        "Stop on the page asks a program. The mushroom stop cuts the coil's supply and asks "
        "nobody: it is the one to reach for.", 2,
    ),
    Rehearsal(
        "two-drivers", "The control unit is still connected",
        "The solenoid is unplugged from the vehicle's control unit before a run.",
        "The plug was left on, and the control unit drives the coil. Somebody starts a run.",
        "driven by the vehicle",
        "Two drivers on one coil can damage both, and the coil can be live while the program says "
        "off. Here the read-back saw it; a control unit that is silent at that moment is not seen. "
        "Look at the plug itself.",
    ),
    Rehearsal(
        "welded", "The relay's contact welds",
        "The mushroom stop was tried today and cuts the coil's supply.",
        "The relay's contact welds while it is closed. Then the program commands it off.",
        "contact welded",
        "Now only what is wired helps: press the mushroom stop, or pull the fuse. That is why it "
        "was tried before the run.",
    ),
    Rehearsal(
        "pressure", "The pressure climbs over the limit",
        "Take the pressure off before a fitting is opened; never feel for a leak with a hand.",
        "The supply's pressure climbs far over the limit while the strokes go on.",
        "oil pressure surge",
        "Releasing the coil does not lower the supply's pressure. Bring the engine to idle or shut "
        "the supply, and let the pressure fall before anybody goes near the fittings. The relief "
        "valve is what holds without a program.",
    ),
    Rehearsal(
        "gauge-gone", "The gauge's plug comes off",
        "Hoses, fittings and the gauge are rated for more than the relief valve's setting.",
        "The gauge's cable is pulled while the strokes go on.", "gauge disconnected",
        "A rig that does not know the pressure does not go on. How long it takes to notice is the "
        "slowest reaction that the setup allows: until then nobody watches the pressure.",
    ),
    Rehearsal(
        "gauge-frozen", "The gauge sends the same number for ever",
        "The program can fail to see: what must work without it is wired.",
        "The gauge freezes: it sends the last number again and again.", "gauge frozen",
        "A frozen gauge looks like a good one. Compare it with a second gauge, and watch that it "
        "moves when the pressure must move. The relief valve needs no number.",
    ),
    Rehearsal(
        "fuse", "The fuse is blown",
        "The fuse is the one in the setup, and sits at the supply.",
        "The fuse has blown, and nobody noticed. A run begins.", "fuse open",
        "A fuse blows for a reason: find it before another of the same size goes in. Never a "
        "larger one, never a bridge.",
    ),
)  # fmt: skip


class Event(NamedTuple):
    """An event, ms after the first command."""

    t_ms: float
    words: str


class Rehearsed(NamedTuple):
    """What the rig did. `said`: its own message."""

    outcome: Outcome
    said: tuple[str, ...]
    events: tuple[Event, ...]


class _Sink:
    """Keep a run's records in memory, and press Stop if the rehearsal includes it."""

    lag_s = 0.0
    overflowed = False
    reader_gone = False

    def __init__(self, run: FastRun, stop_in: int) -> None:
        self.records: list[Record] = []
        self._orders, self._stop_in = run.bench.orders, stop_in

    def put(self, line: str) -> None:
        record = decode(line)
        self.records.append(record)
        if isinstance(record, Command) and record.on and record.stroke == self._stop_in:
            self._orders.stop_why = "Stop was pressed"


_done: dict[str, Rehearsed] = {}
_lock = threading.Lock()


def rehearse(one: Rehearsal) -> Rehearsed:
    """Rehearse on the simulated rig. The same seed gives the same answer, so it is cached."""
    with _lock:  # a class of thirty asks at once
        if one.name not in _done:
            _done[one.name] = _done_now(one)
        return _done[one.name]


def _done_now(one: Rehearsal) -> Rehearsed:
    from rig.compose import FastRun
    from rig.config.files.loading import pair_from_texts

    fault = f'fault = "{one.fault}"\n' if one.fault else ""
    setup, sheet = pair_from_texts(SETUP + fault, "rehearsal.setup", SHEET, "rehearsal.sheet")
    run = FastRun(setup.setup, sheet.sheet, None)
    try:
        refused = run.preflight().refused
        if refused:
            words = tuple(f"{check.name}: {check.shown}. {check.remedy}" for check in refused)
            return Rehearsed("refused", words, ())
        sink = _Sink(run, one.stop_in)
        run.bench.arm()
        end = run.bench.run(sheet.sheet, sink)
        trip = run.bench.interlock.trip
    finally:
        run.close()
    said = () if trip is None else (trip.message,)
    return Rehearsed(outcome(end), said, events(sink.records, end))


def outcome(end: End) -> Outcome:
    """How a run ended, in the terms a class can guess."""
    if end.reason == "finished":
        return "finished"
    if end.off == "confirmed off":
        return "confirmed"
    return "live" if end.off == "still live" else "not confirmed"


def events(records: list[Record], end: End) -> tuple[Event, ...]:
    """The stroke in which it ended, and what followed."""
    commands = [one for one in records if isinstance(one, Command)]
    energised = [one for one in commands if one.on]
    if not energised:
        return ()
    from_ns = energised[-1].t_ns
    found = [(end.t_ns, f"end of the run: {end.reason}, coil {end.off}")]
    for one in records:
        if isinstance(one, Command):
            word = "on" if one.on else "off"
            found.append((one.t_ns, f"commanded {word}" + f", stroke {one.stroke}" * one.on))
        elif isinstance(one, Trip):
            found.append((one.t_ns, f"trip: {one.rule}"))
        elif isinstance(one, Condition):
            found.append((one.t_ns, f"{one.kind}: {one.detail}"))
    late = sorted((t_ns, words) for t_ns, words in found if t_ns >= from_ns)
    return tuple(Event((t_ns - from_ns) / NS_PER_MS, words) for t_ns, words in late)
