# SPDX-License-Identifier: MIT
"""The guard and `rig safe` with a wired read-back, and against processes that do not end."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

sys.path.append(str(Path(__file__).resolve().parent.parent / "io"))

import fake_gpiod
from test_board import READBACK_LINE, RELAY, setup

from rig.config.files.resolved import dump
from rig.core import coil_heat, messages, state_file
from rig.core.errors import HardwareError
from rig.core.records import EDGE_SOURCE_RULE, OFF_STATES, READBACK_RULE, Trip, encode
from rig.core.state_file import Owner, RigState
from rig.desk import guard, safe
from rig.desk.session import Session, Watcher
from rig.desk.signals import StopSignals
from rig.io import chips, gpio

CONFIRMED, COMMANDED, LIVE, ON_GROUND = OFF_STATES
SUPPLY = {"feed_side": "supply", "supply_voltage": 12.6, "fuse": 5.0, "resistance": 14.5}
LIMITS = {"readback_delay": 0.06}


def rig(feed_side: str = "supply") -> RigState:
    wired = setup(None, coil=SUPPLY | {"feed_side": feed_side}, limits=LIMITS)
    return RigState("pinctrl-rp1-line17", "board", wired.chip, RELAY, dump(wired))


class Chip:
    """One fake chip with the relay and the read-back of `rig()`."""

    def __init__(self, node: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.kernel, self.path = fake_gpiod.kernel([node], ["pinctrl-rp1"]), str(node)
        monkeypatch.setattr(chips, "gpiod_module", self.kernel.package)
        monkeypatch.setattr(chips, "_nodes", lambda _dev: [node])

    def line(self, offset: int) -> fake_gpiod.FakeLine:
        return self.kernel.line(self.path, offset)


@pytest.fixture
def chip(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Chip:
    return Chip(tmp_path / "gpiochip0", monkeypatch)


@pytest.fixture(autouse=True)
def let_go() -> Iterator[None]:
    yield
    while guard._HELD:
        guard._HELD.pop().close()


def looks(monkeypatch: pytest.MonkeyPatch, levels: Sequence[int]) -> None:
    """What the read-back shows at one look after the other; the last one stays."""
    left = list(levels)
    monkeypatch.setattr(gpio, "read_level", lambda *_: left.pop(0) if len(left) > 1 else left[0])


def live_level(state: RigState) -> int:
    from rig.config.files.resolved import setup_from_plan

    return setup_from_plan(state.plan).coil_live_level


@pytest.mark.parametrize("side", ["supply", "ground"])
@pytest.mark.parametrize(("live", "off"), [(False, CONFIRMED), (True, LIVE)])
def test_the_readback_decides_on_either_feed_side(
    chip: Chip, side: str, live: bool, off: str
) -> None:
    state = rig(side)
    level = live_level(state)
    chip.line(READBACK_LINE).level = level if live else 1 - level
    reach = ON_GROUND if side == "ground" and off == CONFIRMED else off
    assert guard.drive_off(state) == reach


def test_the_live_level_is_another_on_the_ground_side() -> None:
    assert live_level(rig("supply")) != live_level(rig("ground"))


def test_one_dead_look_confirms_nothing(chip: Chip, monkeypatch: pytest.MonkeyPatch) -> None:
    state = rig()
    live = live_level(state)
    looks(monkeypatch, [live, 1 - live, live, 1 - live] + [live] * 40)
    assert guard.drive_off(state) == LIVE


def test_two_dead_looks_in_a_row_confirm(chip: Chip, monkeypatch: pytest.MonkeyPatch) -> None:
    state = rig()
    live = live_level(state)
    looks(monkeypatch, [live, 1 - live, 1 - live, live])
    assert guard.drive_off(state) == CONFIRMED


def test_a_look_that_fails_confirms_nothing(chip: Chip) -> None:
    chip.line(READBACK_LINE).consumer = "another program"
    assert guard.drive_off(rig()) == COMMANDED


def test_a_line_that_does_not_go_low_is_not_called_off(
    chip: Chip, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(gpio.HeldLine, "low", False)
    with pytest.raises(HardwareError, match="does not read low"):
        guard.drive_off(rig())


@pytest.mark.parametrize("rule", [READBACK_RULE, EDGE_SOURCE_RULE])
def test_a_readback_that_was_found_wrong_confirms_nothing(chip: Chip, rule: str) -> None:
    state = rig()
    chip.line(READBACK_LINE).level = 1 - live_level(state)
    doubted = replace(state, trip=Trip(rule, None, None, "", 1, "wrong"))
    assert guard.drive_off(doubted) == COMMANDED
    guard._HELD.pop().close()
    assert guard.drive_off(state, doubted=True) == COMMANDED
    guard._HELD.pop().close()
    other = replace(state, trip=Trip("duty", None, None, "", 1, "hot"))
    assert guard.drive_off(other) == CONFIRMED


# -- a process that does not end


class Stuck:
    """A process in uninterruptible sleep: SIGKILL changes nothing, wait() waits."""

    pid, stdin, returncode = 4_000_000, None, None

    def __init__(self) -> None:
        self.kills = 0

    def kill(self) -> None:
        self.kills += 1

    def wait(self, timeout: float | None = None) -> int:
        if timeout is None:
            pytest.fail("waited without limit for a process that does not end")
        time.sleep(timeout)
        raise subprocess.TimeoutExpired("bench", timeout)

    def poll(self) -> None:
        return None


def stuck(chip: Chip) -> Any:
    chip.line(RELAY).consumer = "the bench"
    chip.line(RELAY).driven = 1
    return Stuck()


def test_the_guard_gives_word_within_a_second_and_goes_on_trying(chip: Chip) -> None:
    bench, guarding = stuck(chip), guard.Guard(rig())
    chip.line(READBACK_LINE).level = 1 - live_level(rig())
    guarding.prepare()
    began = time.monotonic()
    taken = guarding.take_over(bench)
    assert time.monotonic() - began < guard.WARN_WITHIN_S
    assert taken.off is None and "COIL NOT CONFIRMED OFF" in taken.words
    offs: list[str] = []
    guarding.insist(bench, offs.append)
    assert guarding.insisting and bench.kills
    chip.line(RELAY).consumer = ""  # the device let go, the process died
    deadline = time.monotonic() + 10
    while guarding.insisting and time.monotonic() < deadline:
        time.sleep(0.01)
    assert offs == [CONFIRMED] and chip.line(RELAY).driven == 0
    guarding.close()


def test_giving_up_ends_the_trying(chip: Chip) -> None:
    bench, guarding = stuck(chip), guard.Guard(rig())
    guarding.insist(bench, lambda off: pytest.fail(off))
    guarding.close()
    assert not guarding.insisting


def test_a_simulated_process_that_does_not_end_is_not_called_off() -> None:
    simulated = replace(rig(), backend="simulated")
    taken = guard.Guard(simulated).take_over(Stuck())  # type: ignore[arg-type]
    assert taken.off is None and "does not end" in taken.words


def test_a_simulated_process_that_ends_at_last_takes_its_relay_with_it() -> None:
    """There is no line to make ready for: it drops out with its process."""
    guarding = guard.Guard(replace(rig(), backend="simulated"))
    guarding.prepare()

    class Slow(Stuck):
        def wait(self, timeout: float | None = None) -> int:
            return 0 if self.kills > 2 else super().wait(timeout)

    bench: Any = Slow()
    assert guarding.take_over(bench).off is None
    offs: list[str] = []
    guarding.insist(bench, offs.append)
    deadline = time.monotonic() + 10
    while guarding.insisting and time.monotonic() < deadline:
        time.sleep(0.01)
    guarding.close()
    assert offs == [CONFIRMED] and bench.kills == 3


class Wired:
    """The desk's ends of a bench and a recorder that say nothing more."""

    def __init__(self, bench: Any) -> None:
        self.bench = bench
        self.desk, self._bench_end = socket.socketpair()
        self._bench_end.sendall(messages.tell("state", state="armed").encode() + b"\n")
        self._status, self._status_end = socket.socketpair()
        self.status = self._status.fileno()

    def say(self, line: str) -> None:
        self._bench_end.sendall(line.encode() + b"\n")

    def stored(self) -> None:
        self._status_end.sendall(json.dumps({"done": True}).encode() + b"\n")
        self._status_end.close()

    def close(self) -> None:
        for end in (self.desk, self._bench_end, self._status, self._status_end):
            end.close()


