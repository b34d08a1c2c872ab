# SPDX-License-Identifier: MIT
"""A sheet with [early_stop], run in virtual and in real time: desk weighs, bench ends the run."""

from __future__ import annotations

from pathlib import Path

import pytest
from live_runs import SETUP, SHEET, live_run, result, rig, write_files

from rig.core.records import STOPPED_EARLY, Command, Condition

EARLY = (
    SHEET
    + """
[early_stop]
acceptable = "1 %"
unacceptable = "50 %"
least = 4
[[accept]]
figure = "response"
max = "140 ms"
"""
)


def check(data, said: list[str], strokes: int) -> None:
    assert data["status"] == "finished"
    assert STOPPED_EARLY in data["marks"]
    assert data["sequential"]["decision"] == "few enough fail"
    # ln 19 / ln(0.99 / 0.5) = 4.3: five good strokes, and those begun before the answer
    assert 5 <= strokes < 30  # the answer may come late on a busy machine
    assert data["counts"]["strokes"] == strokes
    assert data["verdict"]["result"] == "conforms"
    (words,) = said
    assert words.startswith("0 of 5 strokes failed: the share that fails lies below 50 %")


def test_in_real_time(tmp_path: Path) -> None:
    with live_run(tmp_path, sheet=EARLY) as run:
        code, out, err = run.finish()
        assert (code, err) == (0, "")
        records = list(run.stored().records())
    said = [r.detail for r in records if isinstance(r, Condition) and r.kind == STOPPED_EARLY]
    check(result(out), said, sum(isinstance(r, Command) and r.on for r in records))


def test_in_virtual_time_with_and_without(tmp_path: Path) -> None:
    done = rig("run", *write_files(tmp_path, SETUP, EARLY), "--fast", "--json")
    assert done.returncode == 0, done.stderr
    data = result(done.stdout)
    assert 5 <= data["counts"]["strokes"] <= 7
    assert data["sequential"]["n"] == data["counts"]["strokes"]
    whole = rig("run", *write_files(tmp_path, SETUP, SHEET), "--fast", "--json")
    assert result(whole.stdout)["counts"]["strokes"] == 60
    assert result(whole.stdout)["sequential"] is None


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('acceptable = "20 %"', "is not above the acceptable one"),
        ('alpha = "60 %"', "too large"),
        ("alpha = 0.05", "without its unit"),
        ("lest = 3", "this key is not known"),
    ],
)
def test_refusals(tmp_path: Path, text: str, words: str) -> None:
    sheet = f"{SHEET}\n[early_stop]\n{text}\n"
    done = rig("check", *write_files(tmp_path, SETUP, sheet))
    assert done.returncode == 2
    assert words.casefold() in done.stderr.casefold() + done.stdout.casefold()
    assert "early_stop." in done.stderr + done.stdout


def test_every_key_is_in_the_help() -> None:
    from rig.config.sheet.model import EarlyStop

    text = (Path(__file__).parents[2] / "webui/help/sheet.md").read_text()
    section = text.split("## [early_stop]")[1].split("\n## ")[0]
    for name, field in EarlyStop.model_fields.items():
        default = field.default if name == "least" else f'"{100 * field.default:g} %"'
        assert f"| `{name}` |" in section
        (row,) = [line for line in section.splitlines() if line.startswith(f"| `{name}` |")]
        assert row.endswith(f"| `{default}` |")
