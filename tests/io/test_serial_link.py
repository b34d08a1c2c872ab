# SPDX-License-Identifier: MIT
"""SerialLink on pseudo-terminals, opened by the real pyserial."""

import array
import errno
import fcntl
import os
import pty
import select
import termios
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial
from gauge_texts import gauge_setup

from rig.core.clock import NS_PER_S, VirtualClock
from rig.core.errors import HardwareError
from rig.core.records import GOOD, Condition, Sample
from rig.io.gauges import serial_link
from rig.io.gauges.serial_link import READ_MOST, LinkLost, SerialLink
from rig.io.gauges.streaming import StreamGauge

TIMEOUT_S = 5.0


class Peer:
    """The gauge's side: a pseudo-terminal whose name, like one under by-id, survives a replug."""

    def __init__(self, name: Path) -> None:
        self.name = name
        self.master = -1
        self.plug_in()

    def plug_in(self) -> None:
        self.master, slave = pty.openpty()
        tty.setraw(slave)
        part = self.name.with_suffix(".part")
        part.symlink_to(os.ttyname(slave))
        part.replace(self.name)
        os.close(slave)

    def unplug(self) -> None:
        os.close(self.master)
        self.master = -1
        self.name.unlink()

    def send(self, data: bytes) -> None:
        os.write(self.master, data)

    def close(self) -> None:
        if self.master >= 0:
            os.close(self.master)


@pytest.fixture
def peer(tmp_path: Path) -> Iterator[Peer]:
    made = Peer(tmp_path / "gauge")
    yield made
    made.close()


@pytest.fixture
def link(peer: Peer) -> Iterator[SerialLink]:
    made = SerialLink(str(peer.name), clock=VirtualClock(1000))
    yield made
    made.close()


def receive(link: SerialLink, n: int) -> bytes:
    """Wait for `n` bytes as the bench does, in select(2)."""
    got = b""
    while len(got) < n:
        fd = link.fileno()
        assert fd is not None
        assert select.select([fd], [], [], TIMEOUT_S)[0] == [fd]
        got += b"".join(data for _, data in link.read())
    return got


def test_bytes_arrive_as_sent_with_the_instant_they_were_taken(
    link: SerialLink, peer: Peer
) -> None:
    assert link.read() == []
    sent = bytes(range(256))
    peer.send(sent)
    assert receive(link, 256) == sent
    link._clock.advance_to(5000)  # type: ignore[attr-defined]
    peer.send(b"x")
    select.select([link.fileno()], [], [], TIMEOUT_S)
    assert link.read() == [(5000, b"x")]


def test_silence_gives_nothing_and_does_not_block(link: SerialLink) -> None:
    for _ in range(3):
        assert link.read() == []
    assert link.fileno() is not None


def test_one_read_is_bounded(link: SerialLink, peer: Peer, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serial_link, "READ_MOST", 10)
    peer.send(b"x" * 25)
    select.select([link.fileno()], [], [], TIMEOUT_S)
    sizes = []
    while batch := link.read():
        sizes.append(sum(len(data) for _, data in batch))
    assert sizes == [10, 10, 5]
    assert READ_MOST == 4096


def test_what_was_sent_before_opening_is_not_read(peer: Peer) -> None:
    """It is older than its stamp would say."""
    first = SerialLink(str(peer.name))
    peer.send(b"old news\r\n")
    select.select([first.fileno()], [], [], TIMEOUT_S)
    first.close()
    second = SerialLink(str(peer.name))
    assert second.read() == []
    second.close()


def test_opened_exclusively_and_hang_up_cleared(link: SerialLink, peer: Peer) -> None:
    fd = link.fileno()
    assert fd is not None
    tiocgexcl = 0x80045440  # asm-generic/ioctls.h: _IOR('T', 0x40, int)
    held = array.array("i", [0])
    fcntl.ioctl(fd, tiocgexcl, held, True)
    assert held[0] == 1
    assert not termios.tcgetattr(fd)[2] & termios.HUPCL
    with pytest.raises(serial.SerialException):
        serial.Serial(str(peer.name), exclusive=True)


def test_closing_gives_exclusiveness_back(peer: Peer) -> None:
    link = SerialLink(str(peer.name))
    link.close()
    link.close()
    assert link.fileno() is None
    assert link.read() == []
    fd = os.open(peer.name, os.O_RDWR | os.O_NOCTTY)
    held = array.array("i", [1])
    fcntl.ioctl(fd, 0x80045440, held, True)
    os.close(fd)
    assert held[0] == 0


def test_a_port_in_use_names_who_holds_it(link: SerialLink, peer: Peer) -> None:
    with pytest.raises(HardwareError) as caught:
        SerialLink(str(peer.name))
    assert f"(process {os.getpid()})" in str(caught.value)
    assert "in use by" in str(caught.value)


def test_a_missing_port_lists_those_that_are_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(HardwareError, match=r"not there\. .*No USB serial port.*by-id"):
        SerialLink(str(tmp_path / "none"))
    monkeypatch.setattr(serial_link, "_ports_there", lambda: "There are: /dev/serial/by-id/a.")
    with pytest.raises(HardwareError, match="There are: /dev/serial/by-id/a"):
        SerialLink(str(tmp_path / "none"))


def test_a_file_is_not_a_port(tmp_path: Path) -> None:
    path = tmp_path / "file"
    path.touch()
    with pytest.raises(HardwareError, match="this is no serial port"):
        SerialLink(str(path))


