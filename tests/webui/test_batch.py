# SPDX-License-Identifier: MIT
"""The batch's list: kept beside the log, how far it is, and which valve is the next."""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from page_client import plain, token

from rig.core import places
from rig.core.errors import StorageError, UsageError
from rig.runlog import remarks
from rig.runlog.store import RunLog
from webui.app import create_app
from webui.live import batch, next_run
from webui.live.files import Files
from webui.live.hub import ENDED, Hub

DEMO = Path(__file__).parents[2] / "demo"
Writer = Callable[..., int]


@pytest.fixture
def operator(hub: Hub, log_path: Path) -> FlaskClient:
    """A browser that has the controls."""
    made = create_app({"HUB": hub, "RUN_LOG": log_path, "TESTING": True}).test_client()
    made.post("/controls", data={"csrf": token(made)})
    return made


def send(client: FlaskClient, **form: str) -> tuple[int, str]:
    answer = client.post("/bench/batch", data={"csrf": token(client), **form})
    return answer.status_code, plain(answer.text)


def seen(log_path: Path, before: str | None = None) -> batch.Seen:
    found, fault = batch.now(log_path, before)
    assert found is not None and not fault
    return found


def test_tags_are_typed_pasted_or_counted_each_once() -> None:
    assert batch.tags_of("V-1\r\nV-2, V-3;V-4\tV-2\n\n", "", "") == ["V-1", "V-2", "V-3", "V-4"]
    assert batch.tags_of("", "V-099", "3") == ["V-099", "V-100", "V-101"]
    assert batch.tags_of("X", "7", "2") == ["X", "7", "8"]


