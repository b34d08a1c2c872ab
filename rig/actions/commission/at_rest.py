# SPDX-License-Identifier: MIT
"""Steps with nothing energised: check the computer, and that every input is what the setup says."""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from pathlib import Path

from rig.actions.commission import hands
from rig.actions.commission.lab import Lab
from rig.actions.commission.step import (
    Found,
    Step,
    judged_by,
    no_gauge,
    no_readback,
    not_tried,
    said,
    shown,
    value,
)
from rig.core import places
from rig.core.clock import clock_synchronised
from rig.core.preflight import GOOD, REFUSED

FLAGS = {
    0: "under-voltage now", 1: "processor frequency capped now", 2: "throttled now",
    3: "soft temperature limit now", 16: "under-voltage since boot",
    17: "frequency capped since boot", 18: "throttled since boot",
    19: "soft temperature limit since boot",
}  # fmt: skip
"""Bits of `vcgencmd get_throttled` (the board maker's documentation of vcgencmd)."""
WATCHDOG = Path("/dev/watchdog")
SYNCS = 20
BEFOREHAND = "This ends every program: do it before `rig commission` is started, and say so now."


def flag_words(number: int) -> list[str]:
    """The firmware's flags in words."""
    return [words for bit, words in FLAGS.items() if number >> bit & 1]


def _flags(_lab: Lab) -> Found:
    tool = shutil.which("vcgencmd")
    if tool is None:
        return not_tried("this computer has no vcgencmd that would tell")
    done = subprocess.run(
        [tool, "get_throttled"], capture_output=True, text=True, timeout=10, check=False
    )
    text = done.stdout.strip().partition("=")[2]
    try:
        words = flag_words(int(text, 16))
    except ValueError:
        return said(False, f'vcgencmd answered "{done.stdout.strip()[:60]}"')
    return said(not words, ", ".join(words) or "no flag since boot")


def _clock(_lab: Lab) -> Found:
    known = clock_synchronised()
    return said(known is True, "synchronised" if known else "not known to be synchronised")


def _disk(lab: Lab) -> Found:
    path = places.data_dir() / ".commissioning-sync"
    slowest_s = 0.0
    try:
        with path.open("wb") as file:
            for _ in range(SYNCS):
                begun = time.monotonic()
                file.write(bytes(4096))
                file.flush()
                os.fsync(file.fileno())
                slowest_s = max(slowest_s, time.monotonic() - begun)
    finally:
        path.unlink(missing_ok=True)
    most_s = 0.5 * lab.setup.limits.recorder_lag_s
    return judged_by(
        f"the slowest of {SYNCS} took {slowest_s:.3f} s",
        [value("slowest sync", slowest_s, "s", most=most_s)],
    )


def _boot(lab: Lab) -> Found:
    return _seen(
        lab, "Did the lamp stay dark from power-up to login?",
        "the lamp stayed dark", "the lamp was lit while the board booted",
    )  # fmt: skip


def _hang(lab: Lab) -> Found:
    return _seen(
        lab, "Did the lamp go dark by itself, and stay dark through the restart?",
        "the lamp went dark", "the lamp stayed lit",
    )  # fmt: skip


def _seen(lab: Lab, question: str, dark_words: str, lit_words: str) -> Found:
    """What a person saw of the lamp before this program was started, and when."""
    dark = lab.hands.saw(question)
    if dark is None:
        return not_tried("a simulated rig does not boot")
    day = lab.hands.day("On which day was that seen (YYYY-MM-DD)?")
    return said(dark, f"{dark_words if dark else lit_words}, seen on {day}")


def _no_watchdog(lab: Lab) -> str:
    if lab.simulated:
        return "a simulated rig has no kernel of its own"
    return "" if WATCHDOG.exists() else "this board has no watchdog device"


def _no_boot(lab: Lab) -> str:
    return "a simulated rig does not boot" if lab.simulated else ""


def _readback_sense(lab: Lab) -> Found:
    """With the fuse out there is no voltage at the load terminal, whichever side is switched."""
    found = lab.look(hands.FUSE_OUT)
    voltage = _voltage(lab, live=found.coil_live)
    return said(not voltage, f"with the fuse out it reads {_shown(voltage)}")


def _feed_side(lab: Lab) -> Found:
    """With the fuse in and the relay off, a switched supply leaves the load terminal dead, and a
    switched ground leaves voltage on it through the lamp."""
    voltage = _voltage(lab, live=lab.look().coil_live)
    return said(
        voltage == (lab.setup.coil.feed_side == "ground"),
        f"with the fuse in and the relay off it reads {_shown(voltage)}, as with feed side "
        f"{'ground' if voltage else 'supply'}",
    )


def _shown(voltage: bool) -> str:
    return "voltage" if voltage else "no voltage"


def _voltage(lab: Lab, *, live: bool) -> bool:
    """Whether the read-back shows voltage on the load terminal."""
    return live == (lab.setup.coil.feed_side == "supply")


def _welded(lab: Lab) -> Found:
    found = lab.look(hands.CONTACT_BRIDGED)
    seen = found.coil_live and bool(found.refused)
    return said(seen, "a start was refused" if seen else "NOT SEEN: a start was not refused")


