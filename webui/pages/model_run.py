# SPDX-License-Identifier: MIT
"""What really happened inside the plant of a simulated run: the same plant, run again.

The plant is reproducible for the same seed and the same instants of commands, so unrecorded values
can be computed afterwards. They are shown beside the measured chain as a model, and only here:
analysis never sees them.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from typing import TYPE_CHECKING

from rig.actions.analyse_run import texts_of
from rig.analysis.measure.pressure_rise_fall import CHANGE_SHARE
from rig.core.clock import NS_PER_MS, NS_PER_S
from rig.core.json_values import JsonObject
from rig.core.recording import Recording
from rig.core.records import READBACK, SWITCH
from rig.runlog.store import StoredRun
from webui.charts import strokes

if TYPE_CHECKING:
    from rig.simulated.plant import Plant

LONGEST_NS = 600 * NS_PER_S
"""A stroke later in its run than this is not recomputed: it would take too long."""
POINTS = 400
SETTLE_NS = 200 * NS_PER_MS
TOLERANCE_NS = 200_000
"""Allowed distance of the model's edges from the recorded ones: in real time the instant at which
the line changed is known only to within the write."""
KEPT = 24

_models: OrderedDict[tuple[str, int, str], JsonObject] = OrderedDict()
_lock = threading.Lock()


class Motion:
    """Positions of the plant's parts over time, from 0 (not energised) to 1."""

    def __init__(self, closed_level: int) -> None:
        self._closed_level = closed_level
        self.t_ms: list[float] = []
        self.relay: list[int] = []
        self.current_a: list[float] = []
        self.plunger: list[float] = []
        self.spool: list[float] = []
        self.pressure_kpa: list[float] = []
        self.switch: list[int] = []

    def look(self, plant: Plant, t_ns: int, from_ns: int) -> None:
        """Advance time to `t_ns` and record everything."""
        plant.advance(t_ns)
        closings, openings = (
            sum(at <= t_ns for at in plant.truth.times_ns(kind))
            for kind in ("contact closed", "contact open")
        )
        self.t_ms.append(round((t_ns - from_ns) / NS_PER_MS, 6))
        self.relay.append(int(closings > openings))
        self.current_a.append(round(plant.current_a(t_ns), 5))
        self.plunger.append(round(plant.plunger_at(t_ns), 5))
        self.spool.append(round(plant.spool_at(t_ns), 5))
        self.pressure_kpa.append(round(plant.pressure_kpa(t_ns), 4))
        self.switch.append(int(plant.level(SWITCH) == self._closed_level))

    def columns(self) -> JsonObject:
        """All series by name."""
        return {name: column for name, column in vars(self).items() if name[0] != "_"}


def model(
    stored: StoredRun, recording: Recording, stroke: int, way: str, window: tuple[int, int]
) -> JsonObject | None:
    """The plant's own motion in stroke `stroke`, ms after its command; None if the run is not
    simulated. `refused` says why there is none. `window` is from and to, ns."""
    if stored.header.source != "simulated":
        return None
    key = (stored.header.uid, stroke, way)
    with _lock:  # one at a time: a class of thirty asks for the same stroke at once
        if key not in _models:
            _models[key] = _computed(stored, recording, stroke, way, window)
            while len(_models) > KEPT:
                _models.popitem(last=False)
        _models.move_to_end(key)
        return _models[key]


