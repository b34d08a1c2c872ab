# SPDX-License-Identifier: MIT
"""A run in progress, as seen from the lines that the bench sends.

Pure: no clock of its own, no thread.
"""

from __future__ import annotations

import json
from collections import deque
from typing import cast

from rig.bench.interlock.channel_watch import as_sample
from rig.config.setup.model import Setup
from rig.config.sheet.model import RampSheet, Sheet, StrokesSheet
from rig.core.json_values import JsonObject
from rig.core.records import (
    CHANNEL_UNITS,
    READBACK,
    SWITCH,
    Block,
    Command,
    Condition,
    Edge,
    Level,
    Sample,
    Step,
    Trip,
    decode,
)
from rig.results.live_stroke import LiveStrokes
from webui.api.models_live import Band, Input, LastStroke, LiveRun, LiveTrip, StrokeNow
from webui.live.course import Course
from webui.live.ramp import RampView

DOTS_MOST = 400
POINTS_MOST = 600
"""Points of one trace of the current stroke; of a longer one the latest are kept."""
LANES = {READBACK: "coil", SWITCH: "switch"}
"""Label of a timed line's lane if it is not the line's own name."""
MS = 1e6
PLACES = {"A": 2, "V": 2, "degC": 1}
CONDITIONS_MOST = 5


class LiveView:
    """Takes the bench's lines; `facts(now_ns)` is what a page shows of them."""

    def __init__(self, setup: Setup, sheet: Sheet | None, source: str) -> None:
        self._setup, self._sheet, self._source = setup, sheet, source
        self._strokes = LiveStrokes(setup, sheet, source)
        self._total_s = sheet.longest_s if sheet is not None else None
        self._of = sheet.times if sheet is not None else None
        self._ramp = RampView(setup, sheet) if isinstance(sheet, RampSheet) else None
        self._first_ns: int | None = None
        self._step = Step("", 0, 0)
        self._status: JsonObject = {}
        self._samples: dict[str, Sample] = {}
        self._blocks: dict[str, Block] = {}
        self._courses: dict[str, Course] = {}
        self._levels: dict[str, tuple[int, int]] = {}
        self._dots: deque[tuple[int, float | None, float | None]] = deque(maxlen=DOTS_MOST)
        self._conditions: deque[str] = deque(maxlen=CONDITIONS_MOST)
        self._trip: Trip | None = None
        self._guide = ""
        self._begin_stroke(0, 0)
        self.heard_ns = 0

    def line(self, line: bytes, now_ns: int) -> None:
        """Add a record or a status, received at `now_ns`. Raises ValueError for anything else."""
        if line.startswith(b"["):
            self._record(line)
            return
        told = json.loads(line)
        if told.get("tell") == "status":
            self._status = told
            # age counts from when it was sent: a line that waited in a queue is old
            self.heard_ns = min(now_ns, int(told["t_ns"]))
        elif told.get("tell") == "guide":
            self._guide = str(told["instruction"])

    def _record(self, line: bytes) -> None:
        record = decode(line)
        if self._ramp is not None:
            self._ramp.put(record)
        done = self._strokes.put(record)
        # a stroke cut short before the switch could answer is neither answered nor missed
        if done is not None and (done["missed"] or done["response_ms"] is not None):
            self._dots.append((done["number"], done["response_ms"], done["release_ms"]))
        match record:
            case Command(on=on, t_ns=t_ns, stroke=stroke):
                if on:
                    self._begin_stroke(stroke, t_ns)
                self._trace("command", t_ns, float(on))
            case Edge(line=name, level=level, t_ns=t_ns):
                self._levels[name] = (level, t_ns)
                self._trace(LANES.get(name, name), t_ns, self._shown(name, level))
            case Level(line=name, level=level, t_ns=t_ns):
                self._levels[name] = (level, t_ns)
            case Sample(channel=channel, value=value, t_ns=t_ns):
                self._samples[channel] = record
                if channel == "pressure" and value is not None:
                    self._trace("pressure", t_ns, value)
            case Block(channel=channel):
                self._blocks[channel] = record
                if self._stroke_ns:
                    self._course(channel).add(record)
            case Step(name=_, number=_, t_ns=t_ns):
                self._step = record
                self._first_ns = self._first_ns or t_ns
            case Trip():
                self._trip = self._trip or record
            case Condition(kind=kind, detail=detail):
                self._conditions.append(f"{kind}: {detail}")

    def _shown(self, name: str, level: int) -> float:
        """Meaning of a line's level: coil live, contact closed; for any other line the level."""
        if name == READBACK:
            return float(level == self._setup.coil_live_level)
        if name == SWITCH:
            return float(level == self._setup.switch_closed_level)
        return float(level)

    def _begin_stroke(self, number: int, t_ns: int) -> None:
        self._stroke, self._stroke_ns = number, t_ns
        before: dict[str, deque[list[float]]] = getattr(self, "_traces", {})
        names = dict.fromkeys(("command", *LANES.values(), "pressure", *before))
        self._traces = {
            name: deque(([[0.0, before[name][-1][1]]] if before.get(name) else []), POINTS_MOST)
            for name in names
        }
        for course in self._courses.values():
            course.begin(t_ns)

    def _course(self, channel: str) -> Course:
        if channel not in self._courses:
            self._courses[channel] = Course(channel)
            self._courses[channel].begin(self._stroke_ns)
        return self._courses[channel]

    def _trace(self, lane: str, t_ns: int, value: float) -> None:
        if self._stroke_ns:
            points = self._traces.setdefault(lane, deque(maxlen=POINTS_MOST))
            points.append([round((t_ns - self._stroke_ns) / MS, 3), round(value, 3)])

    # -- what is shown

    def facts(self, now_ns: int) -> LiveRun:
        """Everything a page shows of the run; unknown numbers are None."""
        done_s = 0.0 if self._first_ns is None else (now_ns - self._first_ns) / 1e9
        left_s = None if self._total_s is None else max(0.0, self._total_s - done_s)
        return {
            "source": self._source,
            "heard_ms_ago": round((now_ns - self.heard_ns) / MS) if self.heard_ns else None,
            "step": self._step.name or self._status.get("step"),
            "number": self._step.number,
            "of": self._of,
            "strokes_done": self._strokes.done,
            "missed": self._strokes.missed,
            "doubtful": self._strokes.doubtful,
            "left_s": None if left_s is None else round(left_s, 1),
            "commanded_on": self._status.get("commanded_on"),
            "coil_live": self._status.get("coil_live"),
            "switch_closed": self._status.get("switch_closed"),
            "guide": self._guide,
            "inputs": self._inputs(now_ns),
            "stroke": self._stroke_now(now_ns),
            "ramp": None if self._ramp is None else self._ramp.facts(now_ns),
            "dots": [list(dot) for dot in self._dots],
            "bands": bands(self._sheet),
            "last": self._last(),
            "conditions": list(self._conditions),
            "trip": cast("LiveTrip", {"id": self._trip.id, **self._trip._asdict()})
            if self._trip
            else None,
            "lag_s": self._status.get("lag_s"),
        }

    def _stroke_now(self, now_ns: int) -> StrokeNow:
        """The traces of the current stroke; none before the first one."""
        traces = {name: list(points) for name, points in self._traces.items()}
        return {
            "number": self._stroke,
            "now_ms": self._now_ms(now_ns),
            "command": traces.pop("command"),
            "coil": traces.pop("coil"),
            "switch": traces.pop("switch"),
            "pressure": traces.pop("pressure"),
            "lines": traces,
            "channels": {name: course.facts() for name, course in sorted(self._courses.items())},
        }

    def _now_ms(self, now_ns: int) -> float | None:
        return round((now_ns - self._stroke_ns) / MS, 1) if self._stroke_ns else None

    def _last(self) -> LastStroke | None:
        last = self._strokes.last
        if last is None:
            return None
        return {
            "number": last["number"],
            "answered": last["answered"],
            "response_ms": last["response_ms"],
            "release_ms": last["release_ms"],
        }

    def _inputs(self, now_ns: int) -> list[Input]:
        """Each input with its reading, its age and whether it is watched."""
        setup, status = self._setup, self._status
        age_ms = round((now_ns - self.heard_ns) / MS) if self.heard_ns else None
        closed, live = status.get("switch_closed"), status.get("coil_live")
        rows = [_input("Pressure switch", _word(closed, "closed", "open"), age_ms)]
        if setup.readback is not None:
            rows.append(_input("Coil, load side", _word(live, "LIVE", "dead"), age_ms))
        else:
            rows.append(_input("Coil, load side", None, None, watched=False))
        rows.append(self._pressure(now_ns))
        seen = self._seen()
        for channel, sample in sorted(seen.items()):
            if channel != "pressure":
                rows.append(_sampled(channel, sample, now_ns))
        for channel, (value, age_s) in sorted((status.get("channels") or {}).items()):
            if channel not in seen:  # before the run begins only this is sent
                shown = None if value is None else _reading(channel, value)
                name = channel.replace("_", " ").capitalize()
                rows.append(_input(name, shown, round(1e3 * age_s) + (age_ms or 0)))
        for name, wired in (("Stop input", setup.stop_input), ("Guard cover", setup.cover_input)):
            here = wired is not None
            shown = "closed, or it would have tripped" if here else None
            rows.append(_input(name, shown, age_ms if here else None, watched=here))
        return rows

    def _seen(self) -> dict[str, Sample]:
        """The latest reading of each channel; for a fast one that of its latest block."""
        return self._samples | {name: as_sample(block) for name, block in self._blocks.items()}

    def _pressure(self, now_ns: int) -> Input:
        sample = self._seen().get("pressure")
        if sample is not None:
            return _sampled("pressure", sample, now_ns)
        value, age_s = self._status.get("pressure_kpa"), self._status.get("pressure_age_s")
        if value is not None and age_s is not None:
            return _input("Pressure", _reading("pressure", value), round(1e3 * age_s))
        wired = self._setup.gauge is not None or self._setup.analog_of("pressure") is not None
        return _input("Pressure", None, None, watched=wired)