def _plug(state: str, *, closed: bool) -> Step:
    did = "bridged at the plug" if closed else "unplugged"

    def measure(lab: Lab) -> Found:
        reads = switch_closed(lab, state)
        return said(reads == closed, f"{did}, it reads {'closed' if reads else 'open'}")

    return Step(
        "switch_bridged" if closed else "switch_unplugged",
        f"Switch input {did}", "at rest",
        "Bridge the two wires of the switch at its plug." if closed else
        "Unplug the pressure switch; leave its wires apart.",
        "The preflight reads the input.",
        f"reads {'closed' if closed else 'open'}",
        "Check closed_reads and pull of [switch], its line, and the wire from plug to input for a "
        f"{'break' if closed else 'short'}.",
        measure,
    )  # fmt: skip


def switch_closed(lab: Lab, state: str = hands.AS_WIRED) -> bool:
    """The state of the contact as the preflight sees it."""
    return shown(lab.look(state), "Pressure switch").startswith("contact closed")


def _contact(lab: Lab) -> Found:
    closed = switch_closed(lab)
    kind = f"normally {'closed' if closed else 'open'}"
    says = lab.setup.switch.contact
    if says == "find":
        return not_tried(f'the setup says "find"; without pressure it is {kind}: write that down')
    return said(says == kind, f"without pressure the contact is {kind}; the setup says {says}")


def _loop(table: str, name: str, state: str, ask: str) -> Step:
    def measure(lab: Lab) -> Found:
        opened = _result(lab, state)
        if not lab.hands.ready(name, "Close it again."):
            return said(False, f"open: {opened}; it was not closed again")
        at_rest = _result(lab, hands.AS_WIRED)
        good = at_rest == GOOD and opened == REFUSED
        return said(good, f"closed: {at_rest}; open: {opened}")

    def _result(lab: Lab, now: str) -> str:
        return next((c.result for c in lab.look(now).checks if c.name == name), "no such check")

    return Step(
        table, f"{name} opened", "at rest", ask, "The preflight, closed and open.",
        "closed: good; open: a start is refused",
        f"Check the contact and both wires of [{table}]: a wire past the contact hides it.",
        measure,
        lambda lab: "" if table in lab.setup.lines else f"no [{table}] wired",
    )  # fmt: skip


def _gauge(lab: Lab) -> Found:
    checks = [check for check in lab.look().checks if check.name == "Pressure gauge"]
    return said(
        any(check.result == GOOD for check in checks), "".join(check.shown for check in checks)
    )


STEPS = (
    Step("flags", "Supply and temperature of the board", "at rest", "", "vcgencmd get_throttled.",
         "no flag since boot", "A stronger supply for the board, a shorter cable, or a heat sink; "
         "then restart it.", _flags),
    Step("clock", "Clock of the computer", "at rest", "", "The kernel's clock state (adjtimex).",
         "synchronised", "Give the board a network or a clock module; dates are in doubt before.",
         _clock, lambda lab: "in simulation no date depends on it" if lab.simulated else ""),
    Step("disk", "Disk sync", "at rest", "", f"{SYNCS} writes of 4 KiB, each synced.",
         "at most half of limits.recorder_lag", "Another card or disk: this one holds the recorder "
         "up.", _disk),
    Step("boot", "Relay line at boot", "at rest",
         f"{BEFOREHAND} With a lamp in the coil's place, take the board's power off and on, and "
         "watch the lamp up to the login.", "A person watches the lamp.", "dark throughout",
         "Check the pull-down at the driver, and that the line is low from power-up.",
         _boot, _no_boot),
    Step("hang", "Relay line after a kernel hang", "at rest",
         f"{BEFOREHAND} Only where a restart of the board is no harm: light the lamp with a run, "
         "hang the kernel (echo c > /proc/sysrq-trigger as root), and watch the lamp.",
         "A person watches the lamp.", "dark when the watchdog restarts the board",
         "Turn the hardware watchdog on.", _hang, _no_watchdog),
    Step("readback_sense", "Read-back without the fuse", "at rest",
         "Lamp or resistor in the coil's place, pressure off. Pull the fuse.",
         "The preflight reads the input with the relay off.", "reads no voltage",
         "Check voltage_reads, pull and line of [readback].", _readback_sense, no_readback),
    Step("feed_side", "Feed side", "at rest", "Put the fuse in again.",
         "The preflight reads the read-back with the relay off: none with feed side supply, "
         "voltage through the lamp with feed side ground.", "as the setup says",
         "Check coil.feed_side, and on which side of the coil the relay's contact is wired.",
         _feed_side, no_readback),
    Step("welded", "Welded contact is seen", "at rest",
         "Bridge the relay's contact with a fused wire: the lamp lights.", "The preflight.",
         "a start is refused", "Check the read-back's wire to the load terminal.",
         _welded, no_readback),
    _plug(hands.PLUG_OFF, closed=False),
    _plug(hands.PLUG_BRIDGED, closed=True),
    Step("contact", "Contact of the switch", "at rest",
         "Take the bridges away, plug the switch in; no pressure on it.",
         "The preflight reads the input.", "as the setup says",
         "Correct switch.contact, or replace a switch that is stuck.", _contact),
    _loop("stop_input", "Mushroom stop", hands.STOP_PRESSED,
          "Press the mushroom stop."),
    _loop("cover_input", "Guard cover", hands.COVER_OPEN,
          "Open the guard cover."),
    Step("gauge", "Gauge gives readings", "at rest", "Everything as wired, pressure off.",
         "The preflight.", "a good reading, under limits.pressure",
         "Check the gauge's supply, port, period, pattern and decimal in the setup.",
         _gauge, no_gauge),
)  # fmt: skip