class Told(Watcher):
    def __init__(self, state: Path) -> None:
        self._state = state
        self.alarms: list[tuple[float, str, bool]] = []

    def alarm(self, words: str) -> None:
        latched = state_file.read(self._state)
        at = time.monotonic()
        self.alarms.append((at, words, latched is not None and latched.trip is not None))


def test_the_person_is_warned_first_and_the_line_taken_when_it_can_be(
    chip: Chip, tmp_path: Path
) -> None:
    path, wired = tmp_path / f"{rig().rig}.json", Wired(stuck(chip))
    chip.line(READBACK_LINE).level = 1 - live_level(rig())
    with StopSignals() as signals:
        session = Session(wired, path, rig(), 0.2, signals)  # type: ignore[arg-type]
        session.watcher = told = Told(path)

        def let_go() -> None:
            time.sleep(2.0)
            wired.stored()
            time.sleep(0.5)
            chip.line(RELAY).consumer = ""

        later = threading.Thread(target=let_go)
        later.start()
        began = time.monotonic()
        outcome = session.run()
        later.join()
    wired.close()
    first, *_, last = told.alarms
    assert first[0] - began < 0.2 + guard.WARN_WITHIN_S + 0.3, "warned while the process hung"
    assert "COIL NOT CONFIRMED OFF" in first[1] and not first[2], "told before any disk was touched"
    latched = state_file.read(path)
    assert latched is not None and latched.trip is not None and latched.trip.rule == "bench lost"
    assert "was taken" in last[1] and CONFIRMED in last[1]
    assert outcome.code == 7 and last[1] in outcome.notes
    assert chip.line(RELAY).driven == 0


