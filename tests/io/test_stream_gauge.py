# SPDX-License-Identifier: MIT
"""StreamGauge on scripted wires: what is fed and what must come out, and nothing left over."""

from collections.abc import Sequence
from typing import Any

import pytest
from gauge_texts import gauge_setup

from rig.core.clock import NS_PER_S, VirtualClock
from rig.core.records import GOOD, Condition, Sample
from rig.io.gauges.links import PENDING_MOST, LinkLost, MemoryLink
from rig.io.gauges.streaming import REJECTED_MOST, StreamGauge

BAR = 100.0


class Wire:
    """A gauge on a link in memory, fed step by step."""

    def __init__(self, **changes: Any) -> None:
        self.clock, self.link = VirtualClock(), MemoryLink()
        self.gauge = StreamGauge(self.link, self.clock, gauge_setup(**changes))

    def play(self, script: Sequence[tuple[int, bytes, list[Sample | Condition]]]) -> None:
        """Feed (t_ns, bytes), compare with what must come out at once. Leftovers fail."""
        for t_ns, sent, expected in script:
            self.clock.advance_to(t_ns)
            self.link.feed(t_ns, sent)
            assert self.gauge.read() == expected, sent
        assert self.gauge.read() == []
        assert self.gauge._framer.pending == b"", "bytes left over on the wire"


def good(t_ns: int, kpa: float) -> Sample:
    return Sample("pressure", kpa, t_ns, GOOD)


def rejected(t_ns: int, detail: str) -> Condition:
    return Condition("frame rejected", t_ns, detail)


def test_lines_at_the_gauges_pace() -> None:
    Wire().play(
        [
            (1, b"\r\n", []),
            (2, b"3.1 bar\r\n", [good(2, 310.0)]),
            (3, b"3.2 bar\r\n3.3 bar\r\n", [good(3, 320.0), good(3, 330.0)]),
        ]
    )


def test_left_over_bytes_fail_a_script() -> None:
    with pytest.raises(AssertionError, match="left over"):
        Wire().play([(1, b"\n3.1 bar", [])])


def test_a_partial_line_waits_and_carries_the_arrival_of_its_end() -> None:
    Wire().play(
        [
            (1, b"\n", []),
            (2, b"3.", []),
            (3, b"1 b", []),
            (4, b"ar", []),
            (5, b"\n", [good(5, 310.0)]),
        ]
    )


def test_the_first_line_is_not_believed_since_its_beginning_may_be_missing() -> None:
    Wire().play([(1, b".1 bar\r", []), (2, b"\n3.1 bar\r\n", [good(2, 310.0)])])


def test_split_at_every_byte() -> None:
    sent = b"\n3.1 bar\r\nnan bar\r\nxx\r\n7.005 bar\r\n"
    expected = [
        good(0, 310.0),
        Sample("pressure", None, 0, "not a number"),
        rejected(0, "'xx' does not match the pattern"),
        Sample("pressure", 700.5, 0, "out of range"),
    ]
    for cut in range(len(sent) + 1):
        wire = Wire()
        wire.link.feed(0, sent[:cut])
        first = wire.gauge.read()
        wire.link.feed(0, sent[cut:])
        assert first + wire.gauge.read() == expected
        assert wire.gauge._framer.pending == b""
        assert (wire.gauge.frames_ok, wire.gauge.frames_rejected) == (3, 1)


def test_a_unit_switched_on_the_gauge_is_not_believed_even_where_it_is_known() -> None:
    changed = Sample("pressure", None, 3, "unit changed")
    Wire().play([(1, b"\n3.1 bar\r\n", [good(1, 310.0)]), (2, b"3.2 bar\n", [good(2, 320.0)]),
                 (3, b"46.4 psi\n", [changed]),
                 (4, b"3.2 bar\n", [good(4, 320.0)])])  # fmt: skip


def test_garbage_is_told_and_the_next_line_is_read() -> None:
    wire = Wire()
    wire.play(
        [
            (1, b"\n\xff\x00\xfe\n", [rejected(1, r"'\xff\x00\xfe' does not match the pattern")]),
            (2, b"3.1 bar\n", [good(2, 310.0)]),
        ]
    )
    assert wire.gauge.last_good == good(2, 310.0)


