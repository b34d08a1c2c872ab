# SPDX-License-Identifier: MIT
"""Word to the service manager, taken by a real datagram socket (sd_notify(3))."""

from __future__ import annotations

import contextlib
import socket
import uuid
from collections.abc import Iterator
from pathlib import Path

import pytest

from rig.bench.notify import Notifier

S = 10**9


class Manager:
    """The receiving end."""

    def __init__(self, address: str) -> None:
        self.sock = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.sock.bind("\0" + address[1:] if address.startswith("@") else address)
        self.sock.setblocking(False)
        self.environment = {"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "900000"}

    def told(self) -> list[str]:
        found = []
        with contextlib.suppress(BlockingIOError):
            while True:
                found.append(self.sock.recv(4096).decode())
        return found


@pytest.fixture(params=["file", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Manager]:
    names = {"file": str(tmp_path / "notify"), "abstract": f"@rig-test-{uuid.uuid4().hex}"}
    made = Manager(names[request.param])
    yield made
    made.sock.close()


def test_ready_alive_stopping(manager: Manager) -> None:
    notifier = Notifier(manager.environment)
    assert notifier.watched
    notifier.ready("armed,\nsheet of 20 strokes")
    notifier.feed(0)
    notifier.stopping()
    notifier.close()
    notifier.close()
    assert manager.told() == [
        "READY=1\nSTATUS=armed, sheet of 20 strokes", "WATCHDOG=1", "STOPPING=1\nWATCHDOG_USEC=0",
    ]  # fmt: skip


def test_the_watchdog_is_fed_every_third_of_its_time(manager: Manager) -> None:
    notifier = Notifier(manager.environment)
    fed = []
    for ms in range(0, 2000, 20):  # the bench's tick
        notifier.feed(5 * S + ms * 10**6)
        fed += [ms] * len(manager.told())
    notifier.close()
    assert fed == [0, 300, 600, 900, 1200, 1500, 1800]


def test_a_loop_that_hangs_feeds_nothing(manager: Manager) -> None:
    notifier = Notifier(manager.environment)
    notifier.feed(0)
    manager.told()
    assert manager.told() == []  # no thread, no timer: only `feed` sends
    notifier.close()


@pytest.mark.parametrize(
    "environment",
    [
        {},
        {"WATCHDOG_USEC": "900000"},
        {"NOTIFY_SOCKET": ""},
        {"NOTIFY_SOCKET": "vsock:2:1234", "WATCHDOG_USEC": "900000"},
        {"NOTIFY_SOCKET": "relative/name"},
    ],
)
def test_without_a_service_manager_nothing_happens(environment: dict[str, str]) -> None:
    notifier = Notifier(environment)
    assert not notifier.watched
    notifier.ready()
    notifier.feed(1)
    notifier.stopping()
    notifier.close()


def test_without_a_watchdog_it_says_ready_and_feeds_nothing(manager: Manager) -> None:
    for usec in ("", "0", "soon", "-1"):
        notifier = Notifier(manager.environment | {"WATCHDOG_USEC": usec})
        notifier.ready()
        notifier.feed(0)
        notifier.close()
        assert manager.told() == ["READY=1"]


def test_a_manager_that_is_gone_or_full_neither_blocks_nor_raises(manager: Manager) -> None:
    notifier = Notifier(manager.environment)
    sent = 0
    while notifier._send("X" * 1000):  # until the kernel takes no more
        sent += 1
        assert sent < 100_000
    notifier.feed(0)
    notifier.ready("late")
    assert len(manager.told()) == sent
    notifier.feed(20_000_000)  # what could not be sent is sent now
    assert manager.told() == ["READY=1\nSTATUS=late", "WATCHDOG=1"]
    manager.sock.close()
    notifier.feed(10 * S)
    notifier.ready()
    notifier.stopping()
    notifier.close()
    notifier.feed(20 * S)
