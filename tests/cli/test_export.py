# SPDX-License-Identifier: MIT
from __future__ import annotations

import json
import sqlite3

import pytest
from logged_runs import call, log_run
from vcdvcd import VCDVCD

from rig.captures import read_csv
from rig.cli.export import command
from rig.config.files.loading import setup_from_text
from rig.core.errors import UsageError


def test_csv_reads_back_with_the_same_edges(rig_data, tmp_path):
    run = log_run(rig_data, 3)
    path = tmp_path / "run.csv"
    done = call(command, run, "--to", "csv", path)
    assert done.output == f"Run {run} written to {path} (SIMULATED).\n"
    assert path.read_text().startswith("# SIMULATED")
    from logged_runs import SETUP

    recording = read_csv(path, setup_from_text(SETUP, "a").setup)
    assert recording.edges["switch"].t_ns.tolist()[:2] == [1_058_000_000, 1_540_000_000]
    assert recording.commands.stroke.tolist() == [1, 1, 2, 2, 3, 3]


def test_vcd_and_json(rig_data, tmp_path):
    log_run(rig_data, 3)
    call(command, "last", "--to", "vcd", tmp_path / "run.vcd")
    dump = VCDVCD(str(tmp_path / "run.vcd"))
    assert dump["SIMULATED.switch"].tv[1] == (1_058_000_000, "1")
    call(command, "last", "--to", "json", tmp_path / "run.json")
    data = json.loads((tmp_path / "run.json").read_text(), parse_constant=pytest.fail)
    assert data["notice"].startswith("SIMULATED")
    assert data["result"]["run"] == 1
    assert len(data["records"]["edges"]["switch"]["t_ns"]) == 6


def test_a_board_run_is_not_called_simulated(rig_data, tmp_path):
    log_run(rig_data, 3, source="board")
    for form in ("csv", "vcd", "json"):
        done = call(command, "last", "--to", form, tmp_path / f"run.{form}")
        assert "SIMULATED" not in done.output + (tmp_path / f"run.{form}").read_text()


def test_nothing_is_overwritten_without_force(rig_data, tmp_path):
    log_run(rig_data, 3)
    path = tmp_path / "run.csv"
    path.write_text("mine")
    with pytest.raises(UsageError, match="exists; give another name, or --force"):
        call(command, "last", "--to", "csv", path)
    assert path.read_text() == "mine"
    call(command, "last", "--to", "csv", path, "--force")
    assert path.read_text().startswith("# SIMULATED")


@pytest.mark.parametrize("form", ["csv", "vcd", "json"])
def test_a_folder_that_is_not_there(rig_data, tmp_path, form):
    log_run(rig_data, 3)
    with pytest.raises(UsageError, match="cannot be written: No such file"):
        call(command, "last", "--to", form, tmp_path / "none" / "run")


def test_a_setup_that_cannot_be_read_is_said_plainly(rig_data, tmp_path):
    log_run(rig_data, 3)
    with sqlite3.connect(rig_data / "runs.sqlite") as log:
        log.execute("UPDATE texts SET text = 'backend = 7' WHERE text LIKE '%backend%'")
    log.close()
    with pytest.raises(UsageError, match="cannot be read by this program"):
        call(command, "last", "--to", "csv", tmp_path / "run.csv")
    assert not (tmp_path / "run.csv").exists()


def test_form_and_file_are_needed(rig_data, tmp_path):
    assert call(command, "1", tmp_path / "a").exit_code == 2
    assert call(command, "1", "--to", "xlsx", tmp_path / "a").exit_code == 2
