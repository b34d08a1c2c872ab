# SPDX-License-Identifier: MIT
from __future__ import annotations

import json

import pytest
from logged_runs import SETUP, SHEET, call

from rig.cli.analyse import command
from rig.core.errors import FileProblems, UsageError


@pytest.fixture
def files(tmp_path):
    (tmp_path / "a.setup.toml").write_text(SETUP)
    (tmp_path / "b.sheet.toml").write_text(SHEET.format(strokes=3))
    return tmp_path


def capture(folder, *, slow=0.0, missed=False):
    lines = ["time_ms,command,coil,switch", "0,0,0,0"]
    for n in (1, 2, 3):
        at = 1000 * n
        lines += [f"{at},1,,", f"{at + 8},,1,"]
        if not (missed and n == 2):
            lines += [f"{at + 58 + slow},,,1"]
        lines += [f"{at + 500},0,,", f"{at + 504},,0,"]
        if not (missed and n == 2):
            lines += [f"{at + 540},,,0"]
    path = folder / "capture.csv"
    path.write_text("\n".join([*lines, "4000,,,"]) + "\n")
    return path


def analyse(folder, path, *more, sheet=True):
    sheets = ("--sheet", folder / "b.sheet.toml") if sheet else ()
    return call(command, path, "--setup", folder / "a.setup.toml", *sheets, *more)


def test_json(files):
    done = analyse(files, capture(files), "--json")
    shape = json.loads(done.output, parse_constant=pytest.fail)
    assert done.exit_code == 0
    assert (shape["run"], shape["source"], shape["status"]) == (None, "capture", "captured")
    assert [s["response_ms"] for s in shape["strokes"]] == [50, 50, 50]
    assert [s["release_ms"] for s in shape["strokes"]] == [36, 36, 36]
    assert [s["marks"] for s in shape["strokes"]] == [[], [], []]
    assert len(shape["setup_hash"]) == 16
    assert shape["verdict"]["result"] == "conforms"


def test_exit_codes(files):
    assert analyse(files, capture(files, slow=40)).exit_code == 1
    assert analyse(files, capture(files, slow=40), sheet=False).exit_code == 0
    missed = capture(files, missed=True)
    assert analyse(files, missed).exit_code == 5
    stated = ("--supply-voltage", "13.8 V", "--base-pressure", "45 psi")
    assert analyse(files, missed, *stated).exit_code == 5
    done = analyse(files, missed, *stated, "--proved", "coil,switch", "--json")
    assert done.exit_code == 1
    assert json.loads(done.output)["conditions"]["base_pressure"]["how"] == "typed"
    assert analyse(files, missed, "--supply-voltage", "13.8 V").exit_code == 5


def test_wrong_statement_names_the_option(files):
    with pytest.raises(UsageError, match="--supply-voltage"):
        analyse(files, capture(files), "--supply-voltage", "13.8")
    for absurd in ("140 V", "24 V"):  # outside any range; far from the setup's
        with pytest.raises(UsageError, match="--supply-voltage"):
            analyse(files, capture(files), "--supply-voltage", absurd)


def test_a_refused_capture_names_file_row_column_and_value(files):
    path = capture(files)
    path.write_text(path.read_text().replace("1058", "nan"))
    with pytest.raises(FileProblems) as caught:
        analyse(files, path)
    assert caught.value.exit_code == 2
    text = str(caught.value)
    assert f"{path}: row 5, column time_ms = nan" in text
    assert "Remedy:" in text


def test_a_refused_setup(files):
    (files / "a.setup.toml").write_text(SETUP + "nonsense = 1\n")
    with pytest.raises(FileProblems, match="nonsense"):
        analyse(files, capture(files))


def test_setup_is_needed(files):
    assert call(command, capture(files)).exit_code == 2


def as_runs(folder, name, *texts):
    """The captures `texts` as one file with a column run."""
    lines = []
    for run, text in texts:
        header, *rows = text.splitlines()
        lines += [f"{run},{row}" for row in rows]
    path = folder / name
    path.write_text("\n".join([f"run,{header}", *lines]) + "\n")
    return path


def test_several_runs_are_each_analysed(files):
    good = capture(files).read_text()
    slow = capture(files, slow=40).read_text()
    missed = capture(files, missed=True).read_text()
    path = as_runs(files, "all.csv", ("new", good), ("wo\x1brn", slow), ("3", missed))
    done = analyse(files, path, "--json")
    assert done.exit_code == 1
    runs = json.loads(done.output, parse_constant=pytest.fail)["runs"]
    assert [run["capture_run"] for run in runs] == ["new", "wo\x1brn", "3"]
    assert [run["strokes"][0]["response_ms"] for run in runs] == [50, 90, 50]
    assert [run["verdict"]["result"] for run in runs] == [
        "conforms", "does_not_conform", "undecided",
    ]  # fmt: skip
    text = analyse(files, path, "--tsv").output
    assert "# run new (1 of 3)" in text
    assert "# run wo?rn (2 of 3)" in text
    assert text.count("verdict\t") == 3
    assert analyse(files, as_runs(files, "b.csv", ("1", good), ("2", missed))).exit_code == 5
    assert analyse(files, as_runs(files, "c.csv", ("1", good), ("2", good))).exit_code == 0


def test_a_value_change_dump_is_known_by_its_contents(files):
    lines = ["$timescale 1 ms $end", "$var wire 1 c command $end", "$var wire 1 s switch $end"]
    lines += ["$enddefinitions $end", "#0", "0c", "0s"]
    for n in (1, 2, 3):
        lines += [f"#{1000 * n}", "1c", f"#{1000 * n + 55}", "1s"]
        lines += [f"#{1000 * n + 500}", "0c", f"#{1000 * n + 540}", "0s"]
    path = files / "capture.dat"
    path.write_text("\n".join([*lines, "#4000"]) + "\n")
    shape = json.loads(analyse(files, path, "--json", sheet=False).output)
    assert [s["response_ms"] for s in shape["strokes"]] == [55, 55, 55]
    path.write_text(path.read_text().replace("#2055", "#205"))
    with pytest.raises(FileProblems, match="earlier than the time before it"):
        analyse(files, path)
