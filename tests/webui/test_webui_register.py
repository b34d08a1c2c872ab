# SPDX-License-Identifier: MIT
"""Valves and jobs on the page: lists, trend, before and after, forms, labels."""

from __future__ import annotations

import re
from collections.abc import Callable
from html import unescape
from pathlib import Path

from flask.testing import FlaskClient
from page_client import token

from rig.runlog import register
from rig.runlog.register import PastRun
from rig.runlog.store import RunLog
from webui.pages.job_work import before_after

Writer = Callable[..., int]


def words(html: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", html)).split())


def test_valves_by_tag_with_their_runs(client: FlaskClient, written: Writer) -> None:
    written(strokes=3, valve="V-2")
    written(strokes=3, valve="V-1")
    written(strokes=3, valve="V-2", response_ms=170)
    text = words(client.get("/valves").text)
    assert text.index("V-1") < text.index("V-2")
    assert "1 run," in text
    assert "2 runs," in text
    assert "Does not conform" in text
    assert "V-1" not in words(client.get("/valves?find=v-2").text)
    assert "No valve here" in words(client.get("/valves?find=nothing").text)


def chart_of(client: FlaskClient, figure: str) -> str:
    """The first section of this figure's chart."""
    html = client.get("/valves/1").text
    begin = html.index(f'aria-label="{figure} over time')
    return html[begin : html.index("</section>", begin)]


def test_the_limit_is_a_line_in_the_chart_and_a_dot_opens_its_run(
    client: FlaskClient, written: Writer
) -> None:
    written(strokes=5, response_ms=110)
    written(strokes=5, response_ms=140)
    html = chart_of(client, "Response")
    assert "Limits of run 2: each response time at most 150 ms." in words(html)
    (limit,) = re.findall(r'class="limit" x1="0" x2="100%" y1="([\d.]+)"', html)
    dots = {
        int(run): float(y)
        for run, y in re.findall(
            r'href="/runs/(\d+)".*?class="hit" cx="[\d.]+%" cy="([\d.]+)"', html, re.S
        )
    }
    assert float(limit) < dots[2] < dots[1], "upwards: the limit, 140 ms, 110 ms"
    # 110, 140 and 150 lie on one scale: shares of the way are those of the numbers
    share = (dots[1] - dots[2]) / (dots[1] - float(limit))
    assert abs(share - 30 / 40) < 0.05
    assert "160 ms" in re.sub(r"<[^>]+>", "", html[: html.index('class="trend"')])
    assert 'class="limit"' not in chart_of(client, "Release"), "the sheet limits no release"


def test_a_limit_far_off_is_told_in_words(client: FlaskClient, written: Writer) -> None:
    for response_ms in (50, 51):
        written(strokes=12, response_ms=response_ms)
    html = chart_of(client, "Response")
    assert "beyond the chart: each response time at most 150 ms" in words(html)
    assert 'class="limit" x1="0" x2="100%"' not in html


def test_two_strokes_have_no_interval_in_chart_and_table(
    client: FlaskClient, written: Writer
) -> None:
    for _ in range(2):
        written(strokes=2)
    html = client.get("/valves/1").text
    assert 'class="interval"' not in html and html.count("n = 2: no interval") >= 4
    for _ in range(2):
        written(strokes=12)
    assert 'class="interval"' in client.get("/valves/1").text


def test_the_trend_of_a_valve_and_its_marks(client: FlaskClient, written: Writer) -> None:
    written(strokes=5, response_ms=80)
    written(strokes=5, response_ms=120)
    written(strokes=5, response_ms=170)
    html = chart_of(client, "Response")
    first, last = re.search(r"from ([\d.]+) to ([\d.]+) ms", words(html)).groups()
    assert abs(float(first) - 80) < 3  # strokes 1 to 5 scatter a little about it
    assert abs(float(last) - float(first) - 90) < 0.11
    assert "(+90.0 ms from the first run to the last)" in words(html)
    assert html.count('class="holds"') == 2
    assert html.count('class="fails"') == 1
    heights = [float(y) for y in re.findall(r'class="holds" cx="[\d.]+%" cy="([\d.]+)"', html)]
    assert heights[0] > heights[1]  # a longer response stands higher
    assert "SIMULATED" in html


def test_sources_have_charts_of_their_own(client: FlaskClient, written: Writer) -> None:
    for source in ("board", "simulated", "board", "simulated"):
        written(strokes=3, source=source)
    html = client.get("/valves/1").text
    assert html.count('class="trend"') == 4, "response and release of each"
    assert html.count('class="holds"') == 8


def test_one_run_has_no_trend(client: FlaskClient, written: Writer) -> None:
    written(strokes=3)
    assert 'class="trend"' not in client.get("/valves/1").text


def test_what_is_written_of_a_valve_stays(client: FlaskClient, written: Writer) -> None:
    written(strokes=3)
    sent = {"csrf": token(client), "kind": "spool valve", "notes": "first line\r\n<b>second</b>"}
    assert client.post("/valves/1", data=sent).status_code == 303
    html = client.get("/valves/1").text
    assert "spool valve" in html
    assert "first line\n&lt;b&gt;second&lt;/b&gt;" in html


def test_everything_wrong_is_said_at_once(client: FlaskClient, written: Writer) -> None:
    written(strokes=3)
    csrf = token(client)
    answer = client.post(
        "/valves", data={"csrf": csrf, "name": "", "kind": "k" * 81, "notes": "n" * 2001}
    )
    assert answer.status_code == 422
    for wanted in ("tag: empty", "kind: 81 characters, 80 at most", "notes: 2001 characters"):
        assert wanted in words(answer.text)
    assert "k" * 81 in answer.text  # what was typed is still there
    answer = client.post("/valves", data={"csrf": csrf, "name": "INVENTED-7"})
    assert "in the register already" in words(answer.text)
    assert client.post("/valves", data={"csrf": csrf, "name": "NEW-1"}).status_code == 303
    assert "NEW-1" in client.get("/valves").text


def test_without_the_token_nothing_is_written(client: FlaskClient, written: Writer) -> None:
    written(strokes=3)
    token(client)
    assert client.post("/valves", data={"name": "X"}).status_code == 403
    assert client.post("/valves/1", data={"kind": "X"}).status_code == 403
    assert client.post("/jobs/1", data={"notes": "X"}).status_code == 403


def test_without_the_passcode_nothing_is_written(client: FlaskClient, written: Writer) -> None:
    written(strokes=3)
    csrf = token(client)
    client.application.config["PASSCODE_HASH"] = "of another browser"
    assert "Enter a valve" not in client.get("/valves").text
    sent = {"csrf": csrf, "name": "X", "notes": "X"}
    for address in ("/valves", "/valves/1", "/jobs", "/jobs/1"):
        assert client.post(address, data=sent).status_code == 403, address


def test_a_job_says_before_and_after_of_each_valve(client: FlaskClient, written: Writer) -> None:
    written(strokes=5, valve="A", response_ms=120)
    written(strokes=5, valve="B")
    written(strokes=5, valve="A", response_ms=100)
    written(strokes=5, valve="A", response_ms=80)
    text = words(client.get("/jobs/1").text)
    assert re.search(r"The response is 40(\.0*)? ms shorter in run 4", text)
    assert "Valve B: no before and after yet" in text and "One run yet: B." in text
    text = words(client.get("/jobs/1?before=3&after=4").text)
    assert re.search(r"The response is 20(\.0*)? ms shorter in run 4", text)
    assert "are the same" in words(client.get("/jobs/1?before=4&after=4").text)
    assert client.get("/jobs/1?before=x").status_code == 400
    assert client.get("/jobs/9").status_code == 404


def test_notes_of_a_job(client: FlaskClient, written: Writer) -> None:
    written(strokes=3)
    csrf = token(client)
    assert (
        client.post("/jobs/1", data={"csrf": csrf, "notes": "waits for a seal"}).status_code == 303
    )
    assert "waits for a seal" in client.get("/jobs/1").text
    assert client.post("/jobs", data={"csrf": csrf, "name": "J-200"}).status_code == 303
    assert "J-200" in client.get("/jobs").text


def test_labels_for_tags_known_and_new(client: FlaskClient, written: Writer) -> None:
    written(strokes=3, valve="V-1")
    html = client.get("/valves/labels").text
    assert html.count('class="qr"') == 1
    html = client.get("/valves/labels?tags=NEW-1%0ANEW-2,V-1&copies=2").text
    assert html.count('class="qr"') == 6
    assert client.get("/valves/labels?tags=" + "x" * 90).status_code == 400
    many = "%0A".join(f"T{n}" for n in range(130))
    assert "120 at most" in client.get(f"/valves/labels?tags={many}").text


def test_the_summary_leaves_out_what_tested_nothing(client: FlaskClient, written: Writer) -> None:
    written(valve="A1", job="J-8", strokes=2, status="tripped", trip=True)
    written(valve="A1", job="J-8", strokes=2)
    assert "no test before and after yet" in words(client.get("/jobs/1/summary").text)
    written(valve="A1", job="J-8", strokes=2, response_ms=220.0)
    text = words(client.get("/jobs/1/summary").text)
    assert "Before: passed. After: did not pass." in text and "run 2 ," in text


def test_before_and_after_are_runs_that_came_to_their_end(
    client: FlaskClient, written: Writer
) -> None:
    """The first was stopped, the last tripped: neither is how the valve was or is."""
    written(valve="A1", job="J-8", strokes=2, status="aborted")
    written(valve="A1", job="J-8", strokes=3, response_ms=110)
    written(valve="A1", job="J-8", strokes=3, response_ms=140)
    written(valve="A1", job="J-8", strokes=2, status="tripped", trip=True)
    page = client.get("/jobs/1").text
    chosen = re.findall(r'<option value="(\d)" selected', page)
    assert chosen == ["2", "3"]
    assert re.search(r">Run 1, [^<]*, stopped<", page) and re.search(r">Run 4, [^<]*, trip", page)
    text = words(client.get("/jobs/1/summary").text)
    assert "run 2 ," in text and "run 1 ," not in text
    assert ", stopped" in client.get("/runs/3/report/before").text


def test_an_undecided_run_is_not_one_that_did_not_pass() -> None:
    def past(number: int, verdict: str) -> PastRun:
        return PastRun(number, 0.0, "board", "finished", "strokes", "A1", "J-8", None, "w", "h", 2,
                       verdict, *[None] * 9)  # fmt: skip

    (pair,) = before_after([past(1, "undecided"), past(2, "not_tested"), past(3, "conforms")])
    words = "Before: not decided, no response to be timed. After: passed."
    assert (pair.before.id, pair.words) == (1, words)


def test_lists_name_the_sheet_not_its_kind(client: FlaskClient, written: Writer) -> None:
    written(valve="A1", job="J-8", strokes=2)
    for address in ("/valves/1", "/jobs/1", "/runs?columns=kind"):
        page = client.get(address).text
        assert re.search(r'data-label="sheet"[^>]*>invented</td>', page), address


def test_the_causes_of_a_job_stand_under_its_complaint(
    client: FlaskClient, written: Writer, log_path: Path
) -> None:
    written(strokes=3, job="J-1")
    with RunLog(log_path) as log:
        register.describe(log, register.JOB, 1, notes="", complaint="Late when hot.", repair="")
    assert "Late when hot." in client.get("/jobs/1/diagnosis").text


def test_a_job_of_many_valves_says_first_how_they_were_judged(
    client: FlaskClient, written: Writer
) -> None:
    """And does not say thirty times that a comparison needs two runs."""
    for n in range(1, 5):
        written(strokes=3, valve=f"V-{n}", job="J-1", response_ms=170 if n == 3 else 100)
    html = client.get("/jobs/1").text
    text = words(html)
    assert re.search("3 × Conforms 1 × Does not conform|1 × Does not conform 3 × Conforms", text)
    assert re.search("onform SIMULATED|onforms SIMULATED", text), "no word that none was measured"
    assert text.count("A comparison needs") == 1 and "One run yet: V-1, V-2, V-3, V-4." in text
    assert 'href="/runs?job=J-1"' in html


def test_one_wide_interval_does_not_press_the_means_into_a_line() -> None:
    from webui.charts.over_time import CHART_PX, charts

    def run(number: int, mean: float, low: float, high: float) -> PastRun:
        return PastRun(
            number, 1e9 + 3600 * number, "board", "finished", "strokes", "V-1", "J-1", None, None,
            "", 6, "conforms", mean, low, high, None, 5, *[None] * 4,
        )  # fmt: skip

    past = [run(n, 31 + n % 3, 30 + n % 3, 32 + n % 3) for n in range(9)]
    wide = [*past, run(9, 38, -130, 206)]
    (chart,) = charts(wide, {})
    ys = [dot.y for dot in chart.dots]
    assert max(ys) - min(ys) > CHART_PX / 8, "the means are pressed into a line"
    (low, high) = (chart.dots[-1].low, chart.dots[-1].high)
    assert low is not None and high is not None and 0 <= high < low <= CHART_PX
    assert chart.first != chart.last, "one day at both ends says nothing of hours"
    assert "cut off at its edge" in chart.told and "cut off" not in charts(past, {})[0].told