def test_age_of_the_last_good_reading() -> None:
    wire = Wire()
    assert wire.gauge.age_s() is None
    wire.play([(0, b"\n3.1 bar\n", [good(0, 310.0)])])
    wire.clock.advance_to(2 * NS_PER_S)
    wire.play(
        [(2 * NS_PER_S, b"nan bar\n", [Sample("pressure", None, 2 * NS_PER_S, "not a number")])]
    )
    wire.clock.advance_to(3 * NS_PER_S)
    assert wire.gauge.age_s() == 3.0  # neither silence nor NaN makes it younger


def test_unit_button_pressed() -> None:
    Wire(unit="bar").play(
        [
            (1, b"\n3.1 bar\n", [good(1, 310.0)]),
            (2, b"45 psi\n", [Sample("pressure", None, 2, "unit changed")]),
            (3, b"3.1 bar\n", [good(3, 310.0)]),
        ]
    )


def test_unplugged_and_plugged_in_again() -> None:
    wire = Wire()
    wire.play([(1, b"\n3.1 bar\n", [good(1, 310.0)])])
    wire.link.feed(2, b"3.2 bar\n3.")
    wire.link.lose(3, "read failed")
    assert wire.gauge.read() == [good(2, 320.0)]  # what came before the loss
    assert wire.gauge.read() == [Condition("gauge lost", 3, "read failed")]
    for _ in range(3):
        wire.link.feed(4, b"lost on the floor\n")
        assert wire.gauge.read() == []  # told once
    wire.clock.advance_to(5)
    wire.link.restore()
    back = wire.gauge.read()
    assert [(item.kind, item.t_ns) for item in back if isinstance(item, Condition)] == [
        ("gauge back", 5)
    ]
    # half a line from before must not be glued to what comes now: 3. and 9 bar
    wire.play([(6, b"9 bar\n", []), (7, b"3.1 bar\n", [good(7, 310.0)])])


def test_lost_twice() -> None:
    wire = Wire()
    for n in range(1, 4):
        wire.link.lose(n, "gone")
        wire.link.lose(n, "gone again")
        assert wire.gauge.read() == [Condition("gauge lost", n, "gone")]
        wire.link.restore()
        (back,) = wire.gauge.read()
        assert isinstance(back, Condition)
        assert back.kind == "gauge back"


def test_a_wire_full_of_garbage_is_counted_not_told_line_by_line() -> None:
    wire = Wire()
    wire.link.feed(0, b"\n")
    told: list[Sample | Condition] = []
    for n in range(1000):
        wire.link.feed(NS_PER_S + n, b"x\n")
        told += wire.gauge.read()
    assert len(told) == REJECTED_MOST
    assert wire.gauge.frames_rejected == 1000
    wire.link.feed(3 * NS_PER_S, b"x\n")
    summary, last = wire.gauge.read()
    assert summary == rejected(3 * NS_PER_S, f"{1000 - REJECTED_MOST} more, not told")
    assert last == rejected(3 * NS_PER_S, "'x' does not match the pattern")
    wire.link.feed(3 * NS_PER_S, b"3.1 bar\n")
    assert wire.gauge.read() == [good(3 * NS_PER_S, 310.0)]


def test_a_link_in_memory_is_bounded_like_a_ports_buffer() -> None:
    link = MemoryLink()
    for n in range(100):
        link.feed(n, b"x" * 1000)
    assert sum(len(data) for _, data in link.read()) <= PENDING_MOST
    link.feed(101, b"y")
    assert link.read() == [(101, b"y")]
    link.lose(5, "gone")
    with pytest.raises(LinkLost):
        link.read()
    link.close()
    link.feed(102, b"z")
    assert link.read() == []
    assert link.fileno() is None


def test_closing() -> None:
    wire = Wire()
    wire.gauge.close()
    wire.gauge.close()
    assert wire.gauge.read() == []
    assert wire.gauge.fileno() is None
