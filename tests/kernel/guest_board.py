# SPDX-License-Identifier: MIT
"""In the guest: make the GPIO simulator look like a Pi's GPIO chip. Standard library only.

    guest_board.py LABEL LINES NAME=OFFSET ...

Creates a simulated chip with that label, LINES lines and the given line names - after another one,
so that the first chip is never the right one -, and stands a Raspberry Pi's revision code in
/proc/cpuinfo, where gpiozero looks for the board's header. Prints JSON: `device` (/dev/gpiochipN)
and `lines`, the folder that holds sim_gpioN/{pull,value}.
The interface is the kernel's Documentation/admin-guide/gpio/gpio-sim.rst.
"""

import json
import subprocess
import sys
from pathlib import Path

# Revision codes of a Pi 4B and a Pi 5 (Raspberry Pi documentation, "Raspberry Pi revision codes").
REVISIONS = {"pinctrl-bcm2711": "c03111", "pinctrl-rp1": "d04170"}


def create(label: str, lines: int, names: dict[int, str]) -> dict[str, str]:
    """One chip; its name among the simulated ones follows from the label."""
    device = Path("/sys/kernel/config/gpio-sim") / label
    bank = device / "bank0"
    bank.mkdir(parents=True)
    (bank / "num_lines").write_text(str(lines))
    (bank / "label").write_text(label)
    for offset, name in names.items():
        line = bank / f"line{offset}"
        line.mkdir()
        (line / "name").write_text(name)
    (device / "live").write_text("1")
    chip = (bank / "chip_name").read_text().strip()
    parent = (device / "dev_name").read_text().strip()
    return {"device": f"/dev/{chip}", "lines": f"/sys/devices/platform/{parent}/{chip}"}


def show_revision(label: str) -> None:
    """Bind a /proc/cpuinfo with the board's revision code over the real one."""
    shown = Path("/run/cpuinfo")
    shown.write_text(f"{Path('/proc/cpuinfo').read_text()}\nRevision\t: {REVISIONS[label]}\n")
    subprocess.run(["mount", "--bind", str(shown), "/proc/cpuinfo"], check=True)


if __name__ == "__main__":
    label, lines, *pairs = sys.argv[1:]
    named = {int(offset): name for name, _, offset in (pair.partition("=") for pair in pairs)}
    create("another-chip", 8, {})
    facts = create(label, int(lines), named)
    if label in REVISIONS:
        show_revision(label)
    print(json.dumps(facts))
