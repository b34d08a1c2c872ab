# SPDX-License-Identifier: MIT
"""The run log and one run, as text: what stands there, and what is said where something is not."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import get_args

import pytest
import written_runs
from flask.testing import FlaskClient
from page_client import plain

from rig.core.rounding import fixed, pair, places
from rig.runlog.store import RunLog
from webui import words
from webui.pages import runs

Writer = Callable[..., int]


def test_without_a_log_the_page_says_how_to_make_the_first_run(
    client: FlaskClient, log_path: Path
) -> None:
    answer = client.get("/runs")
    assert answer.status_code == 200
    assert "rig run" in answer.text
    assert "demo/run.py" in answer.text
    assert str(log_path) in answer.text
    assert not log_path.exists()  # reading made nothing
    assert client.get("/runs/1").status_code == 404
    missing = client.get("/api/runs/1/traces")
    assert (missing.status_code, missing.json["error"]) == (404, "No run log")


def test_a_file_that_is_no_log_is_said_in_words(client: FlaskClient, log_path: Path) -> None:
    log_path.write_bytes(b"not a database at all, but long enough to look like one" * 50)
    answer = client.get("/runs")
    assert answer.status_code == 500
    assert "not a run log" in answer.text
    assert "Traceback" not in answer.text


def test_the_list_names_source_verdict_and_state_in_words(
    client: FlaskClient, written: Writer
) -> None:
    written(source="board", status="aborted", valve="BENCH-1", strokes=3)
    written(source="simulated", strokes=3)
    written(source="emulated board", strokes=3, synchronised=None)
    written(status="interrupted", analysed=False, strokes=3)
    page = plain(client.get("/runs").text)
    for wanted in (
        "Run 1", "Run 4", "SIMULATED", "EMULATED BOARD", "board", "Conforms", "Stopped",
        "Interrupted", "no result", "clock not synchronised", "clock state not known",
    ):  # fmt: skip
        assert wanted in page
    assert page.index("Run 4") < page.index("Run 1")


def test_paging_reaches_every_run_once(client: FlaskClient, written: Writer) -> None:
    many = runs.ROWS + 3
    for _ in range(many):
        written(strokes=1, analysed=False)
    seen, address = [], "/runs"
    while address:
        page = client.get(address).text
        seen += [int(n) for n in re.findall(r'href="/runs/(\d+)"', page)]
        older = re.search(r'rel="next" href="([^"]+)"', page)
        address = older.group(1).replace("&amp;", "&") if older else ""
    assert seen == list(range(many, 0, -1))


def test_a_full_last_page_has_no_older_one(client: FlaskClient, written: Writer) -> None:
    for _ in range(runs.ROWS):
        written(strokes=1, analysed=False)
    assert 'rel="next"' not in client.get("/runs").text
    assert "no further runs" in client.get("/runs?after=1").text


def test_the_list_of_one_valve(client: FlaskClient, written: Writer) -> None:
    written(strokes=1, valve="A 1&2", analysed=False)
    written(strokes=1, valve="B", analysed=False)
    page = client.get("/runs", query_string={"valve": "A 1&2"}).text
    assert "Run 1" in page
    assert "Run 2" not in page
    assert "No run of valve C" in client.get("/runs?valve=C").text


@pytest.mark.parametrize(
    "query",
    ["before=x", "before=0", "before=-1", "after=x", "after=0", "unheard=3", "valve=" + "v" * 201,
     "verdict=maybe", "source=dream", "status=stopped", "kind=stroke", "order=random"],
)  # fmt: skip
def test_a_question_that_makes_no_sense_is_refused(client: FlaskClient, query: str) -> None:
    for address in ("/runs?", "/api/runs?"):
        answer = client.get(address + query)
        assert answer.status_code == 400
        assert "not understood" in answer.text
    if query == "verdict=maybe":
        assert "'conforms', 'does_not_conform', 'undecided', 'not_tested' or 'none'" in (
            answer.json or {}
        ).get("what", "")


@pytest.mark.parametrize("run", ["99", "0", "999999999999999999999"])
def test_an_unknown_run_is_a_plain_404(client: FlaskClient, written: Writer, run: str) -> None:
    written(strokes=1)
    answer = client.get(f"/runs/{run}")
    assert answer.status_code == 404
    assert "Run log" in answer.text


def test_a_run_shows_what_it_was(client: FlaskClient, written: Writer) -> None:
    written(strokes=4, not_watched=("read-back disagreeing",), job="J-9", by="A. Tester")
    page = plain(client.get("/runs/1").text)
    for wanted in (
        "valve INVENTED-7", "J-9", "A. Tester", "SIMULATED", "clock not synchronised",
        "2030-01-01", "92 degC, typed", "310 kPa, measured", "NOT WATCHED: read-back disagreeing",
        "over-pressure, 120 ms", "confirmed off", "Conforms", "Response time",
        "invented bench for the tests", "strokes for the tests",
    ):  # fmt: skip
        assert wanted in page, wanted


def test_simulated_stands_on_page_plots_and_files(client: FlaskClient, written: Writer) -> None:
    written(strokes=3)
    written(strokes=3, source="board")
    simulated, board = client.get("/runs/1").text, client.get("/runs/2").text
    assert simulated.count('data-across="SIMULATED"') == 3  # every plot
    assert "source-band" in simulated
    assert "<title>Run 1, SIMULATED" in simulated
    assert "SIMULATED" not in board
    assert board.count('data-across=""') == 3
    with client.get("/runs/1/run.csv") as answer:
        assert "simulated" in answer.headers["Content-Disposition"]


def test_figures_of_the_page_are_those_that_were_written(
    client: FlaskClient, written: Writer
) -> None:
    written(strokes=5)
    made = written_runs.Made(strokes=5)
    page = plain(client.get("/runs/1").text)
    for number in range(1, 6):
        assert f"{made.response_ms + made.spread(number):.2f}" in page
        assert f"{made.release_ms + made.spread(number) / 2:.2f}" in page


def test_every_figure_leads_to_help(client: FlaskClient, written: Writer) -> None:
    written(strokes=5)
    page = client.get("/runs/1").text
    links = re.findall(r'class="meaning" href="([^"]+)"', page)
    assert len(links) == 2
    for link in links:
        assert client.get(link.partition("#")[0]).status_code == 200


def test_missed_strokes_are_words_and_can_be_listed_alone(
    client: FlaskClient, written: Writer
) -> None:
    written(strokes=40, missed=(7, 31))
    assert "missed" in client.get("/runs/1?strokes=26").text
    page = client.get("/runs/1?only=suspect").text
    assert re.findall(r'href="#stroke-(\d+)"', page) == ["7", "31"]
    assert "switch never answered" in page


def test_paging_of_strokes(client: FlaskClient, written: Writer) -> None:
    written(strokes=60)
    seen: list[int] = []
    for first in (1, 26, 51):
        page = client.get(f"/runs/1?strokes={first}").text
        seen += [int(n) for n in re.findall(r'href="#stroke-(\d+)"', page)]
    assert seen == list(range(1, 61))
    assert "There are none here" in client.get("/runs/1?strokes=500").text


def test_a_trip_stands_with_value_limit_and_time_once(client: FlaskClient, written: Writer) -> None:
    written(strokes=3, trip=True, status="tripped")
    page = plain(client.get("/runs/1").text)
    assert "Tripped: over-pressure" in page
    told = "Pressure 712.5 kPa over the limit of 700 kPa"
    assert page.count("712.5 kPa") == page.count(told) == 1
    assert "At 3.995 s the coil was commanded off." in page


def test_a_coil_that_stayed_live_is_said_first(client: FlaskClient, written: Writer) -> None:
    written(strokes=3, status="tripped", trip=True, off="still live")
    page = plain(client.get("/runs/1").text)
    assert "COIL STILL LIVE" in page
    assert page.index("COIL STILL LIVE") < page.index("Figures")


def test_an_interrupted_run_without_result_is_analysed_for_the_page(
    client: FlaskClient, written: Writer
) -> None:
    written(strokes=3, status="interrupted", analysed=False)
    page = plain(client.get("/runs/1").text)
    assert "Cut short" in page
    assert "worked out now from its records" in page
    assert "Response time" in page
    assert client.get("/api/runs/1").json["result_saved"] is False


def test_a_running_run_shows_what_is_committed_so_far(client: FlaskClient, written: Writer) -> None:
    written(strokes=3, status="running", analysed=False)
    assert "still goes on" in client.get("/runs/1").text


def test_a_ramp_and_a_hold_show_their_own_figures(client: FlaskClient, log_path: Path) -> None:
    """Run by the command line itself, on the simulated rig in virtual time."""
    demo = Path(__file__).parents[2] / "demo"
    for setup, sheet in (("leak-down", "leak-down"), ("workshop", "switch-pressures")):
        files = [str(demo / f"{setup}.setup.toml"), str(demo / f"{sheet}.sheet.toml")]
        done = subprocess.run(
            [sys.executable, "-m", "rig.cli.main", "run", *files, "--fast"],
            capture_output=True, text=True, timeout=100,
        )  # fmt: skip
        assert done.returncode in (0, 1, 5), done.stderr
    held, ramps = (client.get(f"/api/runs/{n}").json["result"] for n in (1, 2))
    page = plain(client.get("/runs/1").text)
    rate = held["hold"]["decay_rate_kpa_s"]
    told, expanded = pair(rate, held["hold"]["U"])  # the pressure falls along a curve
    of = "mean of 2.9 s: it falls along a curve"
    assert f"Decay rate: what it means {told} kPa/s, {of} ± {expanded} kPa/s (95 %)" in page
    page = plain(client.get("/runs/2").text)
    for name, words_shown in (("actuation_kpa", "Actuation"), ("reset_kpa", "Reset")):
        one = ramps["ramp"]["summary"][name]
        mean = fixed(one["mean"], places(one["U"]))
        assert f"{words_shown} pressure: what it means {mean} kPa, mean" in page
        for ramp in ramps["ramp"]["ramps"]:
            assert f"{ramp[name]:.1f}" in page
    client.set_cookie("units", "psi,degC")
    in_psi = client.get("/runs/2").text.partition("ramps-title")[2].partition("</table>")[0]
    for ramp in ramps["ramp"]["ramps"]:  # 0.1 kPa is 0.0145 psi: two digits, not three
        assert f">{ramp['actuation_kpa'] / 6.894757:.2f}<" in in_psi
    assert "Stroke after" in page  # in the page, but not shown: a ramp has no strokes
    assert re.search(r'id="go-next" hidden', client.get("/runs/2").text)


def test_a_run_with_nothing_committed_yet(client: FlaskClient, log_path: Path) -> None:
    with RunLog(log_path) as run_log:
        run_log.begin_run(written_runs.header(written_runs.Made()))
    page = client.get("/runs/1")
    assert page.status_code == 200
    assert "Nothing is committed of this run yet" in page.text
    for part in ("", "/traces", "/strokes"):
        assert client.get(f"/api/runs/1{part}").status_code == 200
    for kind in ("csv", "json", "vcd"):
        with client.get(f"/runs/1/run.{kind}") as answer:
            assert answer.status_code == 200


def test_doubts_of_the_records_are_listed(client: FlaskClient, written: Writer) -> None:
    written(strokes=3, doubts=((1234.0, "gauge frame rejected", "b'31x'"),))
    page = plain(client.get("/runs/1").text)
    assert "1.234 gauge frame rejected b&#39;31x&#39;" in page


def test_a_run_without_read_back_and_gauge_says_so(client: FlaskClient, written: Writer) -> None:
    written(strokes=3, readback=False, gauge_period_ms=None)
    page = plain(client.get("/runs/1").text)
    assert "No read-back was wired" in page
    assert "is 1.0 to 10.0 ms shorter" in page


def test_a_setup_of_another_software_leaves_the_rest_readable(
    client: FlaskClient, written: Writer, monkeypatch: pytest.MonkeyPatch
) -> None:
    newer = written_runs.SETUP + '\n[a_later_part]\nkey = "value"\n'
    monkeypatch.setattr(written_runs, "SETUP", newer)
    written(strokes=3)
    page = client.get("/runs/1")
    assert page.status_code == 200
    assert "cannot be read by this software" in page.text
    assert "INVENTED-7" in page.text
    traces = client.get("/api/runs/1/traces")
    assert traces.status_code == 500
    assert "0.1.0" in traces.json["remedy"]


def test_damaged_records_are_said_and_the_rest_stays_readable(
    client: FlaskClient, written: Writer, log_path: Path
) -> None:
    import contextlib
    import sqlite3

    written(strokes=3)
    with contextlib.closing(sqlite3.connect(log_path)) as log, log:
        log.execute("UPDATE chunks SET data = x'00'")
    page = client.get("/runs/1")
    assert page.status_code == 200
    assert "damaged" in page.text
    assert "Conforms" in page.text


def test_every_verdict_and_state_has_its_own_shape_and_word() -> None:
    for table in (words.VERDICTS, words.STATUSES):
        assert len({shown.word for shown in table.values()}) == len(table)
    assert len({shown.shape for shown in words.VERDICTS.values()}) == len(words.VERDICTS)


def test_states_of_the_log_are_all_known_here() -> None:
    from rig.analysis.verdict import verdict
    from rig.config.sheet.model import HoldSheet, RampSheet, StrokesSheet
    from rig.core.records import SOURCES
    from rig.runlog import search
    from rig.runlog.tables import STATUSES
    from webui.pages import listing

    assert set(words.STATUSES) == set(STATUSES)
    assert set(words.SOURCES) == set(SOURCES)
    assert set(words.VERDICTS) == {
        verdict.CONFORMS, verdict.DOES_NOT_CONFORM, verdict.UNDECIDED, verdict.NOT_TESTED,
    }  # fmt: skip
    assert set(get_args(search.Status)) == set(STATUSES)
    assert set(get_args(search.Verdict)) == {*words.VERDICTS, "none"}
    kinds = (
        sheet.model_fields["kind"].annotation for sheet in (StrokesSheet, HoldSheet, RampSheet)
    )
    assert {get_args(kind)[0] for kind in kinds} == set(get_args(listing.Kind))


def test_the_simulated_rig_is_shown_only_when_it_is_asked_for(
    client: FlaskClient, written: Writer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its fault may be the one that somebody is to find."""
    hidden = '\n[simulated]\nfault = "cold oil:0.5"\n'
    monkeypatch.setattr(written_runs, "SETUP", written_runs.SETUP + hidden)
    written(strokes=2)
    page = client.get("/runs/1")
    assert "Setup as it was" in page.text
    assert "cold oil" not in page.text
    assert "[limits]" in page.text
    assert "[simulated]" not in page.text
    link = re.search(r'href="(/runs/1\?reveal=simulated)#', page.text)
    assert link is not None
    revealed = client.get(link.group(1)).text
    assert "cold oil:0.5" in revealed
    assert "Reveal the simulated rig" not in revealed
    assert client.get("/runs/1?reveal=all").status_code == 400


def test_a_setup_without_a_simulated_rig_is_shown_whole(
    client: FlaskClient, written: Writer
) -> None:
    written(strokes=2)
    page = client.get("/runs/1").text
    assert "[limits]" in page
    assert "Reveal" not in page


def test_what_is_to_be_typed_stands_as_code_and_nothing_else_does() -> None:
    assert str(words.marked("Type `rig clear`; <b> stays text.")) == (
        "Type <code>rig clear</code>; &lt;b&gt; stays text."
    )
    assert str(words.marked("one ` alone")) == "one ` alone"


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [(-0.04, 1, "0.0"), (-0.2, 0, "0"), (-0.6, 0, "-1"), (float("nan"), 1, "nan")],
)
def test_no_minus_stands_before_a_nought(value: float, digits: int, text: str) -> None:
    assert words.number(value, digits) == text