@pytest.mark.parametrize("how", ["hangs", "fails"])
def test_an_alarm_that_cannot_be_shown_holds_no_latch_up(
    chip: Chip, tmp_path: Path, how: str
) -> None:
    path, over = tmp_path / f"{rig().rig}.json", threading.Event()

    class Mute(Watcher):
        def alarm(self, words: str) -> None:
            if how == "fails":
                raise OSError("the terminal is gone")
            over.wait(20)

    wired = Wired(stuck(chip))
    wired.stored()
    with StopSignals() as signals:
        session = Session(wired, path, rig(), 0.2, signals)  # type: ignore[arg-type]
        session.watcher = Mute()
        running = threading.Thread(target=session.run)
        began = time.monotonic()
        running.start()
        while not path.exists() and time.monotonic() - began < 5:
            time.sleep(0.01)
        latched_s = time.monotonic() - began
        over.set()
        chip.line(RELAY).consumer = ""
        running.join(20)
    wired.close()
    assert latched_s < 0.2 + guard.WARN_WITHIN_S + 0.8
    latched = state_file.read(path)
    assert latched is not None and latched.trip is not None


def test_without_a_thread_to_be_had_the_rig_is_latched_all_the_same(
    chip: Chip, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A limit of processes (RLIMIT_NPROC) counts threads: other programs may use it up."""

    def refused(_thread: threading.Thread) -> None:
        raise RuntimeError("can't start new thread")

    path, wired = tmp_path / f"{rig().rig}.json", Wired(stuck(chip))
    wired.stored()
    with StopSignals() as signals:
        session = Session(wired, path, rig(), 0.2, signals)  # type: ignore[arg-type]
        monkeypatch.setattr(threading.Thread, "start", refused)
        outcome = session.run()
    wired.close()
    assert outcome.code == 6 and "COIL NOT CONFIRMED OFF" in outcome.message
    latched = state_file.read(path)
    assert latched is not None and latched.trip is not None and latched.trip.rule == "bench lost"


def test_a_latch_that_waits_for_its_disk_does_not_end_the_trying(
    chip: Chip, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, wired, over = tmp_path / f"{rig().rig}.json", Wired(stuck(chip)), threading.Event()
    wired.stored()
    monkeypatch.setattr(state_file, "write_latch", lambda *_: over.wait(20))
    with StopSignals() as signals:
        session = Session(wired, path, rig(), 0.2, signals)  # type: ignore[arg-type]
        running = threading.Thread(target=session.run)
        running.start()
        until = time.monotonic() + 5
        while not session.outcome.message and time.monotonic() < until:
            time.sleep(0.01)
        chip.line(RELAY).consumer = ""
        while chip.line(RELAY).driven != 0 and time.monotonic() < until:
            time.sleep(0.01)
        driven = chip.line(RELAY).driven
        over.set()
        running.join(20)
    wired.close()
    assert driven == 0


def test_a_trip_on_the_readback_is_remembered_by_the_guard(chip: Chip, tmp_path: Path) -> None:
    """The bench dies after it found its read-back wrong: a dead one then confirms nothing."""
    state = rig()
    chip.line(READBACK_LINE).level = 1 - live_level(state)
    with subprocess.Popen(["sleep", "60"]) as process, StopSignals() as signals:
        wired = Wired(process)
        wired.say(encode(Trip("duty", 1.0, 1.0, "%", 1, "first")))
        wired.say(encode(Trip(READBACK_RULE, 1.0, 1.0, "ms", 2, "later")))
        wired.stored()
        session = Session(wired, tmp_path / f"{rig().rig}.json", state, 0.2, signals)  # type: ignore[arg-type]
        outcome = session.run()
        wired.close()
    assert f"Coil: {COMMANDED}" in outcome.message
    latched = state_file.read(tmp_path / f"{rig().rig}.json")
    assert latched is not None and latched.trip is not None
    assert (latched.trip.rule, latched.readback_doubted) == ("duty", True), "the first trip stays"


@pytest.mark.parametrize(
    ("silent_s", "known"), [(0.0, coil_heat.GUARDED), (30.0, coil_heat.UNCLEAN)]
)
def test_a_guard_that_came_late_does_not_say_that_the_limits_were_held(
    chip: Chip, tmp_path: Path, silent_s: float, known: str
) -> None:
    """A desk that stood still for half a minute saw nothing of the coil in the meantime."""
    path = tmp_path / f"{rig().rig}.json"
    chip.line(READBACK_LINE).level = 1 - live_level(rig())
    coil_heat.mark_open(path)
    with subprocess.Popen(["sleep", "60"]) as process, StopSignals() as signals:
        wired = Wired(process)
        session = Session(wired, path, rig(), 0.2, signals)  # type: ignore[arg-type]
        session._wires.heard -= silent_s
        session._take_over("The bench is gone.")
        wired.close()
    kept = coil_heat.read(coil_heat.heat_path(path))
    assert kept is not None and (kept.open, kept.unknown) == (False, known)


# -- rig safe


def owned(folder: Path, backend: str, socket_name: str = "") -> tuple[Path, Owner]:
    me, name = state_file.this_process(socket_name), rig().rig
    name = name if backend == "board" else "simulated-line17"
    path = state_file.state_path(folder, name)
    state_file.write(path, replace(rig(), rig=name, backend=backend, owner=me))
    return path, me


def test_an_owner_that_does_not_end_is_not_called_off(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, chip: Chip
) -> None:
    monkeypatch.setattr(guard, "kill", lambda *_: False)
    path, _ = owned(tmp_path, "simulated")
    with pytest.raises(HardwareError, match="does not end"):
        safe.make_safe(path)
    chip.line(RELAY).consumer = "the bench"
    path, _ = owned(tmp_path, "board")
    with pytest.raises(HardwareError):
        safe.make_safe(path)


@pytest.mark.parametrize("off", OFF_STATES)
def test_a_running_bench_says_what_is_known_of_its_coil(tmp_path: Path, off: str) -> None:
    """A bench that answers "still live" is believed at once: nothing is killed or taken."""
    with socket.socket(socket.AF_UNIX) as bench:
        bench.bind(str(tmp_path / "s"))
        bench.listen()
        ended = messages.tell("ended", reason="aborted", off=off, t_ns=1)

        def answer() -> None:
            peer, _ = bench.accept()
            peer.recv(1000)
            peer.sendall(ended.encode() + b"\n")
            peer.close()

        answering = threading.Thread(target=answer)
        answering.start()
        path, _ = owned(tmp_path, "board", str(tmp_path / "s"))
        made = safe.make_safe(path)
        answering.join()
    assert made is not None and made.off == off and "commanded the coil off" in made.words


@pytest.mark.parametrize("off", [OFF_STATES[2], OFF_STATES[0]])
def test_the_person_is_told_although_the_recorder_stands_still(
    chip: Chip, tmp_path: Path, off: str
) -> None:
    """A live coil at once, any other trip within TRIP_TOLD_S; the records come afterwards."""
    with subprocess.Popen(["sleep", "60"]) as process, StopSignals() as signals:
        wired = Wired(process)
        wired.say(encode(Trip("duty", 1.0, 1.0, "%", 1, "first")))
        wired.say(messages.tell("ended", reason="tripped", off=off, t_ns=2))
        session = Session(wired, tmp_path / f"{rig().rig}.json", rig(), 5.0, signals)  # type: ignore[arg-type]
        session.watcher = told = Told(tmp_path / f"{rig().rig}.json")
        later = threading.Timer(3.0, wired.stored)
        later.start()
        began = time.monotonic()
        session.run()
        later.join()
        wired.close()
        process.kill()
    live = off == OFF_STATES[2]
    words = "COIL STILL LIVE" if live else "TRIPPED: duty"
    at = next(at for at, said, _ in told.alarms if words in said)
    assert at - began < (0.5 if live else 2.0)


def test_a_bench_killed_after_it_told_the_end_is_said(chip: Chip, tmp_path: Path) -> None:
    """Off is confirmed, and yet its owner is dead: the next start will ask for `rig clear`."""
    with subprocess.Popen(["sleep", "60"]) as process, StopSignals() as signals:
        wired = Wired(process)
        wired.say(messages.tell("ended", reason="finished", off=OFF_STATES[0], t_ns=2))
        wired.stored()
        session = Session(wired, tmp_path / f"{rig().rig}.json", rig(), 5.0, signals)  # type: ignore[arg-type]
        process.kill()
        outcome = session.run()
        wired.close()
    assert outcome.end is not None and outcome.end.off == OFF_STATES[0]
    assert any("signal 9" in note and "rig clear" in note for note in outcome.notes)