def _computed(
    stored: StoredRun, recording: Recording, stroke: int, way: str, window: tuple[int, int]
) -> JsonObject:
    from rig.simulated.plant import Plant

    setup, _ = texts_of(stored)
    if setup is None or setup.simulated is None:
        return {"refused": "the setup stored with this run is not one of a simulated rig"}
    start_ns = _start_ns(stored)
    if start_ns is None:
        return {"refused": "the run does not say when its plant was started"}
    if window[1] - recording.t0_ns > LONGEST_NS:
        return {"refused": "this stroke comes too late in its run to be computed again"}
    plant = Plant(setup.simulated, setup, stored.header.seed, start_ns)
    times, commands = strokes.times(recording, stroke), recording.commands
    command_ns = times and (times.on_ns if way == "on" else times.off_ns)
    if command_ns is None:
        return {"refused": "this stroke was never commanded so"}
    step_ns = max((window[1] - command_ns) // POINTS, 1)
    motion = Motion(recording.switch_closed_level)
    edges: list[tuple[str, int, int]] = []
    moments = list(range(command_ns, window[1], step_ns))
    todo = [(int(t), bool(on)) for t, on in zip(commands.t_ns, commands.on, strict=True)]
    for t_ns, on in todo:
        while moments and moments[0] < t_ns and command_ns < t_ns:
            motion.look(plant, moments.pop(0), command_ns)
        if t_ns > window[1]:
            break
        plant.set_relay(on, t_ns)
        plant.take_bytes()
        edges += plant.take_edges()
    for moment in moments:
        motion.look(plant, moment, command_ns)
    plant.advance(window[1] + SETTLE_NS)
    edges += plant.take_edges()
    apart = _apart(recording, edges, command_ns, window[1])
    if apart is None or apart > TOLERANCE_NS:
        return {"refused": "computed again, the plant did not give the edges that were recorded"}
    return {
        "refused": "",
        "links": _links(
            plant, edges, command_ns, window[1], way, (motion.t_ms, motion.pressure_kpa)
        ),
        "pressure_kpa": {"t_ms": motion.t_ms, "value": motion.pressure_kpa},
        "motion": motion.columns(),
        "opens_at": setup.simulated.spool.inlet_opens_mm / setup.simulated.spool.travel_mm,
        "apart_ms": round(apart / NS_PER_MS, 6),
    }


def _start_ns(stored: StoredRun) -> int | None:
    """Origin of the plant's own time on the recording's clock."""
    hardware = stored.header.hardware
    if hardware.get("time") == "virtual":
        return 0
    began = str(hardware.get("plant began, ns", ""))
    return int(began) if began.isdigit() else None


def _apart(
    recording: Recording, edges: list[tuple[str, int, int]], from_ns: int, to_ns: int
) -> int | None:
    """The largest distance between a model edge and the recorded one, ns; None if the edges do not
    match."""
    most = 0
    for line in (READBACK, SWITCH):
        series = recording.edges.get(line)
        seen = [] if series is None else list(zip(series.t_ns, series.level, strict=True))
        ours = [(t, level) for name, level, t in edges if name == line and from_ns <= t <= to_ns]
        theirs = [(int(t), int(level)) for t, level in seen if from_ns <= t <= to_ns]
        if [level for _, level in ours] != [level for _, level in theirs]:
            return None
        gaps = (abs(a[0] - b[0]) for a, b in zip(ours, theirs, strict=True))
        most = max(most, *gaps, 0)
    return most


def _moves(t_ms: list[float], pressure_kpa: list[float], landed_ms: float) -> float | None:
    """When the pressure has changed after the plunger landed, ms: by CHANGE_SHARE of its change
    here, as in analysis, and by more than it did before."""
    if not pressure_kpa:
        return None
    away = [abs(value - pressure_kpa[0]) for value in pressure_kpa]
    before = max((one for t, one in zip(t_ms, away, strict=True) if t <= landed_ms), default=0.0)
    least = max(CHANGE_SHARE * max(away), before)
    later = (t for t, one in zip(t_ms, away, strict=True) if t > landed_ms and one > least)
    return next(later, None)


def _links(
    plant: Plant, edges: list[tuple[str, int, int]], command_ns: int, to_ns: int, way: str,
    course: tuple[list[float], list[float]],
) -> list[JsonObject]:  # fmt: skip
    on = way == "on"
    ends: list[int | None] = [command_ns]

    def until(kind: str) -> None:
        after = next((n for n in reversed(ends) if n is not None), command_ns)
        ends.append(next((t for t in plant.truth.times_ns(kind) if after <= t <= to_ns), None))

    until("contact closed" if on else "contact open")
    until("plunger in" if on else "plunger out")
    landed = ends[-1]
    moves_ms = None if landed is None else _moves(*course, (landed - command_ns) / NS_PER_MS)
    ends.append(None if moves_ms is None else command_ns + round(moves_ms * NS_PER_MS))
    until("switch actuated" if on else "switch reset")
    last = [t for name, _, t in edges if name == SWITCH and command_ns <= t <= to_ns]
    ends.append(max(last) if last and ends[-1] is not None else None)
    names = ("relay", "coil and plunger", "spool and passage", "pressure", "switch")
    return [
        {
            "name": name,
            "from_ms": None if a is None else round((a - command_ns) / NS_PER_MS, 6),
            "to_ms": None if b is None else round((b - command_ns) / NS_PER_MS, 6),
            "took_ms": None if a is None or b is None else round((b - a) / NS_PER_MS, 6),
        }
        for name, a, b in zip(names, ends[:-1], ends[1:], strict=True)
    ]
