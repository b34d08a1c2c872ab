# SPDX-License-Identifier: MIT
"""Whatever raises inside the bench, and whatever arrives on its socket: the coil ends off."""

from __future__ import annotations

import contextlib
import json
import socket
import time
from collections.abc import Callable

import pytest
from bench_rig import LoopOnly, ScriptedRig, make_bench
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rig.bench.operator_link import MAX_WATCHERS, OPERATOR_LINES, STOPPERS, WATCHER_LINES, DeskLink
from rig.config.sheet.model import StrokesSheet
from rig.core import messages

SHEET = StrokesSheet.model_validate(
    {"kind": "strokes", "strokes": 20, "on_time": "200 ms", "rest": "200 ms"}
)
MANY, SOME = 100_000, 3_000
LINES_MOST = OPERATOR_LINES + WATCHER_LINES
assert LINES_MOST == 32, "webui/help/hazards.md says so"


class Broken(Exception):
    """Raised on purpose."""


class SilentDesk:
    """A silent desk port whose methods can each be broken."""

    operator_gone = False

    def poll(self) -> list[messages.Order]:
        return [messages.Order("beat")]

    def send(self, line: str) -> None: ...
    def flush(self) -> None: ...

    def filenos(self) -> list[int]:
        return []


def break_at(target: object, name: str, rig: ScriptedRig, calls: int) -> None:
    """Make `target.name` raise from its `calls`-th call with the coil on."""
    works = getattr(target, name)
    seen = 0

    def raising(*words: object, **more: object) -> object:
        nonlocal seen
        seen += rig.is_on
        if seen >= calls:
            raise Broken(name)
        return works(*words, **more)

    setattr(target, name, raising)


PORTS = {
    "edges.read": lambda bench, rig: (rig.edges, "read"),
    "edges.level": lambda bench, rig: (rig.edges, "level"),
    "gauge.read": lambda bench, rig: (rig.gauge, "read"),
    "world.wait": lambda bench, rig: (rig, "wait"),
    "world.now_ns": lambda bench, rig: (rig, "now_ns"),
    "sink.put": lambda bench, rig: (rig, "put"),
    "heartbeat.beat": lambda bench, rig: (bench.interlock, "_beat"),  # bound when it was made
    "desk.poll": lambda bench, rig: (bench._desk, "poll"),
    "desk.send": lambda bench, rig: (bench._desk, "send"),
    "desk.flush": lambda bench, rig: (bench._desk, "flush"),
    "desk.filenos": lambda bench, rig: (bench._desk, "filenos"),
    "interlock.tick": lambda bench, rig: (bench.interlock, "tick"),
    "interlock.see_sample": lambda bench, rig: (bench.interlock, "see_sample"),
    "interlock.see_edge": lambda bench, rig: (bench.interlock, "see_edge"),
}


@pytest.mark.parametrize("calls", [1, 7])
@pytest.mark.parametrize("port", PORTS)
def test_an_exception_in_any_port_leaves_the_coil_off(port: str, calls: int) -> None:
    bench, rig = make_bench(SilentDesk(), heartbeat={"line": 24})
    target, name = PORTS[port](bench, rig)
    break_at(target, name, rig, calls)
    with pytest.raises(Broken):
        bench.run(SHEET, rig)
    assert ("on", rig.log[0][1]) in rig.log, "the coil was never on: nothing was tried"
    assert not rig.is_on, f"{port} raised and the coil stayed on"
    assert rig.log[-1][0] == "off"


def test_a_relay_that_fails_to_switch_on_is_commanded_off() -> None:
    bench, rig = make_bench()

    def on() -> None:
        rig.is_on = True  # an error does not mean that nothing happened
        raise Broken("on")

    rig.on = on  # type: ignore[method-assign]
    with contextlib.suppress(Broken):
        bench.run(SHEET, rig)
    assert not rig.is_on


def test_a_desk_that_went_silent_during_the_rest_gets_no_stroke() -> None:
    """Not a short one either: a process that hangs while the coil is off must not find it on
    later."""
    desk = SilentDesk()
    bench, rig = make_bench(desk)
    desk.poll = lambda: [messages.Order("beat")] if rig.log == [] else []  # type: ignore[method-assign]
    sheet = SHEET.model_copy(update={"on_time_s": 0.1, "rest_s": 1.0})
    end = bench.run(sheet, rig)
    assert [what for what, _ in rig.log if what == "on"] == ["on"], rig.log
    assert end.reason == "aborted" and "desk silent" in str(bench.orders.stop_why)


def test_a_loop_that_cannot_be_read_counts_as_a_fault() -> None:
    bench, rig = make_bench(stop_input={"line": 25})

    class Raising(LoopOnly):
        @property
        def closed(self) -> bool:  # type: ignore[override]
            if rig.is_on:
                raise Broken("loop")
            return True

        @closed.setter
        def closed(self, value: bool) -> None: ...

    rig.loops["stop_input"] = Raising()
    with contextlib.suppress(Broken):
        bench.run(SHEET, rig)
    assert not rig.is_on


# -- what arrives on the socket

