# SPDX-License-Identifier: MIT
"""Run circuits with ngspice and print what they measure.

    python3 hardware/circuits/simulate.py                    every claim of the pages
    python3 hardware/circuits/simulate.py --write            and put them into the pages
    python3 hardware/circuits/simulate.py CIRCUIT a=1 b=2    one circuit, with other parameters

Parts are generic models (models.inc); nothing here was measured on real parts.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parents[1]))

from rig.wiring.parts import spice  # noqa: E402

Parameter = float | str
_MEASURED = re.compile(r"^([a-z][a-z0-9_]*)\s*=\s*([-+0-9.e]+)", re.M)
_FAILED = re.compile(r"^ *\.meas \S+ (\S+) .*failed", re.M)


def deck(circuit: str, parameters: Mapping[str, Parameter]) -> str:
    """The netlist of `circuit` with parts and models in it and `parameters` in place of its own.

    Raises ValueError for a parameter that neither the netlist nor the table of parts has.
    """
    text = (HERE / f"{circuit}.cir").read_text()
    text = text.replace(".include models.inc", (HERE / "models.inc").read_text())
    text = text.replace(".include parts.inc", spice())
    lines = text.split("\n")
    for name, value in parameters.items():
        pattern = re.compile(rf"(?<=\s){re.escape(name)}=\S+", re.I)
        places = [
            n for n, line in enumerate(lines) if line.startswith(".param") and pattern.search(line)
        ]
        if len(places) != 1:
            raise ValueError(f'{circuit}: "{name}" is no parameter of this circuit')
        lines[places[0]] = pattern.sub(f"{name}={value}", lines[places[0]])
    return "\n".join(lines)


def simulate(circuit: str, /, **parameters: Parameter) -> dict[str, float]:
    """Every measurement of `circuit` by its name, in V, A, ohm, s, W, J.

    A measurement that found nothing (a level never reached) is left out. Raises RuntimeError where
    ngspice ends with an error or measures nothing.
    """
    with tempfile.NamedTemporaryFile("w", suffix=".cir") as file:
        file.write(deck(circuit, parameters))
        file.flush()
        done = subprocess.run(
            ["ngspice", "-b", file.name], stdin=subprocess.DEVNULL, capture_output=True, text=True,
            timeout=100,
        )  # fmt: skip
    failed = set(_FAILED.findall(done.stdout + done.stderr))
    out = {name: float(value) for name, value in _MEASURED.findall(done.stdout)}
    out = {name: value for name, value in out.items() if name not in failed}
    if not out or "run simulation(s) aborted" in done.stderr:
        raise RuntimeError(f"{circuit} {parameters}: {done.stdout[-2000:]}{done.stderr[-2000:]}")
    return out


def main() -> int:
    """Print one circuit's measurements, or the table of claims."""
    words = sys.argv[1:]
    if words and not words[0].startswith("-"):
        given = dict(word.split("=", 1) for word in words[1:])
        for name, value in simulate(words[0], **given).items():
            sys.stdout.write(f"{name:<16} {value:.4g}\n")
        return 0
    from claims import README, SENSORS, results, write  # the claims import this module
    from claims import table as table_of

    found = list(results())
    for page in (README, SENSORS):
        sys.stdout.write(f"{table_of(page, found)}\n\n")
    if "--write" in words:
        write(found)
    return 0


if __name__ == "__main__":
    sys.exit(main())
