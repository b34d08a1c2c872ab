# SPDX-License-Identifier: MIT
"""In the guest: start runs and inject one fault into each while the coil is energised.

    guest_faults.py PLAN.json RESULTS.jsonl

Plan: `pairs` (pickled setup and sheet by name, as loaded on the host), `lines` (folder of
sim_gpioN), `relay`, `switch`, `control` (the plant's FIFO), `seed`, `converter` (true: one on the
SPI port), `log` (an empty run log), `tries`. A try has `fault` (its name), `budget_ms`, `do` (a
list of actions, see Actions) and optional `first` (actions before the instant is chosen), `guard`
(false: switched off), `covered` (false: the line should stay high), `sheet` (its name in `pairs`),
`finish` (true: let the run finish by itself).

When the coil is on, the relay line's pull is set up, so that a line whose owner dies stays driven;
after a random time within the stroke the actions are done. Result, one for each try: `fault`,
`waits_ms` (as given: the part of the budget that is a stated wait), `turn_ns` (guest_bare.turn_ns
just before the run), `t0_ns` (just before the actions), `t_end_ns` (from here on the level is no
longer judged: the line has been low for LOW_NS, or the wait timed out), `told` (the desk's
messages), `committed` (the last number of records it reported as committed), `run`, `status`,
`stored` (from the log), `stepped_s`, `fast_readings` (of the converter). Times are CLOCK_MONOTONIC;
the plant's log has the instant at which the line went low.
"""

from __future__ import annotations

import contextlib
import json
import os
import pickle
import random
import select
import shutil
import signal
import sqlite3
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
sys.path += [str(HERE), str(HERE.parent / "kernel")]

import guest_bare  # noqa: E402
import guest_converter  # noqa: E402
import guest_desk  # noqa: E402
import guest_toggle  # noqa: E402

from rig.core import places, state_file  # noqa: E402
from rig.core.records import Block, Condition  # noqa: E402
from rig.runlog.store import RunLog  # noqa: E402

MS = 1_000_000
LOW_NS = 200 * MS  # longer than the rest between two strokes, shorter than a stopped bench's tail
WAIT_BEYOND_S = 1.5
EARLIEST_S, LATEST_S = 0.02, 0.75  # of a stroke's on time
GAUGE = {"line": "P {kpa:.1f} kPa\r\n", "period_ms": 100, "burst": 1}
FREE_MB = 200  # what the memory hog leaves


class World:
    """The lines, the plant's control and the state file."""

    def __init__(self, plan: dict[str, Any], pairs: dict[str, Any]) -> None:
        self.plan, self.pairs = plan, pairs
        self.pulls = {
            n: Path(plan["lines"]) / f"sim_gpio{plan[n]}/pull" for n in ("relay", "switch")
        }
        self.value = os.open(Path(plan["lines"]) / f"sim_gpio{plan['relay']}/value", os.O_RDONLY)
        self.control = os.open(plan["control"], os.O_WRONLY)
        self.state = state_file.state_path(
            places.state_dir(), state_file.rig_name("board", plan["chip"], plan["relay"])
        )
        self.children: list[int] = []

    def high(self) -> bool:
        return os.pread(self.value, 1, 0) == b"1"

    def wait_high(self, within_s: float) -> bool:
        until = time.monotonic() + within_s
        while time.monotonic() < until:
            if self.high():
                return True
            time.sleep(0.002)
        return False

    def pull(self, name: str, up: bool) -> None:
        self.pulls[name].write_text("pull-up" if up else "pull-down")

    def order(self, **order: Any) -> None:
        os.write(self.control, json.dumps(order).encode() + b"\n")

    def rest(self) -> None:
        """Reset everything to before a run; a log of hours would fill the guest's memory."""
        self.pull("relay", False)
        for old in (*places.raw_dir().iterdir(), *places.data_dir().glob("runs.sqlite*")):
            old.unlink()
        shutil.copy(self.plan["log"], places.log_path())
        self.order(gauge=GAUGE)
        for pid in self.children:
            os.kill(pid, signal.SIGKILL)
            os.waitpid(pid, 0)
        self.children.clear()
        self.pull("switch", True)
        if not Path("/dev/ttyUSB0").exists():
            Path("/sys/bus/usb/drivers/ftdi_sio/bind").write_text(usb_interface())
        if self.state.exists():
            state_file.clear_latch(self.state)


