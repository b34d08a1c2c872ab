# SPDX-License-Identifier: MIT
"""One capture whose answers are known from its arithmetic, in each form, read and analysed.

The truth: stroke n begins at 1 s + (n - 1) 1.5 s; the coil is live 8.2 ms after the command; the
contact closes r_n = 40 + 2.5 n ms after that, with two more edges 0.4 and 0.7 ms later, and opens
q_n = 30 + 1.25 n ms after the coil is dead, which is 4 ms after its command. So the response of
stroke n is 40.7 + 2.5 n ms, its release 30 + 1.25 n ms; their means over ten strokes are
40.7 + 2.5 * 5.5 = 54.45 ms and 30 + 1.25 * 5.5 = 36.875 ms.

The texts are written here by hand after IEEE Std 1364-2005, clause 18 (value change dump) and RFC
4180 (CSV), not with the project's own writers; the dump's grammar is checked with the independent
reader vcdvcd.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from setups import board
from vcdvcd import VCDVCD

from rig.analysis.analyse import analyse
from rig.captures import read_capture

RIG = board()
N = 10


def truth() -> list[tuple[int, str, int]]:
    """(microseconds, signal, value) of every change, in order."""
    rows = [(0, "command", 0), (0, "coil", 0), (0, "switch", 0)]
    for n in range(1, N + 1):
        on = 1_000_000 + (n - 1) * 1_500_000
        live, off = on + 8_200, on + 600_000
        dead, closes = off + 4_000, live + 40_000 + 2_500 * n
        rows += [
            (on, "command", 1), (live, "coil", 1), (closes, "switch", 1),
            (closes + 400, "switch", 0), (closes + 700, "switch", 1), (off, "command", 0),
            (dead, "coil", 0), (dead + 30_000 + 1_250 * n, "switch", 0),
        ]  # fmt: skip
    return [*rows, (on + 1_500_000, "command", 0)]


def wide_s() -> str:
    names = ["command", "coil", "switch"]
    lines = ["time_s," + ",".join(names)]
    for t_us, name, value in truth():
        cells = [str(value) if name == other else "" for other in names]
        lines.append(f"{t_us / 1e6:.6f}," + ",".join(cells))
    return "\r\n".join(lines) + "\r\n"


def sampled_ms() -> str:
    """As a logger with a fixed step of 0.05 ms would write it, around each change only."""
    rows, held, lines = truth(), {"command": 0, "coil": 0, "switch": 0}, []
    for t_us, name, value in rows:
        if t_us:
            state = ",".join(str(held[key]) for key in held)
            lines.append(f"{(t_us - 50) / 1000},{state}")
        held[name] = value
        state = ",".join(str(held[key]) for key in held)
        lines.append(f"{t_us / 1000},{state}")
    return "time_ms,command,coil,switch\n" + "\n".join(lines) + "\n"


def long_ms() -> str:
    rows = (f"{t_us / 1000},{name},{value}" for t_us, name, value in truth())
    return "time_ms,signal,value\n" + "\n".join(rows) + "\n"


def long_with_runs() -> str:
    rows = "".join(
        f"{run},{t_us / 1e6},{name},{value}\n"
        for run in ("first", "second")
        for t_us, name, value in truth()
    )
    return "run,time_s,signal,value\n" + rows


def dump(scale: str, per_us: float) -> str:
    ids = {"command": "!", "coil": "c", "switch": "#s"}
    head = "".join(f"$var wire 1 {code} {name} $end\n" for name, code in ids.items())
    body, last = "", None
    for t_us, name, value in truth():
        body += f"#{round(t_us * per_us)}\n" if t_us != last else ""
        body, last = body + f"{value}{ids[name]}\n", t_us
    return (
        f"$date\n  a day\n$end\n$version by hand $end\n$timescale {scale} $end\n"
        f"$scope module bench $end\n{head}$upscope $end\n$enddefinitions $end\n{body}"
    )


FORMS = {
    "wide.csv": wide_s(), "sampled.csv": sampled_ms(), "long.csv": long_ms(),
    "us.vcd": dump("1 us", 1), "ns.vcd": dump("1ns", 1000), "10us.vcd": dump("10 us", 0.1),
    "ps.vcd": dump("100\tps", 10_000), "runs.csv": long_with_runs(),
}  # fmt: skip


@pytest.mark.parametrize("name", FORMS)
def test_the_answers_are_those_of_the_arithmetic(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    path.write_text(FORMS[name], newline="")
    runs = read_capture(path, RIG)
    assert len(runs) == (2 if name == "runs.csv" else 1)
    for _, recording in runs:
        table = analyse(recording, RIG, None).strokes
        expected = [40.7 + 2.5 * n for n in range(1, N + 1)]
        assert table.response_ms.tolist() == pytest.approx(expected, abs=1e-9)
        expected = [30 + 1.25 * n for n in range(1, N + 1)]
        assert table.release_ms.tolist() == pytest.approx(expected, abs=1e-9)
        assert table.bounce_on.tolist() == [2] * N
        assert float(table.response_ms.mean()) == pytest.approx(54.45, abs=1e-9)
        assert float(table.release_ms.mean()) == pytest.approx(36.875, abs=1e-9)


@pytest.mark.parametrize("name", [name for name in FORMS if name.endswith(".vcd")])
def test_the_dumps_are_dumps_to_an_independent_reader(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    path.write_text(FORMS[name])
    found = VCDVCD(str(path))
    ours = read_capture(path, RIG)[0].recording
    per_ns = found.timescale["timescale"] * 10**9
    tv = found["bench.switch"].tv[1:]
    assert [round(t * per_ns) for t, _ in tv] == ours.edges["switch"].t_ns.tolist()
    assert [int(value) for _, value in tv] == (1 - ours.edges["switch"].level).tolist()