@pytest.mark.parametrize(("given", "words"), [
    (("", "", ""), "No tag was given"),
    (("", "", "3"), "without the first tag"),
    (("", "V-1", ""), "whole number"),
    (("", "V-1", "0"), "whole number"),
    (("", "V-1", "501"), "whole number"),
    (("", "V-x", "2"), "does not end in a number"),
    (("a" * 81, "", ""), "81 characters, 80 at most"),
    (("V\x01", "", ""), "cannot be printed"),
    (("\n".join(map(str, range(501))), "", ""), "500 valves at most"),
])  # fmt: skip
def test_what_is_wrong_with_a_list_is_told(given: tuple[str, str, str], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        batch.tags_of(*given)


def test_every_wrong_tag_is_told_at_once_but_not_hundreds() -> None:
    with pytest.raises(UsageError) as told:
        batch.tags_of("\n".join(f"{n}" + "x" * 90 for n in range(40)), "", "")
    lines = str(told.value).splitlines()
    assert len(lines) == batch.SAID_MOST + 1 and lines[-1] == "And 28 more."


def test_runs_before_the_batch_do_not_count_and_the_first_not_done_is_next(
    written: Writer, log_path: Path
) -> None:
    written(valve="V-1", strokes=2)
    batch.keep(log_path, ["V-1", "V-2", "V-3"])
    assert seen(log_path).next_tag == "V-1", "its run is older than the batch"
    written(valve="V-1", strokes=2)
    written(valve="V-2", strokes=2, status="aborted")
    written(valve="V-9", strokes=2)
    found = seen(log_path)
    assert [row.done for row in found.rows] == [True, False, False]
    assert (found.done, found.left, found.next_tag) == (1, 2, "V-2"), "what was stopped is left"
    assert found.verdicts == {found.rows[0].outcome.verdict: 1}  # type: ignore[union-attr]
    assert seen(log_path, "V-2").next_tag == "V-3", "counted on from the valve tested last"
    written(valve="V-3", strokes=2)
    assert seen(log_path, "V-3").next_tag == "V-2", "and round to what was passed over"
    written(valve="V-2", strokes=2)
    assert (seen(log_path).left, seen(log_path).next_tag) == (0, "")


def test_a_run_by_another_sheet_or_setup_leaves_its_valve_to_be_done(
    written: Writer, log_path: Path
) -> None:
    batch.keep(log_path, ["V-1"], "invented", "hot")
    run = written(valve="V-1", strokes=2)  # by invented.sheet.toml
    (row,) = seen(log_path).rows
    assert row.outcome is not None and (row.outcome.run, row.outcome.other) == (run, "sheet")
    assert not row.done and seen(log_path).verdicts == {}
    batch.keep(log_path, ["V-1"], "elsewhere", "invented")
    assert seen(log_path).rows[0].outcome.other == "setup"  # type: ignore[union-attr]
    batch.keep(log_path, ["V-1"], "invented", "invented")
    assert seen(log_path).done == 1


def test_a_run_that_counts_stands_before_a_newer_one_that_does_not(
    written: Writer, log_path: Path
) -> None:
    batch.keep(log_path, ["V-1"], "invented", "invented")
    run = written(valve="V-1", strokes=2)
    written(valve="V-1", strokes=2)
    with sqlite3.connect(log_path) as log:
        log.execute("UPDATE runs SET sheet_name = 'other.sheet.toml' WHERE id > ?", (run,))
    found = seen(log_path)
    assert found.done == 1 and found.rows[0].outcome.run == run  # type: ignore[union-attr]


def test_the_batch_keeps_its_setup_and_sheet_over_a_restart_of_the_page(
    operator: FlaskClient, log_path: Path, written: Writer, tmp_path: Path
) -> None:
    files = Files([DEMO], [DEMO], tmp_path / "own")
    setup, sheet = sorted(files.setups)[-1], sorted(files.sheets)[-1]
    assert setup != next(iter(files.setups)) and sheet != next(iter(files.sheets))
    assert send(operator, tags="V-1\nV-2", of_setup=setup, of_sheet=sheet)[0] == 303
    written(valve="V-1", strokes=2)
    again = Hub(places.state_dir(), files)
    try:
        page = create_app({"HUB": again, "RUN_LOG": log_path}).test_client().get("/bench").text
    finally:
        again.close()
    assert f'<option value="{setup}" selected>' in page and f"<option selected>{sheet}<" in page
    assert "V-1 Left: by another sheet" in plain(page) and "0 of 2 done" in plain(page)


@pytest.mark.parametrize("name", ["of_setup", "of_sheet"])
def test_a_batch_is_kept_only_with_files_that_are_there(
    operator: FlaskClient, log_path: Path, name: str
) -> None:
    status, words = send(operator, tags="V-1", **{name: "gone"})
    assert status == 422 and "here. Choose one of the list" in words
    assert not batch.path_of(log_path).exists()


NOT_TESTED: list[dict[str, object]] = [
    {"message": "Not begun: left on the page. Nothing was energised."},
    {"ended": {"run": 1, "notes": [], "reason": "tripped"}},
    {"ended": {"run": 1, "notes": [], "reason": "aborted"}},
    {"ended": {"run": None, "notes": [], "reason": None}},
]


@pytest.mark.parametrize("listed", [[], ["V-0", "V-1", "V-2"], ["V-7"]])
@pytest.mark.parametrize("facts", NOT_TESTED)
def test_a_valve_that_was_not_tested_stays_the_next(
    operator: FlaskClient,
    hub: Hub,
    log_path: Path,
    facts: dict[str, object],
    listed: list[str],
) -> None:
    if listed:
        batch.keep(log_path, listed)
    hub._phase, hub.given = ENDED, {"valve": "V-1", "setup": "workshop", "sheet": "workshop"}
    hub._facts = {"setup": "workshop", "sheet": "workshop", "valve": "V-1", **facts}
    offered = re.search(r'id="next-tag" name="valve" value="([^"]*)"', operator.get("/bench").text)
    assert offered is not None and offered[1] == "V-1"


def test_a_run_removed_from_the_list_leaves_its_valve_to_be_done(
    written: Writer, log_path: Path
) -> None:
    batch.keep(log_path, ["V-1"])
    run = written(valve="V-1", strokes=2)
    assert seen(log_path).done == 1
    with RunLog(log_path) as log:
        remarks.remove(log, [run])
    assert seen(log_path).done == 0


def test_a_changed_list_keeps_what_was_done(written: Writer, log_path: Path) -> None:
    batch.keep(log_path, ["V-1", "V-2"])
    written(valve="V-1", strokes=2)
    batch.keep(log_path, ["V-1", "V-2", "V-3"])
    assert (seen(log_path).done, seen(log_path).left) == (1, 2)
    batch.end(log_path)
    batch.keep(log_path, ["V-1"])
    assert seen(log_path).done == 0, "another batch begins anew"


def test_without_a_log_all_are_left_and_the_file_is_whole_or_not_there(
    log_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    batch.keep(log_path, ["V-1"])
    before = batch.path_of(log_path).read_text()
    assert json.loads(before) == {"tags": ["V-1"], "after_run": 0, "setup": "", "sheet": ""}
    monkeypatch.setattr("pathlib.Path.replace", _refuses)
    with pytest.raises(StorageError, match="not kept"):
        batch.keep(log_path, ["V-2"])
    assert batch.path_of(log_path).read_text() == before
    assert [path.name for path in log_path.parent.glob(".batch*")] == []


def _refuses(*_words: object) -> None:
    raise OSError(28, "No space left on device")


@pytest.mark.parametrize("text", ["", "{", '{"tags": [], "after_run": 0}', '{"tags": ["a"]}'])
def test_a_damaged_list_is_told_and_can_be_put_away(
    operator: FlaskClient, log_path: Path, text: str
) -> None:
    batch.path_of(log_path).write_text(text)
    answer = operator.get("/bench")
    assert answer.status_code == 200 and "cannot be read" in plain(answer.text)
    operator.post("/bench/batch/end", data={"csrf": token(operator)})
    assert not batch.path_of(log_path).exists()
    assert "cannot be read" not in plain(operator.get("/bench").text)


def test_the_bench_shows_the_batch_also_after_a_restart_of_the_page(
    operator: FlaskClient, log_path: Path, written: Writer, tmp_path: Path
) -> None:
    assert send(operator, tags="V-1\nV-2")[0] == 303
    written(valve="V-1", strokes=3, missed=(1, 2, 3))
    again = Hub(places.state_dir(), Files([DEMO], [DEMO], tmp_path / "own"))
    try:
        page = create_app({"HUB": again, "RUN_LOG": log_path}).test_client().get("/bench").text
    finally:
        again.close()
    words = plain(page)
    assert "Batch: 1 of 2 done, 1 left" in words
    assert re.search(r"V-1 (Undecided|Does not conform)", words) and "V-2 Left next" in words
    assert 'name="valve" value="V-2"' in page, "the next one is there to be looked at"


def test_a_wrong_list_is_shown_again_with_what_was_typed(operator: FlaskClient) -> None:
    status, words = send(operator, tags="V-1", first="Vx", count="3")
    assert status == 422 and "does not end in a number" in words
    answer = operator.post("/bench/batch", data={"csrf": token(operator), "first": "Vx"})
    assert 'name="first" value="Vx"' in answer.text


@pytest.mark.parametrize("address", ["/bench/batch", "/bench/batch/end"])
def test_only_the_operator_changes_the_batch(hub: Hub, log_path: Path, address: str) -> None:
    client = create_app({"HUB": hub, "RUN_LOG": log_path}).test_client()
    answer = client.post(address, data={"csrf": token(client), "tags": "V-1"})
    assert answer.status_code == 403 and not batch.path_of(log_path).exists()


def test_after_a_run_the_next_of_the_list_is_offered_not_the_next_number(
    operator: FlaskClient, hub: Hub, log_path: Path, written: Writer
) -> None:
    batch.keep(log_path, ["V-1", "V-5"])
    run = written(valve="V-1", strokes=3)
    hub._phase, hub.given = ENDED, {"valve": "V-1", "setup": "workshop", "sheet": "workshop"}
    hub._facts = {"setup": "workshop", "sheet": "workshop", "valve": "V-1",
                  "ended": {"run": run, "notes": [], "reason": "finished"}}  # fmt: skip
    page = operator.get("/bench").text
    offered = re.search(r'id="next-tag" name="valve" value="([^"]*)"', page)
    assert offered is not None and offered[1] == "V-5"
    batch.end(log_path)
    page = operator.get("/bench").text
    offered = re.search(r'id="next-tag" name="valve" value="([^"]*)"', page)
    assert offered is not None and offered[1] == "V-2", "without a list the tag counts on"


@pytest.mark.parametrize("missed", [None, (1, 5)])
def test_the_line_of_figures_is_a_sentence(
    operator: FlaskClient, hub: Hub, log_path: Path, written: Writer,
    monkeypatch: pytest.MonkeyPatch, missed: tuple[int, int] | None,
) -> None:  # fmt: skip
    run = written(valve="V-1", strokes=3)
    whole = next_run.ended

    def ended(number: int | None) -> next_run.Ended | None:
        found = whole(number)
        return None if found is None else found._replace(missed=missed)

    monkeypatch.setattr(next_run, "ended", ended)
    hub._phase = ENDED
    hub._facts = {"setup": "workshop", "sheet": "workshop", "ended": {"run": run, "notes": []}}
    page = operator.get("/bench").text.partition('id="how-ended"')[2].partition("</section>")[0]
    line = next(one for one in re.findall(r"<p>(.*?)</p>", page, re.S) if " ms" in one)
    assert line.endswith("missed 1 of 5." if missed else " ms.") and ", ." not in line, line


@pytest.mark.parametrize(
    ("why", "said"),
    [("stopped on a page", "Stopped on a page."), ("page was silent", "Stopped: page was silent.")],
)
def test_why_a_run_was_stopped_is_said_once(
    operator: FlaskClient, hub: Hub, why: str, said: str
) -> None:
    hub._phase = ENDED
    hub._facts = {"setup": "workshop", "sheet": "workshop",
                  "ended": {"run": None, "notes": [], "stopped": why}}  # fmt: skip
    assert f"<p>{said} </p>" in operator.get("/bench").text


def test_a_figure_without_a_value_is_left_out(
    operator: FlaskClient, hub: Hub, written: Writer
) -> None:
    run = written(valve="V-1", strokes=2, missed=(1, 2))
    hub._phase = ENDED
    hub._facts = {"setup": "workshop", "sheet": "workshop", "ended": {"run": run, "notes": []}}
    page = operator.get("/bench").text.partition('id="how-ended"')[2].partition("</section>")[0]
    assert "<p>Missed 2 of 2.</p>" in page, page


def test_a_list_with_a_number_no_run_can_have_is_told_of(
    operator: FlaskClient, written: Writer, log_path: Path
) -> None:
    """SQLite's INTEGER holds 64 bits with a sign."""
    written(strokes=3)
    batch.path_of(log_path).write_text(f'{{"tags": ["V-1"], "after_run": {2**63}}}')
    answer = operator.get("/bench")
    assert answer.status_code == 200 and "cannot be read" in answer.text


def test_a_batch_that_was_ended_by_mistake_goes_on_with_what_was_done(
    operator: FlaskClient, log_path: Path, written: Writer
) -> None:
    assert "Go on with the batch" not in plain(operator.get("/bench").text)
    send(operator, tags="V-1\nV-2")
    written(valve="V-1", strokes=2)
    operator.post("/bench/batch/end", data={"csrf": token(operator)})
    written(valve="V-9", strokes=2)
    assert batch.now(log_path, None) == (None, "")
    assert "ended last: V-1 to V-2, 2 valves" in plain(operator.get("/bench").text)
    operator.post("/bench/batch/again", data={"csrf": token(operator)})
    assert (seen(log_path).done, seen(log_path).next_tag) == (1, "V-2")
    operator.post("/bench/batch/end", data={"csrf": token(operator)})
    send(operator, tags="V-3")
    answer = operator.post("/bench/batch/again", data={"csrf": token(operator)})
    assert answer.status_code == 500 and "End it first" in plain(answer.text)
    assert [row.tag for row in seen(log_path).rows] == ["V-3"], "the one under way stays"


def test_a_second_batch_does_not_cost_the_first(operator: FlaskClient, log_path: Path) -> None:
    """One is put away for a pressing one, and comes back after it; of five more the oldest goes."""
    for tags in ("A-1\nA-2\nA-3", "B-1"):
        send(operator, tags=tags)
        operator.post("/bench/batch/end", data={"csrf": token(operator)})
    page = plain(operator.get("/bench").text)
    assert page.index("ended last: B-1") < page.index("ended before: A-1 to A-3, 3 valves")
    again = {"csrf": token(operator), "list": list(batch.ended(log_path))[1]}
    operator.post("/bench/batch/again", data=again)
    assert [row.tag for row in seen(log_path).rows] == ["A-1", "A-2", "A-3"]
    for n in range(5):
        operator.post("/bench/batch/end", data={"csrf": token(operator)})
        send(operator, tags=f"C-{n}")
    operator.post("/bench/batch/end", data={"csrf": token(operator)})
    assert list(batch.ended(log_path).values()) == ["C-4", "C-3", "C-2", "C-1", "C-0"]
    operator.post("/bench/batch/again", data={**again, "list": "../runs.sqlite"})
    assert batch.load(batch.path_of(log_path)) is None


def test_a_tag_typed_twice_is_named(operator: FlaskClient) -> None:
    form = {"csrf": token(operator), "tags": "V-1\nV-2\nV-1\nV-3"}
    kept = operator.post("/bench/batch", data=form, follow_redirects=True)
    assert "Typed more than once and taken once: V-1 Two valves need two tags" in plain(kept.text)
    assert "Typed more than once" not in plain(operator.get("/bench?twice=V-9").text)