USB: list[str] = []


def usb_interface() -> str:
    """The adapter's interface, like 1-1:1.0."""
    if not USB:
        found = Path("/sys/bus/usb/drivers/ftdi_sio").glob("[0-9]*:*")
        USB.extend(path.name for path in found)
    return USB[0]


class Actions:
    """What can be done to a run: [name, argument ...]."""

    def __init__(self, world: World, pids: Callable[[str], int]) -> None:
        self._world, self._pids = world, pids

    def do(self, action: list[Any]) -> None:
        getattr(self, action[0])(*action[1:])

    def signal(self, name: str, *to: str) -> None:
        pids = [self._pids(who) for who in to]  # looked up first: then all at once
        for pid in pids:
            os.kill(pid, getattr(signal, f"SIG{name}"))

    def gauge(self, keys: dict[str, Any]) -> None:
        self._world.order(gauge=keys)

    def send(self, text: str) -> None:
        self._world.order(send=text)

    def unplug(self) -> None:
        Path("/sys/bus/usb/drivers/ftdi_sio/unbind").write_text(usb_interface())

    def plug_in(self, after_s: float) -> None:
        time.sleep(after_s)
        Path("/sys/bus/usb/drivers/ftdi_sio/bind").write_text(usb_interface())

    def hog(self, processes: int) -> None:
        self._spawn(*[_spin] * processes)

    def memory(self) -> None:
        self._spawn(_fill)
        time.sleep(1.0)

    def noise(self, rate_hz: float) -> None:
        path = str(self._world.pulls["switch"])
        self._spawn(lambda: bool(guest_toggle.toggle(path, 10**9, rate_hz, 1)))
        time.sleep(0.5)

    def step_clock(self, seconds: float) -> None:
        time.clock_settime(time.CLOCK_REALTIME, time.time() + seconds)

    def _spawn(self, *works: Callable[[], int]) -> None:
        self._world.children += [guest_desk.forked(work) for work in works]


def _spin() -> int:
    while True:
        pass


def _fill() -> int:
    held = []
    while True:
        words = Path("/proc/meminfo").read_text().split()
        if int(words[words.index("MemAvailable:") + 1]) < FREE_MB * 1000:
            time.sleep(0.05)
        else:
            held.append(bytearray(os.urandom(4096) * 1024))


class Heard:
    """The desk's messages on its pipe."""

    def __init__(self, fd: int) -> None:
        self._fd, self._tail = fd, b""
        self.words: dict[str, Any] = {"committed": 0}

    def listen(self, wait_s: float) -> bool:
        """Read messages; False once the desk is gone."""
        if not select.select([self._fd], [], [], wait_s)[0]:
            return True
        data = os.read(self._fd, 65_536)
        *lines, self._tail = (self._tail + data).split(b"\n")
        for line in lines:
            self.words.update(json.loads(line))
        return bool(data)


def one(world: World, given: dict[str, Any], dice: random.Random) -> dict[str, Any]:
    """One run with its fault."""
    world.rest()
    turn_ns = guest_bare.turn_ns()
    tell_r, tell_w = os.pipe()
    go_r, go_w = os.pipe()
    pair = world.pairs[given.get("sheet", "sheet")]
    guard = bool(given.get("guard", True))
    desk = guest_desk.forked(
        lambda: guest_desk.desk(pair, tell_w, go_r, guard=guard), (tell_w, go_r)
    )
    os.close(tell_w)
    os.close(go_r)
    heard = Heard(tell_r)

    def pid_of(who: str) -> int:
        if who == "recorder":
            while "recorder" not in heard.words:
                assert heard.listen(1.0), "the desk ended"
            return int(heard.words["recorder"])
        state = state_file.read(world.state)
        assert who == "desk" or (state is not None and state.owner is not None)
        return desk if who == "desk" else state.owner.pid  # type: ignore[union-attr]

    actions = Actions(world, pid_of)
    result: dict[str, Any] = {"fault": given["fault"], "budget_ms": given.get("budget_ms")}
    result |= {"covered": given.get("covered", True), "turn_ns": turn_ns}
    result["waits_ms"] = given.get("waits_ms", 0.0)
    bench = 0
    try:
        if not world.wait_high(60):
            heard.listen(0)
            return result | {"unfit": f"the coil was not energised: {heard.words}"}
        bench = pid_of("bench")
        world.pull("relay", True)
        for action in given.get("first", []):
            actions.do(action)
        time.sleep(dice.uniform(EARLIEST_S, LATEST_S))
        if not world.wait_high(2.0):
            heard.listen(0)
            result["unfit"] = f"ended before its fault: {heard.words}"
        result["t0_ns"] = time.monotonic_ns()
        for action in given["do"]:
            actions.do(action)
        if not given.get("finish"):
            watch(world, given, result)
    finally:
        if not given.get("finish"):
            result.setdefault("t_end_ns", time.monotonic_ns())
            world.pull("relay", False)
            with contextlib.suppress(ProcessLookupError):
                os.kill(desk, signal.SIGCONT)
        end(heard, desk, bench, go_w, 40)
        result.setdefault("t_end_ns", time.monotonic_ns())
        world.pull("relay", False)
        os.close(tell_r)
    return result | {"told": heard.words, "committed": heard.words["committed"]} | stored()