def test_no_permission(peer: Peer, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise serial.SerialException(errno.EACCES, "Permission denied")

    monkeypatch.setattr(serial, "Serial", refuse)
    with pytest.raises(HardwareError, match="group dialout"):
        SerialLink(str(peer.name))


def test_a_failed_opening_leaves_nothing_open(peer: Peer, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(_: int) -> None:
        raise termios.error(errno.EIO, "Input/output error")

    monkeypatch.setattr(serial_link, "_keep_control_lines", fail)
    with pytest.raises(HardwareError, match="cannot be opened") as caught:
        SerialLink(str(peer.name))
    monkeypatch.undo()
    SerialLink(str(peer.name)).close()
    assert caught.value.__cause__ is not None  # the failure is still held, the port is not


def test_unplugged_is_told_once_and_the_descriptor_goes(link: SerialLink, peer: Peer) -> None:
    peer.unplug()
    with pytest.raises(LinkLost) as caught:
        link.read()
    assert caught.value.t_ns == 1000
    assert str(peer.name) in caught.value.detail
    assert link.fileno() is None
    assert link.read() == []


def test_bytes_before_the_loss_are_kept(
    link: SerialLink, monkeypatch: pytest.MonkeyPatch, peer: Peer
) -> None:
    peer.send(b"last words")
    select.select([link.fileno()], [], [], TIMEOUT_S)
    device = link._serial
    asked = iter([len(b"last words")])

    def waiting(_: object) -> int:
        try:
            return next(asked)
        except StopIteration:
            raise OSError(errno.EIO, "Input/output error") from None

    monkeypatch.setattr(type(device), "in_waiting", property(waiting))
    assert link.read() == [(1000, b"last words")]
    assert link.fileno() is None
    with pytest.raises(LinkLost):
        link.read()


@pytest.mark.parametrize(
    "error",
    [
        serial.SerialException("read failed"),
        OSError(errno.EIO, "Input/output error"),
        termios.error(errno.EIO, "Input/output error"),
        TypeError("'NoneType' object cannot be interpreted as an integer"),
    ],
    ids=lambda error: type(error).__name__,
)
def test_every_way_a_port_goes_away_is_one(
    error: Exception, link: SerialLink, monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone(_: int) -> None:
        raise error

    monkeypatch.setattr(link._serial, "read", gone)
    with pytest.raises(LinkLost):
        link.read()


def test_tried_again_at_growing_intervals(peer: Peer, monkeypatch: pytest.MonkeyPatch) -> None:
    clock = VirtualClock()
    link = SerialLink(str(peer.name), clock=clock, reopen_after_s=1.0, reopen_most_s=5.0)
    peer.unplug()
    with pytest.raises(LinkLost):
        link.read()
    peer.plug_in()
    tried = []

    def fail() -> None:
        tried.append(clock.now_ns() / NS_PER_S)
        raise serial.SerialException(errno.EBUSY, "not yet")

    monkeypatch.setattr(link, "_open", fail)
    for tenth in range(1, 200):
        clock.advance_to(tenth * NS_PER_S // 10)
        assert link.read() == []
        assert link.fileno() is None
    assert tried == [1.0, 3.0, 7.0, 12.0, 17.0]
    link.close()


def test_a_closed_link_does_not_come_back(peer: Peer) -> None:
    clock = VirtualClock()
    link = SerialLink(str(peer.name), clock=clock)
    peer.unplug()
    with pytest.raises(LinkLost):
        link.read()
    peer.plug_in()
    link.close()
    clock.advance_to(100 * NS_PER_S)
    assert link.read() == []
    assert link.fileno() is None


def test_a_gauge_unplugged_and_plugged_in_again(peer: Peer) -> None:
    """Lost and back are told; what came right after opening is thrown away up to a line end."""
    clock = VirtualClock()
    link = SerialLink(str(peer.name), clock=clock)
    gauge = StreamGauge(link, clock, gauge_setup())

    def turn(t_s: float) -> list[Sample | Condition]:
        clock.advance_to(int(t_s * NS_PER_S))
        fd = gauge.fileno()
        if fd is not None:
            select.select([fd], [], [], 0.05)
        return gauge.read()

    peer.send(b"\r\n3.1 bar\r\n")
    assert turn(1) == [Sample("pressure", 310.0, NS_PER_S, GOOD)]
    peer.unplug()
    (lost,) = turn(2)
    assert isinstance(lost, Condition)
    assert (lost.kind, lost.t_ns) == ("gauge lost", 2 * NS_PER_S)
    assert turn(2.5) == []
    peer.plug_in()
    assert turn(2.9) == []  # not before the back-off
    (back,) = turn(3)
    assert isinstance(back, Condition)
    assert (back.kind, back.t_ns) == ("gauge back", 3 * NS_PER_S)
    peer.send(b"\x00\xff.9 bar\r\n3.2 bar\r\n")
    assert turn(4) == [Sample("pressure", 320.0, 4 * NS_PER_S, GOOD)]
    gauge.close()


def test_parity_and_size_reach_the_port(peer: Peer) -> None:
    link = SerialLink(str(peer.name), 4800, 7, "even", 2)
    settings = link._serial.get_settings()
    link.close()
    assert {key: settings[key] for key in ("baudrate", "bytesize", "parity", "stopbits")} == {
        "baudrate": 4800, "bytesize": 7, "parity": "E", "stopbits": 2,
    }  # fmt: skip


def test_pyserial_is_imported_in_one_place_only() -> None:
    root = Path(serial_link.__file__).parents[1]
    importing = [
        path.name for path in root.rglob("*.py")
        if any(line.strip().startswith(("import serial", "from serial"))
               for line in path.read_text().splitlines())
    ]  # fmt: skip
    assert importing == ["serial_link.py"]
