# SPDX-License-Identifier: MIT
"""`rig compare` and `rig study`: what they print, as text and JSON, and what they refuse."""

from __future__ import annotations

import json

import numpy as np
import pytest
from compared_runs import log_times
from logged_runs import call

from rig.actions.analyse_run import analyse_and_save
from rig.actions.load_results import results_of
from rig.cli.agree import command as agree
from rig.cli.compare import command as compare
from rig.cli.study import command as study
from rig.cli.study import lines
from rig.cli.terminal.comparison import shown_lines
from rig.cli.terminal.plot import interval_line, plot
from rig.core.errors import UsageError
from rig.runlog.store import RunLog

MARGIN = '[compare]\nresponse_margin = "2 ms"\n'


def times(mean: float, seed: int, n: int = 30) -> list[float | None]:
    return [round(x, 3) for x in np.random.default_rng(seed).normal(mean, 1, n).tolist()]


def test_json_and_nothing_else(rig_data):
    before = log_times(rig_data, times(62, 1), valve="V-1", sheet=MARGIN)
    after = log_times(rig_data, times(50, 2), valve="V-1")
    done = call(compare, before, after, "--json")
    assert done.exit_code == 0
    shape = json.loads(done.output, parse_constant=pytest.fail)
    assert shape["difference_ms"] == pytest.approx(-12, abs=1)
    assert shape["ci95"][0] < shape["difference_ms"] < shape["ci95"][1]
    assert shape["p"] < 1e-9
    assert shape["effect_sd"] < -5
    assert shape["equivalent"] is False
    assert shape["strokes_needed"] > 2
    assert [run["run"] for run in shape["runs"]] == [before, after]
    assert call(compare, before, "last", "--json").output == done.output


def test_words_come_first_and_every_line_has_its_name(rig_data):
    before = log_times(rig_data, times(62, 1), oil=90.0, source="simulated")
    after = log_times(rig_data, times(50, 2), oil=80.0, source="simulated")
    done = call(compare, before, after, "--tsv")
    rows = done.output.splitlines()
    assert rows[0].startswith("# SIMULATED")
    assert rows[1].startswith("says\tThe response is ")
    fields = dict(row.split("\t", 1) for row in rows[1:] if not row.startswith(("says", "note")))
    assert float(fields[f"{before}-{after}.response_ms.difference_ms"]) < -10
    assert f"{before}-{after}.response_ms.normalised.ci95" in fields
    assert any(row.startswith("note\tOil: 90 and 80 degC") for row in rows)


def test_a_batch_on_a_terminal(rig_data):
    runs = [
        log_times(rig_data, times(mean, n), valve=f"V-{n} [bold]")
        for n, mean in enumerate((50, 50.2, 70, 49.9), 1)
    ]
    found = results_of([str(run) for run in runs])
    shape = json.loads(call(compare, *runs, "--json").output)
    text = "\n".join(shown_lines(shape, [one.result for one in found], ascii_only=True))
    text.encode("ascii")
    assert "stands apart" in text
    assert "response of each stroke, ms" in text
    assert "V-3 [bold]" in text
    assert max(len(line) for line in text.splitlines()) <= 96
    narrow = shown_lines(shape, [one.result for one in found], ascii_only=True, width=60)
    assert max(len(line) for line in narrow) <= 60


def test_a_batch_of_thirty_is_read_on_a_screen_or_two(rig_data):
    """A person looks for the table and for the one that stands apart, not for 29 pairs."""
    runs = [log_times(rig_data, times(50, n), valve=f"V-{n}", oil=60.0 + n) for n in range(1, 31)]
    runs.append(log_times(rig_data, [None] * 5, valve="V-31"))
    short = call(compare, *runs).output.splitlines()
    assert len(short) < 140 and "less run" not in "\n".join(short[:-2])
    assert "remarks to bear in mind: the same command with --full." in " ".join(
        line.strip() for line in short[-2:]
    )
    full = call(compare, *runs, "--full").output
    assert f"run {runs[1]} less run {runs[0]}, ms" in full and "- Oil: " in full
    assert f"run {runs[-1]} less run {runs[0]}: too few times to compare" in full


def test_a_batch_against_its_limits_is_a_table(rig_data):
    """The values are those that were put into the log; the limit is 80 ms for each stroke."""
    runs = [
        log_times(rig_data, [float(mean)] * 12, valve=f"V-{n}")
        for n, mean in enumerate((50, 95, 51), 1)
    ]
    text = call(compare, *runs).output
    assert "L1: each response time at most 80 ms" in text
    rows = {row[1]: row for row in map(str.split, text.splitlines()) if len(row) > 4}
    assert rows["V-2"][:4] == [str(runs[1]), "V-2", "95.00", "x"]
    assert rows["V-1"][:4] == [str(runs[0]), "V-1", "50.00", "+"]
    line = f"limit\t{runs[1]}\tV-2\teach response time at most 80 ms\t95.0\tms\tdoes_not_conform"
    assert line in call(compare, *runs, "--tsv").output


def test_margin_from_another_sheet(rig_data, tmp_path):
    runs = [log_times(rig_data, times(50, seed)) for seed in (1, 2)]
    sheet = tmp_path / "c.sheet.toml"
    sheet.write_text(f'kind = "strokes"\nstrokes = 5\non_time = "1 s"\nrest = "1 s"\n{MARGIN}')
    assert json.loads(call(compare, *runs, "--json").output)["equivalent"] is None
    found = json.loads(call(compare, *runs, "--json", "--sheet", sheet).output)
    assert found["equivalent"] is True
    assert found["figures"]["response_ms"]["margin_ms"] == 2


