# SPDX-License-Identifier: MIT
"""In the guest: the rig's own access to the board's lines, one action a call.

    guest_relay.py cycle LABEL LINE VALUE_FILE    claim, on, off, close; prints the levels seen
    guest_relay.py hold LABEL LINE                claim, on, print "on", wait to be killed
    guest_relay.py claim LABEL LINE               claim and give back
    guest_relay.py edges DEVICE LINE              request as a timed input and give back
    guest_relay.py off DEVICE LINE VALUE_FILE     take the line off; prints what either side saw
    guest_relay.py squat DEVICE LINE ...          hold lines as another program would
Errors of the rig end with status 4 and their text on standard error.
"""

import json
import sys
import time
from pathlib import Path

from rig.core.errors import RigError


def open_coil(label: str, line: str):
    from rig.io.gpio import RelayCoil, board_factory

    board = board_factory(label)
    return RelayCoil(int(line), board.factory, board.description["chip"]), board


def cycle(label: str, line: str, value_file: str) -> None:
    value = Path(value_file)
    seen = {"before": value.read_text()}
    coil, board = open_coil(label, line)
    seen["claimed"] = value.read_text()
    coil.on()
    seen["on"], seen["commanded on"] = value.read_text(), coil.commanded_on
    coil.off()
    seen["off"], seen["commanded off"] = value.read_text(), not coil.commanded_on
    coil.on()
    coil.close()
    coil.close()
    seen["closed from on"] = value.read_text()
    board.factory.close()
    print(json.dumps(seen | {"description": board.description}))


def hold(label: str, line: str) -> None:
    coil, _ = open_coil(label, line)
    coil.on()
    print("on", flush=True)
    time.sleep(600)


def claim(label: str, line: str) -> None:
    coil, board = open_coil(label, line)
    coil.close()
    board.factory.close()


def edges(device: str, line: str) -> None:
    from rig.io.edges import KernelEdges

    KernelEdges(device, {"switch": (int(line), "external")}).close()


def off(device: str, line: str, value_file: str) -> None:
    from rig.io.gpio import hold_line_off, take_line_off

    held = hold_line_off(device, int(line))
    seen = {"held low": held.low, "far side": Path(value_file).read_text().strip()}
    held.close()
    print(json.dumps(seen | {"taken low": take_line_off(device, int(line))}))


def squat(device: str, *lines: str) -> None:
    import gpiod

    settings = gpiod.LineSettings(direction=gpiod.line.Direction.INPUT)
    config = {tuple(int(line) for line in lines): settings}
    with gpiod.request_lines(device, config, consumer="another program"):
        print("held", flush=True)
        time.sleep(600)


if __name__ == "__main__":
    errand, *arguments = sys.argv[1:]
    errands = {f.__name__: f for f in (cycle, hold, claim, edges, off, squat)}
    try:
        errands[errand](*arguments)
    except RigError as error:
        print(error, file=sys.stderr)
        sys.exit(error.exit_code)