def watch(world: World, given: dict[str, Any], result: dict[str, Any]) -> None:
    """Wait until the line has been low for LOW_NS, or until timeout."""
    low_since = 0
    until = result["t0_ns"] + int((given["budget_ms"] / 1e3 + WAIT_BEYOND_S) * 1e9)
    while True:
        now = time.monotonic_ns()
        low_since = 0 if world.high() else low_since or now
        if (low_since and now - low_since > LOW_NS) or (now > until and not low_since):
            result["t_end_ns"] = now
            return
        time.sleep(0.002)


def end(heard: Heard, desk: int, bench: int, go: int, within_s: float) -> None:
    """Release the desk once it has reported how the run ended, and wait for all three."""
    until = time.monotonic() + within_s
    while time.monotonic() < until and "code" not in heard.words and heard.listen(0.1):
        pass
    os.close(go)
    while time.monotonic() < until and os.waitpid(desk, os.WNOHANG) == (0, 0):
        time.sleep(0.01)
    with contextlib.suppress(ProcessLookupError, ChildProcessError):
        os.kill(desk, signal.SIGKILL)
        os.waitpid(desk, 0)
    for pid in (bench, int(heard.words.get("recorder", 0))):
        while pid and state_file.process_started(pid) and time.monotonic() < until + 15:
            time.sleep(0.01)
        if pid and state_file.process_started(pid):
            os.kill(pid, signal.SIGKILL)


def stored() -> dict[str, Any]:
    """The latest run in the log."""
    with contextlib.closing(sqlite3.connect(places.log_path())) as log:
        names = [column[1] for column in log.execute("pragma table_info(runs)")]
        row = log.execute("select * from runs order by id desc limit 1").fetchone()
        run = dict(zip(names, row, strict=True))
        count = log.execute("select sum(n) from chunks where run_id = ?", (run["id"],))
        return {
            "run": run["id"], "status": run["status"], "stored": count.fetchone()[0] or 0,
            "remark": run["remark"], "stepped_s": run["clock_step_s"],
            **of_records(run["id"]),
        }  # fmt: skip


def of_records(run: int) -> dict[str, Any]:
    """What made the run's data doubtful, in order; readings of the converter's fast channels."""
    with RunLog.reading(places.log_path()) as log:
        records = list(log.load(run).records())
    kinds = [record.kind for record in records if isinstance(record, Condition)][:50]
    fast = sum(len(record.codes) for record in records if isinstance(record, Block))
    return {"conditions": kinds, "fast_readings": fast}


def say_time(what: str) -> None:
    print(f"{time.monotonic():.1f} s: {what}", flush=True)


def main() -> None:
    plan_path, result_path = sys.argv[1:]
    plan = json.loads(Path(plan_path).read_text())
    guest_desk.preload()
    if plan.get("converter"):
        guest_converter.install()
    pairs = pickle.loads(Path(plan["pairs"]).read_bytes())
    world, dice = World(plan, pairs), random.Random(plan["seed"])
    usb_interface()
    say_time("ready")
    with Path(result_path).open("w", buffering=1) as results:
        if plan.get("bare"):
            world.rest()
            bare = guest_bare.measure(world, plan["chip"], plan["relay"], plan["bare"], dice)
            results.writelines(json.dumps(result) + "\n" for result in bare)
        for given in plan["tries"]:
            line = json.dumps(one(world, given, dice))
            say_time(line)
            results.write(line + "\n")
    world.rest()


if __name__ == "__main__":
    main()
