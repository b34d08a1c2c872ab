# SPDX-License-Identifier: MIT
"""A gauge that is asked, on scripted wires in virtual time: pace, deadlines, echo, late replies."""

from __future__ import annotations

import itertools

import pytest
from gauge_texts import MS, AskedWire, modbus, query, whole

from rig.core.records import GOOD, Condition, Sample
from rig.io.gauges.channels import FRAME_REJECTED
from rig.io.gauges.polled import LATE, NO_ANSWER, NOT_SENT
from rig.io.gauges.streaming import GAUGE_BACK, GAUGE_LOST

REQUEST = bytes.fromhex("0103006b0001f5d6")
OIL = {"channel": "oil_temperature", "unit": "degC", "modbus": {"address": 0x70, "type": "int16"}}
REPLY = bytes.fromhex("0103020096")  # 150, without its CRC


def samples(items: list[Sample | Condition]) -> list[Sample]:
    return [item for item in items if isinstance(item, Sample)]


def conditions(items: list[Sample | Condition]) -> list[str]:
    return [item.kind for item in items if isinstance(item, Condition)]


def test_asks_at_its_pace_and_stamps_the_last_byte() -> None:
    wire = AskedWire(modbus())
    wire.replies = lambda _: [(8 * MS, whole(REPLY)[:4]), (12 * MS, whole(REPLY)[4:])]
    got = wire.run_ms(450)
    assert [data for _, data in wire.sent] == [REQUEST] * 5
    asked = [at // MS for at, _ in wire.sent]
    assert asked == [0, 100, 200, 300, 400]
    assert got == [Sample("pressure", 150.0, (at + 12) * MS, GOOD) for at in asked]
    assert wire.gauge.latency_ns == 12 * MS - round(8 * 10 / 9600 * 1e9)
    assert (wire.gauge.frames_ok, wire.gauge.frames_rejected) == (5, 0)


def test_silence_is_told_and_the_wire_rests_before_the_next_request() -> None:
    wire = AskedWire(modbus())
    got = wire.run_ms(1000)
    assert set(conditions(got)) == {NO_ANSWER} and samples(got) == []
    asked = [at // MS for at, _ in wire.sent]
    assert asked[0] == 0 and all(b - a >= 600 for a, b in itertools.pairwise(asked))
    assert wire.gauge.unanswered == len(conditions(got))


def test_a_late_reply_is_never_taken_for_the_next_one() -> None:
    """Pressure 150 comes 400 ms late, when the temperature has its turn: it must vanish."""
    wire = AskedWire(modbus(channels=[OIL]))
    late = [(400 * MS, whole(REPLY))]
    wire.replies = lambda request: (
        late if request == REQUEST else [(5 * MS, whole(REPLY[:4] + b"Z"))]
    )
    got = samples(wire.run_ms(3000))
    assert got and {(s.channel, s.value) for s in got} == {("oil_temperature", 90.0)}


def late_from(n: int, late_ms: int, *, once: bool, in_order: bool) -> list[Sample | Condition]:
    """What two channels give of a device whose n-th reply, or all from it on, comes so late. Each
    reply by itself looks sound for either channel. `in_order`: it works one request off before it
    looks at the next."""
    wire = AskedWire(modbus(channels=[OIL]))
    count, free_ns = itertools.count(1), 0

    def reply(request: bytes) -> list[tuple[int, bytes]]:
        nonlocal free_ns
        number, now_ns = next(count), wire.clock.now_ns()
        begin_ns = max(now_ns, free_ns) if in_order else now_ns
        slow = number == n if once else number >= n
        free_ns = begin_ns + (late_ms if slow else 20) * MS
        return [(free_ns - now_ns, whole(REPLY if request == REQUEST else REPLY[:4] + b"Z"))]

    wire.replies = reply
    return wire.run_ms(6000)


SOUND = {("pressure", 150.0), ("oil_temperature", 90.0)}


@pytest.mark.parametrize(
    "late_ms", [310, 590, 610, 625, 640, 750, 890, 910, 1050, 1190, 1450, 1900]
)
@pytest.mark.parametrize("once", [True, False])
@pytest.mark.parametrize("n", [6, 7])
def test_a_late_reply_of_a_device_that_keeps_the_order_is_no_other_channels(
    n: int, late_ms: int, once: bool
) -> None:
    """2.5 times reply_within (300 ms) among them."""
    got = late_from(n, late_ms, once=once, in_order=True)
    assert {(s.channel, s.value) for s in samples(got)} == SOUND
    told = conditions(got)
    assert NO_ANSWER in told and (LATE in told or FRAME_REJECTED in told)
    if once:  # it comes back by itself
        assert samples(got)[-1].t_ns > 5800 * MS


@pytest.mark.parametrize("late_ms", [310, 590, 610, 640, 750, 910, 1050, 1190])
@pytest.mark.parametrize("once", [True, False])
def test_nor_of_one_that_answers_out_of_order_up_to_four_times_its_deadline(
    late_ms: int, once: bool
) -> None:
    for n in (6, 7):
        got = late_from(n, late_ms, once=once, in_order=False)
        assert {(s.channel, s.value) for s in samples(got)} == SOUND


def test_noise_and_then_the_reply_is_no_other_channels() -> None:
    """More noise than is passed over is told; the reply behind it meets no request."""
    wire = AskedWire(modbus(channels=[OIL]))
    wire.replies = lambda request: [
        (2 * MS, b"\x55" * 6),
        (60 * MS, whole(REPLY if request == REQUEST else REPLY[:4] + b"Z")),
    ]
    got = wire.run_ms(3000)
    assert samples(got) == [] and set(conditions(got)) == {FRAME_REJECTED}


def test_a_late_reply_is_told_with_the_remedy() -> None:
    wire = AskedWire(modbus())
    wire.replies = lambda _: [(400 * MS, whole(REPLY))]
    _, late = wire.run_ms(500)
    assert isinstance(late, Condition) and late.kind == LATE
    assert late.detail.startswith("392 ms after")  # the request took 8 ms
    assert "lengthen the key reply_within" in late.detail


def test_a_lost_reply_costs_four_reply_limits_and_two_replies() -> None:
    wire = AskedWire(modbus(channels=[OIL]))
    lost = iter([False, False, True])
    wire.replies = lambda request: (
        []
        if next(lost, False)
        else [(20 * MS, whole(REPLY if request == REQUEST else REPLY[:4] + b"Z"))]
    )
    got = [s for s in samples(wire.run_ms(3000)) if s.channel == "pressure"]
    gaps = [(b.t_ns - a.t_ns) // MS for a, b in itertools.pairwise(got)]
    assert max(gaps) <= 100 + 4 * 300 + 3 * 30 and sorted(gaps)[-2] <= 101


def test_half_a_reply_is_given_up_and_told_with_its_bytes() -> None:
    wire = AskedWire(modbus())
    wire.replies = lambda _: [(5 * MS, whole(REPLY)[:-1])]
    (condition,) = wire.run_ms(500)
    assert isinstance(condition, Condition) and condition.kind == FRAME_REJECTED
    assert "is no whole reply after 300 ms" in condition.detail


@pytest.mark.parametrize("junk", [b"\x00", b"\xff\x00", b"\x00\x00\x00\x00"])
def test_noise_before_a_reply_is_passed_over(junk: bytes) -> None:
    wire = AskedWire(modbus())
    wire.replies = lambda _: [(5 * MS, junk), (6 * MS, whole(REPLY))]
    assert [s.value for s in samples(wire.run_ms(50))] == [150.0]


@pytest.mark.parametrize(
    ("reply", "why"),
    [
        (REPLY + b"\x00\x00", "wrong checksum"),
        (whole(b"\x02" + REPLY[1:]), "no reply to the request"),
        (whole(b"\x01\x04\x02\x00\x96"), "no reply to the request"),
        (whole(b"\x01\x03\x04\x00\x96\x00\x00"), "another number of registers"),
        (whole(b"\x01\x83\x02"), "there is no such register"),
        (whole(b"\x01\x83\x63"), "exception 99"),
    ],
)
def test_a_reply_that_is_none_says_why(reply: bytes, why: str) -> None:
    wire = AskedWire(modbus())
    wire.replies = lambda _: [(5 * MS, reply)]
    (condition,) = wire.run_ms(50)
    assert isinstance(condition, Condition) and why in condition.detail


def test_an_adapter_that_echoes() -> None:
    wire = AskedWire(modbus(echo=True))
    wire.replies = lambda request: [(1 * MS, request[:3]), (2 * MS, request[3:] + whole(REPLY))]
    assert [s.value for s in samples(wire.run_ms(50))] == [150.0]
    wire = AskedWire(modbus(echo=True))
    wire.replies = lambda _: [(5 * MS, whole(REPLY))]  # the adapter does not
    (condition,) = wire.run_ms(50)
    assert isinstance(condition, Condition) and "no echo of the request" in condition.detail


def test_a_question_and_the_line_that_answers_it() -> None:
    wire = AskedWire(query())
    wire.replies = lambda _: [(5 * MS, b"+1.50E+02\r"), (6 * MS, b"\n")]
    got = wire.run_ms(250)
    assert [data for _, data in wire.sent] == [b"MEAS:PRES?\n"] * 3
    assert [(s.value, s.t_ns // MS) for s in samples(got)] == [
        (150.0, 5),
        (150.0, 105),
        (150.0, 205),
    ]
    assert conditions(got) == []


def test_an_endless_line_is_cut_off() -> None:
    wire = AskedWire(query())
    wire.replies = lambda _: [(5 * MS, b"7" * 300)]
    (condition,) = wire.run_ms(50)
    assert isinstance(condition, Condition) and "no line end in 256 bytes" in condition.detail


def test_what_nobody_asked_for_is_no_reading() -> None:
    wire = AskedWire(query())
    wire.replies = lambda _: [(5 * MS, b"150\n"), (20 * MS, b"999\n")]
    assert [s.value for s in samples(wire.run_ms(90))] == [150.0]


def test_unplugged_and_back_it_asks_anew() -> None:
    wire = AskedWire(query())
    wire.replies = lambda _: [(5 * MS, b"150\n")]
    wire.run_ms(50)
    wire.link.lose(50 * MS, "gone")
    got = wire.run_ms(200)
    assert conditions(got) == [GAUGE_LOST] and len(wire.sent) == 1
    wire.link.restore()
    got = wire.run_ms(300)
    assert conditions(got)[0] == GAUGE_BACK and samples(got)[0].value == 150.0


def test_a_port_that_takes_nothing_is_told() -> None:
    wire = AskedWire(query())
    wire.link.write = lambda data: False  # type: ignore[method-assign]
    assert set(conditions(wire.run_ms(50))) == {NOT_SENT}


def test_nothing_is_sent_while_the_gauge_settles() -> None:
    wire = AskedWire(query(settle=0.25))
    wire.replies = lambda _: [(5 * MS, b"150\n")]
    wire.link.feed(10 * MS, b"boot v1.2\r\n300\r\n")
    got = wire.run_ms(300)
    assert [at // MS for at, _ in wire.sent] == [250]
    assert [s.value for s in samples(got)] == [150.0]
