# SPDX-License-Identifier: MIT
"""In the guest: the minimum that could take a line off for a reading - read, compare, write.

It is the yardstick for the interlock on the same machine in the same boot.
"""

from __future__ import annotations

import os
import random
import select
import time
from typing import Any

import guest_desk

LIMIT_KPA = 500.0
OVER = "P 600.0 kPa\r\n"


TURNS = 100_000


def turn_ns() -> float:
    """Nanoseconds for one turn of an empty loop on this processor: its present speed."""
    began_ns = time.thread_time_ns()
    for _ in range(TURNS):
        pass
    return (time.thread_time_ns() - began_ns) / TURNS


def measure(world: Any, chip: str, relay: int, tries: int, dice: random.Random) -> list[Any]:
    """`tries` times: the line on, then a reading over the limit; results as in guest_faults."""
    command_r, command_w = os.pipe()
    child = guest_desk.forked(lambda: _loop(chip, relay, command_r), (command_r,))
    os.close(command_r)
    results = []
    world.order(gauge={"line": None})
    for _ in range(tries):
        os.write(command_w, b"1")
        assert world.wait_high(30), "the bare loop did not begin"
        time.sleep(dice.uniform(0.1, 0.3))
        t0_ns = time.monotonic_ns()
        world.order(send=OVER)
        until = time.monotonic() + 3
        while world.high() and time.monotonic() < until:
            time.sleep(0.002)
        time.sleep(0.05)
        results.append({"fault": "bare loop", "t0_ns": t0_ns, "t_end_ns": time.monotonic_ns()})
    os.close(command_w)
    os.waitpid(child, 0)
    return results


def _loop(chip: str, relay: int, commands: int) -> int:
    import serial

    from rig.io import chips, lgpio_loading

    lgpio = lgpio_loading.load_lgpio()
    handle = lgpio.gpiochip_open(chips.find(chip).number)
    lgpio.gpio_claim_output(handle, relay, 0)
    port = serial.Serial("/dev/ttyUSB0", 9600, timeout=0)
    descriptor, waiting = port.fileno(), b""
    while True:
        ready, _, _ = select.select([descriptor, commands], [], [])
        if commands in ready:
            if not os.read(commands, 1):
                break
            lgpio.gpio_write(handle, relay, 1)
        if descriptor in ready:
            *lines, waiting = (waiting + os.read(descriptor, 4096)).split(b"\r\n")
            for line in lines:
                words = line.split()
                if len(words) == 3 and not float(words[1]) <= LIMIT_KPA:
                    lgpio.gpio_write(handle, relay, 0)
    lgpio.gpio_free(handle, relay)
    lgpio.gpiochip_close(handle)
    return 0
