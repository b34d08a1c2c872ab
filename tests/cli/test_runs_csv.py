# SPDX-License-Identifier: MIT
"""`rig runs --csv`: read back by Python's csv module (RFC 4180) and by pandas, without options."""

from __future__ import annotations

import csv
import io
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pandas
import pytest
from click.testing import CliRunner, Result

from rig.cli.main import cli
from rig.core.errors import UsageError

DEMO = Path(__file__).parents[2] / "demo"
CONDITIONS = ["--oil-temperature", "85 degC", "--job", "J 7"]


def rig(*args: object) -> Result:
    return CliRunner().invoke(cli, [str(arg) for arg in args])


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A log with three runs of two valves."""
    folder = tmp_path_factory.mktemp("made")
    files = [DEMO / "workshop.setup.toml", DEMO / "workshop.sheet.toml"]
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("RIG_DATA", str(folder))
        for valve in ('V "1", left', "V-2", 'V "1", left'):
            done = rig("run", *files, "--fast", "--json", "--valve", valve, *CONDITIONS)
            assert done.exit_code in (0, 1, 5), done.output
    return folder / "runs.sqlite"


@pytest.fixture
def runs(made: Path, rig_data: Path) -> Path:
    shutil.copy(made, rig_data)
    return rig_data


def refused(*args: object) -> str:
    told = rig(*args)
    assert isinstance(told.exception, UsageError), told.output
    return str(told.exception)


def test_a_row_a_run_says_run_valve_job_conditions_figures_and_verdict(
    runs: Path, tmp_path: Path
) -> None:
    path = tmp_path / "results.csv"
    assert rig("runs", "--csv", path).exit_code == 0
    with path.open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["run"] for row in rows] == ["3", "2", "1"]
    assert [row["valve"] for row in rows] == ['V "1", left', "V-2", 'V "1", left']
    first = rows[0]
    assert (first["job"], first["oil_temperature_degc"]) == ("J 7", "85.0")
    assert first["oil_temperature_how"] == "typed" and first["purpose"] == "valve"
    assert float(first["response_ms_mean"]) > 0 and int(first["response_ms_n"]) > 2
    assert first["verdict"] in ("conforms", "undecided", "does_not_conform")
    assert all(None not in row and None not in row.values() for row in rows), "no ragged row"
    found = pandas.read_csv(path)
    assert found["response_ms_mean"].tolist() == [float(row["response_ms_mean"]) for row in rows]


def test_a_row_a_stroke_on_standard_output(runs: Path) -> None:
    told = rig("runs", "--valve", "V-2", "--csv", "-", "--strokes")
    rows = list(csv.DictReader(io.StringIO(told.stdout, newline="")))
    assert {row["run"] for row in rows} == {"2"}
    assert [int(row["stroke"]) for row in rows] == list(range(1, len(rows) + 1))
    assert float(rows[1]["response_ms"]) > 0


def test_a_folder_gets_a_file_named_by_valve_and_runs(runs: Path, tmp_path: Path) -> None:
    told = rig("runs", "--valve", 'V "1", left', "--csv", tmp_path)
    assert (tmp_path / "V-1-left-runs-1-to-3-results.csv").exists(), told.output
    assert "--force" in refused("runs", "--valve", 'V "1", left', "--csv", tmp_path)


def test_the_page_gives_the_same_table(runs: Path) -> None:
    from webui.app import create_app

    client = create_app({"RUN_LOG": runs / "runs.sqlite"}).test_client()
    with client.get("/log/found.csv") as answer:
        of_page = answer.data.decode()
    assert of_page.splitlines() == rig("runs", "--csv", "-").stdout.splitlines()


@pytest.mark.parametrize(("options", "says"), [
    (("--strokes",), "go with --csv"), (("--csv", "-", "--json"), "a form of its own"),
    (("--before", "2", "--order", "slowest"), "newest first"), (("--order", "x"), "There is no"),
    (("--csv", "-", "--valve", "none"), "nothing was written"),
])  # fmt: skip
def test_what_does_not_go_together_is_told(runs: Path, options: tuple[str, ...], says: str) -> None:
    assert says in refused("runs", *options)


def test_orders_and_new_figures_on_the_terminal(runs: Path) -> None:
    rows = list(csv.DictReader(io.StringIO(rig("runs", "--tsv", "--order", "fastest").stdout),
                               delimiter="\t"))  # fmt: skip
    means = [float(row["response_mean_ms"]) for row in rows]
    assert means == sorted(means) and len(means) == 3
    assert all(row["oil_temperature_degc"] == "85.0" for row in rows)


def test_show_and_list_agree_on_a_dead_run_and_on_one_that_judged_no_valve(runs: Path) -> None:
    with closing(sqlite3.connect(runs / "runs.sqlite")) as db:
        db.execute(
            "UPDATE runs SET status = 'running', off_state = NULL, writer_boot_id = 'x'"
            " WHERE id = 3"
        )
        db.execute("DELETE FROM results WHERE run_id = 3")
        db.execute("UPDATE runs SET purpose = 'own timing' WHERE id = 2")
        db.commit()
    assert "interrupted" in rig("runs").output and "(own timing)" in rig("runs").output
    shown = rig("show", 3)
    assert "The run was interrupted" in shown.output and "still going on" not in shown.output
    assert "No valve was judged" in rig("show", 2).output
    assert "Run 2 says nothing of a valve" in refused("compare", 1, 2)
    assert "Run 2 says nothing of a valve" in refused("diagnose", 2)


def test_an_export_without_a_name_says_valve_and_run(
    runs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert rig("export", 2, "--to", "vcd").exit_code == 0
    assert [path.name for path in tmp_path.glob("*.vcd")] == ["V-2-run-2-simulated.vcd"]
    assert "exists" in refused("export", 2, "--to", "vcd", tmp_path)