def test_runs_beside_the_comparison(rig_data):
    """The spread between mountings from runs of a study, as `rig study` takes them."""
    pair = [log_times(rig_data, times(50, n), valve="V-1", by="Ann", mount=n) for n in (8, 9)]
    runs = [
        log_times(rig_data, times(50, seed), valve="V-1", by=person, mount=mount)
        for seed, (person, mount) in enumerate([("Ann", 1), ("Ann", 2), ("Ben", 1), ("Ben", 2)])
    ]
    study = ",".join(map(str, runs))
    alone, beside = (
        json.loads(call(compare, *pair, "--json", *more).output)["figures"]["response_ms"]
        for more in ((), ("--study", study))
    )
    assert alone["allowed_for"]["mounting_sd_ms"] is None
    assert beside["allowed_for"]["mounting_sd_ms"] >= 0
    assert beside["allowed_for"]["mounting"].startswith("repeatability of the rig study")
    with pytest.raises(UsageError, match="it would explain itself"):
        call(compare, *pair, "--slope-runs", pair[0])


def test_refusals(rig_data):
    board = log_times(rig_data, times(50, 1))
    simulated = log_times(rig_data, times(50, 2), source="simulated")
    for runs, told in (
        ((board, simulated), "same source"),
        ((board,), "two runs or more"),
        ((board, board), "named twice"),
        ((board, 99), "no run 99"),
        ((board, "first"), "is not a run"),
    ):
        with pytest.raises(UsageError, match=told) as caught:
            call(compare, *runs)
        assert caught.value.exit_code == 2


def test_nothing_to_compare_is_undecided(rig_data):
    runs = [log_times(rig_data, [None, None, 50.0]), log_times(rig_data, times(50, 1))]
    done = call(compare, *runs)
    assert done.exit_code == 5
    assert "cannot be compared" in done.output


def test_a_stored_result_is_taken_and_an_old_one_worked_out_again(rig_data):
    run = log_times(rig_data, times(50, 1))
    with RunLog(rig_data / "runs.sqlite") as log:
        kept = analyse_and_save(log, run)
    assert results_of([str(run)])[0].result == json.loads(json.dumps(kept))
    with RunLog(rig_data / "runs.sqlite") as log:
        log.save_result(run, {key: kept[key] for key in ("strokes", "summary")}, "old")
    assert results_of([str(run)])[0].result["missed"] == kept["missed"]


# -- study


def test_a_study(rig_data):
    runs = [
        log_times(rig_data, times(mean, seed), valve="V-1", by=person, mount=mount)
        for seed, (person, mount, mean) in enumerate(
            [("Ann", 1, 50), ("Ann", 2, 51), ("Ben", 1, 53), ("Ben", 2, 52.4)]
        )
    ]
    done = call(study, *runs, "--json")
    assert done.exit_code == 0
    shape = json.loads(done.output, parse_constant=pytest.fail)
    one = shape["figures"]["response_ms"]
    assert one["anova"]["reproducibility_ms"] > one["anova"]["repeatability_ms"]
    assert one["limits"] == [None, 80]
    text = call(study, *runs, "--tsv").output.splitlines()
    assert text[1].startswith("says\tMounting the same valve again")
    assert any(line.startswith("response_ms.average_range.grr_ms\t") for line in text)
    table = "\n".join(lines(shape, for_person=True))
    assert "analysis of variance" in table
    assert "average and range" in table
    assert "repeatability limit" in table


def test_two_rigs_on_the_same_valves(rig_data):
    """The second rig reads 2 ms more, and scatters by 0.5 ms from valve to valve."""
    rng = np.random.default_rng(8)
    one = [log_times(rig_data, times(50 + n, n), valve=f"V-{n}") for n in range(4)]
    two = [
        log_times(rig_data, times(52 + n + rng.normal(0, 0.5), 20 + n), valve=f"V-{n}")
        for n in (2, 0, 3, 1)
    ]
    lists = [",".join(map(str, runs)) for runs in (one, two)]
    shape = json.loads(call(agree, *lists, "--json").output, parse_constant=pytest.fail)
    found = shape["figures"]["response_ms"]
    assert found["n"] == 4
    assert found["bias"] == pytest.approx(2, abs=0.9)
    assert found["low"] < found["bias"] < found["high"]
    assert shape["pairs"][0] == [one[0], two[1], "V-0"]
    assert call(agree, *lists, "--tsv").output.startswith(
        "says\tThe second rig reads the response +"
    )
    for sides, told in (
        ((f"{one[0]},{one[1]}", f"{two[0]},{two[1]}"), "on one side only"),
        ((f"{one[0]},{one[2]}", f"{two[0]},{two[1]}"), "3 valves or more"),
        ((f"{one[0]},{one[0]}", lists[1]), "both of V-0"),
    ):
        with pytest.raises(UsageError, match=told):
            call(agree, *sides)


def test_a_study_needs_people_and_mountings(rig_data):
    runs = [log_times(rig_data, times(50, seed)) for seed in (1, 2)]
    with pytest.raises(UsageError, match="--by NAME --mount N"):
        call(study, *runs)


# -- plots


def test_plots_on_a_common_scale():
    assert plot([0.0, 10.0], 5, 1, ascii_only=True, span=(0.0, 20.0)) == [".+"]
    assert interval_line((2.0, 8.0), 5.0, (0.0, 10.0), 11, ascii_only=True) == "  ---o---  "
    assert interval_line((5.0, 5.0), 5.0, (5.0, 5.0), 11, ascii_only=True) == "     o     "