def _word(state: bool | None, yes: str, no: str) -> str | None:
    return None if state is None else yes if state else no


def _input(
    name: str, shown: str | None, age_ms: int | None, *, quality: str = "", watched: bool = True
) -> Input:
    return {"name": name, "shown": shown, "age_ms": age_ms, "quality": quality, "watched": watched}


def _reading(channel: str, value: float) -> str:
    """With as many decimals as are readable while it changes, and no minus before a zero."""
    unit = CHANNEL_UNITS[channel]
    places = PLACES.get(unit, 0)
    return f"{round(value, places) + 0.0:.{places}f} {unit}"


def _sampled(channel: str, sample: Sample, now_ns: int) -> Input:
    name = channel.replace("_", " ").capitalize()
    shown = None if sample.value is None else _reading(channel, sample.value)
    age_ms = round((now_ns - sample.t_ns) / MS)
    return _input(name, shown, age_ms, quality="" if sample.quality == "good" else sample.quality)


def bands(sheet: Sheet | None) -> dict[str, Band]:
    """The acceptance limits of single strokes, or of means, by figure, ms."""
    found: dict[str, Band] = {}
    if isinstance(sheet, StrokesSheet):
        for accept in sheet.accept:
            if accept.figure in ("response", "release") and accept.figure not in found:
                found[accept.figure] = {"min": accept.min_value, "max": accept.max_value}
    return found
