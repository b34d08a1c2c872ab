# SPDX-License-Identifier: MIT
"""The guard made ready: what it does when its chip is there, is missing, or has gone since."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).resolve().parent.parent / "io"))

import fake_gpiod

from rig.core.state_file import RigState
from rig.desk import guard
from rig.io import chips

RIG = RigState("pinctrl-rp1-line17", "board", "pinctrl-rp1", 17)


@pytest.fixture
def kernel(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> fake_gpiod.FakeKernel:
    node = tmp_path / "gpiochip0"
    made = fake_gpiod.kernel([node], ["pinctrl-rp1"])
    monkeypatch.setattr(chips, "gpiod_module", made.package)
    monkeypatch.setattr(chips, "_nodes", lambda _dev: [node])
    return made


@pytest.fixture
def bench() -> Iterator[subprocess.Popen[bytes]]:
    process = subprocess.Popen(["sleep", "60"])
    yield process
    process.kill()
    process.wait()


@pytest.fixture(autouse=True)
def let_go() -> Iterator[None]:
    yield
    while guard._HELD:
        guard._HELD.pop().close()


def test_the_line_is_low_although_the_process_was_not_waited_for(
    kernel: fake_gpiod.FakeKernel, bench: subprocess.Popen[bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    guarding = guard.Guard(RIG)
    guarding.prepare()
    monkeypatch.setattr(bench, "wait", lambda *_: pytest.fail("waited for the process"))
    taken = guarding.take_over(bench)
    guarding.close()
    assert taken.off == "commanded off, not confirmed"
    assert kernel.open_requests[0].config.keys() == {17}
    monkeypatch.undo()
    assert bench.wait(5) == -signal.SIGKILL


def test_nothing_is_looked_for_once_the_bench_is_dead(
    kernel: fake_gpiod.FakeKernel, bench: subprocess.Popen[bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    guarding = guard.Guard(RIG)
    guarding.prepare()
    monkeypatch.setattr(chips, "_nodes", lambda _dev: pytest.fail("looked for the chip"))
    assert guarding.take_over(bench).off is not None
    guarding.close()


def test_a_chip_that_went_away_is_looked_for_again(
    kernel: fake_gpiod.FakeKernel, bench: subprocess.Popen[bytes]
) -> None:
    guarding = guard.Guard(RIG)
    guarding.prepare()
    kernel.gone = True
    taken = guarding.take_over(bench)
    guarding.close()
    assert taken.off is None and "COIL NOT CONFIRMED OFF" in taken.words


def test_without_a_chip_it_is_ready_all_the_same_and_says_so_when_needed(
    kernel: fake_gpiod.FakeKernel, bench: subprocess.Popen[bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(chips, "_nodes", lambda _dev: [])
    guarding = guard.Guard(RIG)
    guarding.prepare()
    taken = guarding.take_over(bench)
    assert taken.off is None and "no /dev/gpiochip" in taken.words
