# SPDX-License-Identifier: MIT
"""What the program says today, as files: `python tests/golden/recording.py FOLDER` writes them.

Fourteen runs, two captures, every help text, the OpenAPI document, a report and the exit codes.
What may differ from one machine and minute to another is taken out by `NORMALISED`.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent
STROKES, RAMP, HOLD = "strokes", "ramp", "hold"
RUNS = {
    # name: (setup, sheet, fault)
    "sound": ("workshop", STROKES, "none"),
    "sound, fast channels": ("engine", STROKES, "none"),
    "sound, hold": ("workshop", HOLD, "none"),
    "sound, ramp": ("workshop", RAMP, "none"),
    "low oil pressure": ("workshop", STROKES, "low oil pressure"),
    "open coil, fast channels": ("engine", STROKES, "open coil"),
    "fuse open": ("workshop", STROKES, "fuse open"),
    "contact welded": ("workshop", STROKES, "contact welded"),
    "sticking spool": ("workshop", STROKES, "sticking spool"),
    "weak return spring, fast channels": ("engine", STROKES, "weak return spring"),
    "switch stuck open": ("workshop", STROKES, "switch stuck open"),
    "switch chattering": ("workshop", STROKES, "switch chattering"),
    "gauge silent": ("workshop", STROKES, "gauge silent"),
    "leaking lock seals, hold": ("leak-down", HOLD, "leaking lock seals"),
}
CAPTURES = ("capture.csv", "capture_long.csv")
SEED = "41"
LONGEST = 24
"""Of a longer list of numbers only the first and last three stay, and how many there were."""
DIGITS = 9
"""Significant digits: libraries differ in the last ones."""

NORMALISED: tuple[tuple[str, str, str], ...] = (
    (r"clock\.\w+\t.*", "clock <varies>", "this machine's clock"),
    (r"\d{4}-\d\d-\d\d[ T]\d\d:\d\d(:\d\d(\.\d+)?)?( UTC|Z)?", "<time>", "the wall clock"),
    (r"\d{1,2} [A-Z][a-z]+ 20\d\d( \d\d:\d\d)?", "<day>", "the wall clock"),
    (r"urn:uuid:[0-9a-f-]{36}", "urn:uuid:<id>", "drawn at random for each run"),
    (r"Runs are kept in .*(\n[^$\n].*)*", "<storage>", "this machine's disk, database and clock"),
    (r"\(?CLOCK NOT SYNCHRONISED\)?", "", "this machine's clock"),
    (r"solenoid-rig \d[\w.]*", "solenoid-rig <version>", "the version"),
    (r'class="qr">.*?</svg>', 'class="qr"></svg>', "the picture of the run's own code"),
)
UNKNOWN_KEYS = ("utc_s", "started_utc_s", "uuid", "uid", "stepped_s", "slept_s", "synchronised")


def call(*words: str) -> tuple[int, str, str]:
    """One command in this process: its exit code and what it printed."""
    from rig.cli import main

    out, err = io.StringIO(), io.StringIO()
    before, sys.argv = sys.argv, ["rig", *words]
    code: Any = 0
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            try:
                main.main()
            except SystemExit as ended:
                code = ended.code
    finally:
        sys.argv = before
    return int(code or 0), out.getvalue(), err.getvalue()


def plain(value: Any) -> Any:
    """A JSON value as it is kept: keys sorted, numbers rounded, what differs taken out."""
    if isinstance(value, dict):
        return {
            key: "<varies>" if key in UNKNOWN_KEYS and value[key] is not None else plain(value[key])
            for key in sorted(value)
        }
    if isinstance(value, list):
        items = [plain(item) for item in value]
        if len(items) > LONGEST and not isinstance(items[0], dict):
            return [*items[:3], f"<{len(items)} in all>", *items[-3:]]
        return items
    if isinstance(value, float):
        return float(f"{value:.{DIGITS}g}")
    return text(value) if isinstance(value, str) else value


def text(value: str) -> str:
    """A text with what differs taken out."""
    value = value.replace(str(ROOT), "<checkout>").replace(os.environ["RIG_DATA"], "<data>")
    for pattern, instead, _ in NORMALISED:
        value = re.sub(pattern, instead, value)
    return value


def pretty(value: Any) -> str:
    return json.dumps(plain(value), indent=1, ensure_ascii=False) + "\n"


def runs(codes: dict[str, int], folder: Path) -> Iterator[tuple[str, str]]:
    """The JSON of each run, and of each capture."""
    for name, (setup, sheet, fault) in RUNS.items():
        made = folder / "made.setup.toml"
        given = (ROOT / "demo" / f"{setup}.setup.toml").read_text()
        assert given.count("[simulated]") == 1
        table = f'[simulated]\nfault = "{fault}"\nfault_after = "2 s"'
        made.write_text(given.replace("[simulated]", table))
        code, out, _ = call(
            "run", str(made), str(HERE / f"{sheet}.sheet.toml"), "--fast", "--wait", "--json",
            "--seed", SEED,
            "--valve", "V-101", "--supply-voltage", "12.6 V", "--oil-temperature", "90 degC",
        )  # fmt: skip
        codes[f"run: {name}"] = code
        yield (
            f"run-{name.replace(', ', '-').replace(' ', '-')}.json",
            pretty(json.loads(out) if out else None),
        )
        call("clear")
    for name in CAPTURES:
        code, out, err = call(
            "analyse", str(HERE / name), "--setup", str(ROOT / "demo/workshop.setup.toml"),
            "--sheet", str(HERE / "strokes.sheet.toml"), "--json",
        )  # fmt: skip
        codes[f"analyse: {name}"] = code
        yield f"{name}.json", pretty(json.loads(out)) if out else text(err)


def help_texts(codes: dict[str, int]) -> Iterator[tuple[str, str]]:
    """Every --help in one file."""
    import click

    from rig.cli import main

    group = main.cli
    context = click.Context(group, info_name="rig")
    said = []
    for words in [(), *[(name,) for name in group.list_commands(context)]]:
        said.append((words, call(*words, "--help")))
        if words == ("calc",):
            calc = group.get_command(context, "calc")
            assert isinstance(calc, click.Group)
            for name in calc.list_commands(context):
                said.append((("calc", name), call("calc", name, "--help")))
    for words, (code, _, _) in said:
        codes[" ".join(["help:", *words])] = code
    parts = [f"$ rig {' '.join([*words, '--help'])}\n{out}" for words, (_, out, _) in said]
    yield "help.txt", text("\n".join(parts))


def mistakes(codes: dict[str, int]) -> Iterator[tuple[str, str]]:
    """What a mistake is answered with."""
    demo = str(ROOT / "demo/workshop.setup.toml")
    tried: list[tuple[str, ...]] = [
        ("run", "missing.toml", "missing.toml", "--fast"), ("show", "99"), ("show", "x"),
        ("check", demo, str(HERE / "strokes.sheet.toml")), ("nothing",), ("runs",),
        ("compare", "1", "2"), ("export", "1", "--to", "csv", "-"), ("safe",),
        ("report", "99"), ("show", "2"), ("show", "6"), ("show", "8"),
        ("calc", "fuse", "--current", "8 A", "--rating", "5 A"),
        ("run", demo, str(HERE / "strokes.sheet.toml"), "--fast", "--supply-voltage", "12"),
    ]  # fmt: skip
    parts = []
    for words in tried:
        code, out, err = call(*words)
        shown = " ".join(Path(word).name if "/" in word else word for word in words)
        codes[f"rig {shown}"] = code
        parts.append(f"$ rig {shown}\n{out}{err}")
    yield "terminal.txt", text("\n".join(parts))


def page() -> Iterator[tuple[str, str]]:
    """The OpenAPI document."""
    from webui.app import create_app

    client = create_app().test_client()
    yield "openapi.json", pretty(client.get("/api/openapi.json").get_json())


def report(codes: dict[str, int], folder: Path) -> Iterator[tuple[str, str]]:
    """Run 1 on a sheet of paper."""
    file = folder / "report.html"
    codes["report"], _, _ = call("report", "1", "--out", str(file))
    yield "report.html", text(file.read_text()) if file.exists() else "no report\n"


def record() -> Iterator[tuple[str, str]]:
    """Name and text of each file. RIG_DATA must name an empty folder."""
    codes: dict[str, int] = {}
    steps: tuple[Callable[[], Iterator[tuple[str, str]]], ...]
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        steps = (
            lambda: runs(codes, folder), lambda: report(codes, folder),
            lambda: help_texts(codes), lambda: mistakes(codes), page,
        )  # fmt: skip
        for step in steps:
            yield from step()
    yield "exit-codes.json", pretty(codes)


def main() -> None:
    """Write the record into the folder named on the command line."""
    into = Path(sys.argv[1]).resolve()
    into.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as data:
        os.environ |= {"RIG_DATA": data, "COLUMNS": "100", "TZ": "UTC", "NO_COLOR": "1"}
        os.environ.pop("FORCE_COLOR", None)
        time.tzset()
        here = Path.cwd()
        os.chdir(data)  # an export writes where it stands
        written = dict(record())
        os.chdir(here)
    for old in into.glob("*.*"):
        old.unlink()
    for name, content in written.items():
        (into / name).write_text(content)


if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))
    main()
