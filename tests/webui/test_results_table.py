# SPDX-License-Identifier: MIT
"""Results as tables: read back by pandas, without options, which knows nothing of ours."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path

import pandas
import pytest
from click.testing import CliRunner
from flask.testing import FlaskClient

from rig.cli.main import cli
from rig.runlog.store import RunLog
from rig.text import results_table
from rig.text.file_names import file_stem

Writer = Callable[..., int]
DEMO = Path(__file__).parents[2] / "demo"


def table(client: FlaskClient, *runs: int, each: str = "run") -> tuple[pandas.DataFrame, str]:
    answer = client.get("/log/results.csv", query_string={"run": list(runs), "each": each})
    assert answer.status_code == 200, answer.text
    data, name = answer.data, answer.headers["Content-Disposition"]
    answer.close()
    return pandas.read_csv(io.BytesIO(data)), name


def test_a_row_a_run_with_figures_conditions_and_verdict(
    client: FlaskClient, written: Writer, log_path: Path
) -> None:
    first = written(strokes=5, valve='V-1, "left"', job="J 1", note="two\nlines")
    second = written(strokes=4, missed=(2,), valve="007", source="board")
    found, name = table(client, first, second)
    assert "runs-1-to-2-results.csv" in name
    assert list(found.columns) == results_table.columns(by_stroke=False)
    assert found["run"].tolist() == [1, 2]
    assert found["source"].tolist() == ["simulated", "board"]
    assert found["valve"].tolist() == ['V-1, "left"', "007"] and found["note"][0] == "two\nlines"
    assert found["missed"].tolist() == [0, 1] and found["strokes"].tolist() == [5, 4]
    with RunLog(log_path, readonly=True) as log:
        stored = [log.result(first), log.result(second)]
    for n, result in enumerate(stored):
        assert result is not None
        summary = result["summary"]["response_ms"]
        assert found["response_ms_mean"][n] == summary["mean"]
        assert found["response_ms_u95"][n] == summary["U"]
        assert found["verdict"][n] == result["verdict"]["result"]
    assert found["actuation_kpa_mean"].isna().all(), "a run of strokes has none"
    assert found["response_ms_mean"].dtype == float


def test_a_row_a_stroke(client: FlaskClient, written: Writer, log_path: Path) -> None:
    runs = [written(strokes=5), written(strokes=4, missed=(2,))]
    found, name = table(client, *runs, each="stroke")
    assert name.endswith("runs-1-to-2-strokes.csv")
    assert found["stroke"].tolist() == [1, 2, 3, 4, 5, 1, 2, 3, 4]
    assert found["run"].tolist() == [1] * 5 + [2] * 4
    missed = found[(found["run"] == 2) & (found["stroke"] == 2)]
    assert missed["missed"].tolist() == [True] and missed["response_ms"].isna().all()
    assert found["missed"].dtype == bool
    with RunLog(log_path, readonly=True) as log:
        result = log.result(1)
    assert result is not None
    told = [stroke["response_ms"] for stroke in result["strokes"]]
    assert found["response_ms"][:5].tolist() == told


def test_conditions_say_how_they_were_come_by(client: FlaskClient, rig_data: Path) -> None:
    files = [str(DEMO / "workshop.setup.toml"), str(DEMO / "workshop.sheet.toml")]
    args = ["run", *files, "--fast", "--json", "--oil-temperature", "90 degC", "--valve", "A/1"]
    assert CliRunner().invoke(cli, args).exit_code in (0, 1, 5)
    found, name = table(client, 1)
    assert found["oil_temperature_degc"].tolist() == [90.0]
    assert found["oil_temperature_how"].tolist() == ["typed"]
    assert found["base_pressure_kpa"].isna().all()
    assert name.endswith("A-1-run-1-simulated-results.csv")


def test_a_run_without_a_result_has_a_row_all_the_same(
    client: FlaskClient, written: Writer
) -> None:
    number = written(strokes=3, analysed=False, status="fault")
    found, _ = table(client, number)
    assert found["run"].tolist() == [number] and found["source"].tolist() == ["simulated"]


@pytest.mark.parametrize("query", ["", "?run=x", "?run=1&each=week"])
def test_a_wrong_question_is_told(client: FlaskClient, written: Writer, query: str) -> None:
    written(strokes=3)
    assert client.get(f"/log/results.csv{query}").status_code == 400


@pytest.mark.parametrize(("valve", "stem"), [
    ("V-101", "V-101-run-3-board"), (None, "run-3-board"), ("../../x", "x-run-3-board"),
    ("two words", "two-words-run-3-board"), ("...", "run-3-board"),
    ("v" * 99, "v" * 40 + "-run-3-board"),
])  # fmt: skip
def test_a_files_name_says_valve_and_run(valve: str | None, stem: str) -> None:
    assert file_stem(3, valve, "board") == stem


def test_what_was_typed_never_leaves_as_a_formula(client: FlaskClient, written: Writer) -> None:
    """OWASP, CSV Injection: cells that begin with = + - @, tab or carriage return are formulas."""
    typed = '=HYPERLINK("http://evil.example")'
    run = written(strokes=4, valve=typed, job="@SUM(A1)", by="-2+3", note="+1\na=b")
    found, _ = table(client, run)
    row = found.iloc[0]
    assert (row["valve"], row["job"], row["by"]) == (f"'{typed}", "'@SUM(A1)", "'-2+3")
    assert row["note"] == "'+1\na=b"
    assert table(client, run, each="stroke")[0]["valve"][0] == f"'{typed}"
    out = io.StringIO()
    numbers = {"run": 1, "strokes": [{"number": 1, "pressure": {"delay_50_ms": -1.5}}]}
    results_table.write(out, [numbers], by_stroke=True)
    assert ",-1.5," in out.getvalue(), "a number stays one"