VALUES = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=20),
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4)
    ),
    max_leaves=8,
)
FIELDS = st.dictionaries(
    st.sampled_from(["v", "order", "why", "lag_s", "free_mb", "x"]),
    st.sampled_from([messages.VERSION, *messages.ORDERS]) | VALUES,
)
NEARLY = st.fixed_dictionaries(
    {"v": st.just(messages.VERSION), "order": st.sampled_from(messages.ORDERS)},
    optional={
        "why": st.text(max_size=600) | VALUES,
        "lag_s": st.floats() | st.sampled_from([True, 10**400, "1"]),
        "free_mb": st.floats() | VALUES,
        "x": VALUES,
    },
)
"""One field away from an order, or an order."""
LINES = (
    st.binary(max_size=300)
    | (FIELDS | NEARLY).map(lambda fields: json.dumps(fields).encode())
    | st.just(b"[" * 30_000)
    | st.sampled_from(
        [
            b"",
            b"{}",
            b"null",
            b"\xff\xfe",
            b'{"v":1,"order":"stop"',
            b'{"v":true,"order":"stop"}',
            b"9" * 5000,
        ]
    )
)


def is_number_or_nothing(value: object) -> bool:
    """The largest float is 2**1024 - 2**970 (IEEE 754-2019, binary64)."""
    most = 2**1024 - 2**970
    return value is None or (type(value) in (int, float) and -most <= value <= most)  # type: ignore[operator]


WELL_FORMED: dict[str, Callable[[object], bool]] = {
    "v": lambda value: type(value) in (int, float) and value == 1,
    "order": lambda value: value in ["arm", "start", "stop", "beat", "quit", "finish"],
    "why": lambda value: type(value) is str,
    "lag_s": is_number_or_nothing,
    "free_mb": is_number_or_nothing,
}


def is_well_formed(line: bytes) -> bool:
    """The definition of an order, written a second time, independent of the program."""
    try:
        data = json.loads(line)
    except (ValueError, RecursionError):
        return False
    return (
        type(data) is dict
        and {"v", "order"} <= set(data) <= set(WELL_FORMED)
        and all(WELL_FORMED[key](value) for key, value in data.items())
    )


def check_messages(count: int, batch: int = 100) -> None:
    """`count` messages: the well-formed are decoded unchanged, all others refused."""
    seen = {True: 0, False: 0}

    @settings(max_examples=count // batch, deadline=None, suppress_health_check=list(HealthCheck))
    @given(st.lists(LINES, min_size=batch, max_size=batch))
    def check(lines: list[bytes]) -> None:
        for line in lines:
            good = is_well_formed(line)
            seen[good] += 1
            if not good:
                with pytest.raises(ValueError):
                    messages.read_order(line)
                continue
            order, wanted = messages.read_order(line), json.loads(line)
            assert order.order == wanted["order"]
            assert order.why == wanted.get("why", "")[:500]

    check()
    assert all(seen.values()), "one kind was never tried"


def test_malformed_messages_are_refused(full_study: bool) -> None:
    check_messages(MANY if full_study else SOME)


@pytest.fixture
def link(tmp_path):
    """A bench's link with its operator and one watcher."""
    ours, theirs = socket.socketpair()
    link = DeskLink(theirs)
    link.listen(tmp_path / "s")
    watcher = socket.socket(socket.AF_UNIX)
    watcher.connect(str(tmp_path / "s"))
    ours.setblocking(False)
    watcher.setblocking(False)
    link.poll()
    yield link, ours, watcher
    watcher.close()
    ours.close()
    link.close()


@pytest.mark.parametrize(
    "flood",
    [b"\n", b"{}\n", b"x" * 70_000, messages.order("beat"), messages.order("arm")],
    ids=["empty lines", "malformed", "oversized", "beats", "orders not its own"],
)
def test_a_flooding_watcher_does_not_hold_the_loop(link, flood: bytes) -> None:
    """The time of one turn under a flood is compared with the same turn's minimum work."""
    desk, operator, watcher = link
    worst_lines = 0
    data = flood * (1 + 400_000 // len(flood))
    read_order: Callable[[bytes], messages.Order] = messages.read_order
    counted = 0

    def counting(line: bytes) -> messages.Order:
        nonlocal counted
        counted += 1
        return read_order(line)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(messages, "read_order", counting)
        for _ in range(30):
            with contextlib.suppress(BlockingIOError, BrokenPipeError, ConnectionResetError):
                watcher.send(data)
            counted = 0
            assert desk.poll() == []
            desk.flush()
            worst_lines = max(worst_lines, counted)
    assert worst_lines <= LINES_MOST, f"{worst_lines} lines were taken in one turn"
    operator.sendall(messages.order("stop", "a person"))
    until = time.monotonic() + 10
    orders: list[messages.Order] = []
    while not orders and time.monotonic() < until:
        orders = [order for order in desk.poll() if order.order == "stop"]
    assert orders, "the operator's stop did not come through the flood"


def test_many_floods_at_once_are_taken_no_faster_and_keep_no_stop_out(tmp_path) -> None:
    ours, theirs = socket.socketpair()
    link = DeskLink(theirs)
    link.listen(tmp_path / "s")
    others = [socket.socket(socket.AF_UNIX) for _ in range(MAX_WATCHERS + STOPPERS)]
    counted = 0
    read_order: Callable[[bytes], messages.Order] = messages.read_order

    def counting(line: bytes) -> messages.Order:
        nonlocal counted
        counted += 1
        return read_order(line)

    try:
        for other in others:
            other.connect(str(tmp_path / "s"))
            other.setblocking(False)
            link.poll()
        others[-1].send(messages.order("stop", "a person"))
        worst, stopped = 0, False
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(messages, "read_order", counting)
            for _ in range(5):
                for other in (ours, *others[:-1]):
                    with contextlib.suppress(OSError):
                        other.send(messages.order("beat") * 200)
                counted = 0
                stopped = any(order.order == "stop" for order in link.poll()) or stopped
                worst = max(worst, counted)
        assert worst <= LINES_MOST, f"{worst} lines were taken in one turn"
        assert stopped
    finally:
        for sock in (ours, *others):
            sock.close()
        link.close()
