# SPDX-License-Identifier: MIT
"""Comparing on the page says what `rig compare` says."""

from __future__ import annotations

import json
import re
from collections.abc import Callable

import pytest
from click.testing import CliRunner
from flask.testing import FlaskClient

from rig.cli.agree import command as agree
from rig.cli.compare import command
from rig.text.rounded import difference_text, interval_text
from webui.charts import drawing


@pytest.fixture
def three(written: Callable[..., int]) -> list[int]:
    return [
        written(strokes=12, valve="OLD"),
        written(strokes=12, valve="NEW", response_ms=64.0, missed=(3,)),
        written(strokes=12, valve="THIRD", response_ms=81.0),
    ]


@pytest.mark.parametrize("n", [2, 3])
def test_the_json_is_that_of_the_command(client: FlaskClient, three: list[int], n: int) -> None:
    named = [str(run) for run in three[:n]]
    printed = CliRunner().invoke(command, [*named, "--json"])
    assert printed.exit_code == 0
    found = client.get("/api/compare", query_string={"run": named}).get_json()
    assert found == json.loads(printed.stdout)


def test_the_page_says_the_same_words_and_numbers(client: FlaskClient, three: list[int]) -> None:
    shape = client.get("/api/compare", query_string={"run": three[:2]}).get_json()
    text = client.get("/compare", query_string={"run": three[:2]}).text
    for line in [*shape["words"], *shape["notes"]]:
        assert line.replace("'", "&#39;").replace("`", "") in text
    one = shape["figures"]["response_ms"]
    assert difference_text(one["difference_ms"], one["ci95"]) in text
    assert interval_text(one["ci95"]) in text
    assert "SIMULATED" in text


def test_runs_may_be_typed_and_the_first_is_the_one_before(
    client: FlaskClient, three: list[int]
) -> None:
    text = client.get("/compare?runs=2, 1").text
    assert "in run 1 (OLD) than in run 2 (NEW)" in text


def test_a_batch_is_sorted_with_its_verdicts(client: FlaskClient, three: list[int]) -> None:
    text = client.get("/compare", query_string={"run": three}).text
    batch = text[text.index('id="batch-title"') : text.index('id="choose-title"')]
    assert re.findall(r"/runs/(\d+)", batch) == ["2", "1", "3"]
    assert batch.count("Conforms") >= 2
    text = client.get("/compare", query_string={"run": three, "sort": "given"}).text
    batch = text[text.index('id="batch-title"') : text.index('id="choose-title"')]
    assert re.findall(r"/runs/(\d+)", batch) == ["1", "2", "3"]


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ("run=1", "two runs or more"),
        ("run=1&run=4711", "4711"),
        ("runs=1 4", "same source"),
        ("runs=" + "+".join(str(n) for n in range(1, 70)), "Too many runs"),
        ("runs=abc", "not understood"),
        ("other=1", "not understood"),
    ],
)
def test_what_cannot_be_compared_is_said(
    client: FlaskClient, written: Callable[..., int], three: list[int], asked: str, words: str
) -> None:
    written(strokes=5, source="board")
    answer = client.get(f"/compare?{asked}")
    assert answer.status_code == 400
    assert words in answer.text


def test_traces_laid_over_one_another_share_one_axis(client: FlaskClient, three: list[int]) -> None:
    found = client.get("/api/compare/overlay", query_string={"run": three}).get_json()
    assert [run["run"] for run in found["runs"]] == three
    for laid in found["ways"].values():
        assert len({one["to_ms"] for one in laid}) == 1
    # 64 and 80 ms with 6 ms to either side: no stroke of the first is closed at 70 ms, all of the
    # second are, except the missed one
    at = []
    for one in found["ways"]["on"][:2]:
        curve = zip(one["switch"]["share_t_ms"], one["switch"]["share"], strict=True)
        at.append(next(share for t, share in curve if t >= 72.0))
    assert at[0] < 0.2
    assert at[1] == pytest.approx(11 / 12)


def test_a_scale_holds_its_values_and_has_round_ticks() -> None:
    line = drawing.scale([10.0, 20.0])
    assert line is not None
    assert 0 < (line.at(10.0) or 0) < (line.at(20.0) or 0) < 100
    assert [words for _, words in line.ticks] == ["10", "15", "20"]
    assert drawing.scale([None]) is None


def test_a_histogram_counts_every_value_once() -> None:
    values = [0.1 * n for n in range(100)]
    found = drawing.histogram(values, [(12.0, "at most 12 ms")])
    assert found is not None
    assert sum(bar.n for bar in found.bars) == 100
    assert 5 <= len(found.bars) <= 41
    assert found.marks[0][0] > max(bar.left + bar.width for bar in found.bars)
    assert drawing.histogram([1.0] * 4, []) is None
    assert drawing.histogram([1.0] * 6, []).most == 6


def test_two_rigs_are_held_together_as_by_the_command(
    client: FlaskClient, written: Callable[..., int]
) -> None:
    sides: list[list[str]] = [[], []]
    for valve, late in (("A", 0.0), ("B", 1.5), ("C", 0.7), ("D", 1.1)):
        for side, extra in zip(sides, (0.0, late), strict=True):
            side.append(str(written(strokes=8, valve=valve, response_ms=52.0 + extra)))
    lists = [",".join(side) for side in sides]
    printed = CliRunner().invoke(agree, [*lists, "--json"])
    assert printed.exit_code == 0, printed.output
    shape = json.loads(printed.stdout)
    text = client.get("/agree", query_string={"first": lists[0], "second": lists[1]}).text
    for line in shape["words"]:
        assert line in text
    one = shape["figures"]["response_ms"]
    assert interval_text((one["low"], one["high"])) in text
    assert text.count('class="stroke-dot"') == 2 * 4
    refused = client.get("/agree", query_string={"first": "1", "second": "2"})
    assert refused.status_code == 400 and "3 valves or more" in refused.text
    assert client.get("/agree").status_code == 200
