# SPDX-License-Identifier: MIT
"""The list of runs in every order: page by page, and by an index however long the log is."""

import contextlib
import random
import sqlite3

import pytest
import sqlalchemy
from run_headers import header
from sqlalchemy.dialects import sqlite as dialect

from rig.core.errors import UsageError
from rig.runlog import search
from rig.runlog.search import ORDERS, Place, Sought, find
from rig.runlog.store import RunLog

RUNS = 60


def result(mean, longest, release, missed):
    return {
        "strokes": [None] * 5,
        "verdict": {"result": "conforms"},
        "counts": {"missed": missed},
        "summary": {
            "response_ms": {"n": 5, "mean": mean, "max": longest},
            "release_ms": {"n": 5, "mean": release},
        },
    }


@pytest.fixture(scope="module", params=["as it is", "with statistics"])
def written(tmp_path_factory, request):
    """Values that come several times, and runs that lack them."""
    draw = random.Random(7)
    path = tmp_path_factory.mktemp("log") / "runs.sqlite"
    with RunLog(path) as log:
        for n in range(RUNS):
            oil = {
                "oil_temperature": {"value": 40 + draw.randrange(4), "unit": "degC", "how": "typed"}
            }
            run = log.begin_run(
                header(
                    valve=None if n % 9 == 0 else f"V-{draw.randrange(5)}",
                    conditions=oil if n % 4 else {},
                    purpose="own timing" if n % 20 == 9 else "valve",
                )
            )
            if n % 7:
                values = [round(draw.uniform(30, 32), 0) for _ in range(3)]
                log.save_result(run, result(*values, draw.randrange(3)), "v1")
            log.end_run(run, "finished")
    if request.param == "with statistics":
        with contextlib.closing(sqlite3.connect(path)) as db:
            db.execute("ANALYZE")
    return path


@pytest.fixture
def log(written):
    with RunLog(written, readonly=True) as opened:
        yield opened


def paged(log, order, size):
    """All runs of an order, page by page."""
    found, place = [], None
    while True:
        listed, place = find(log, Sought(order=order), size, place)
        found += [one.row for one in listed]
        if place is None:
            return found


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("size", [1, 7, RUNS])
def test_pages_of_any_size_give_each_run_once_in_order(log, order, size):
    by, found = ORDERS[order], paged(log, order, size)
    every = [one.row for one in find(log, Sought(), RUNS)[0]]
    assert len(every) == RUNS
    lacks = [getattr(row, by.column) is None or row.purpose != "valve" for row in every]
    wanted = (
        every if by.column == "id" else [r for r, no in zip(every, lacks, strict=True) if not no]
    )
    # the same, sorted by Python
    wanted = sorted(wanted, key=lambda row: (getattr(row, by.column), row.id), reverse=by.down)
    assert [row.id for row in found] == [row.id for row in wanted]


def plan(log, order, after):
    """How SQLite goes about a page of this order."""
    asked, steps = [], []
    by = ORDERS[order]
    with log._reading() as connection:
        asked += list(
            search._pages(search._numbers(Sought(order=order), by, connection), by, after)
        )
    with contextlib.closing(sqlite3.connect(log.path)) as db:
        for query in asked:
            made = query.limit(41).compile(
                dialect=dialect.dialect(), compile_kwargs={"literal_binds": True}
            )
            steps += [row[3] for row in db.execute(f"EXPLAIN QUERY PLAN {made}")]
    return steps


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("later", [False, True])
def test_no_order_sorts_or_reads_the_whole_log(log, order, later):
    """An order is read off an index: never a temporary B-tree, and a later page begins by a search
    (https://www.sqlite.org/eqp.html) instead of passing over the pages before it."""
    value = "V-2" if ORDERS[order].column == "valve" else 31.0
    after = Place(30, None if ORDERS[order].column == "id" else value) if later else None
    steps = plan(log, order, after)
    assert not [step for step in steps if "TEMP B-TREE" in step], steps
    first = next(step for step in steps if "SCALAR SUBQUERY" not in step)
    if later:
        assert first.startswith("SEARCH"), steps


def test_an_order_or_a_place_that_is_none_is_told(log):
    with pytest.raises(UsageError, match="There is no order 'sideways'"):
        find(log, Sought(order="sideways"), 5)
    with pytest.raises(UsageError, match="no number"):
        find(log, Sought(order="slowest"), 5, Place(3, "soon"))


def test_a_verdict_and_a_source_that_no_run_can_have_are_told_at_once(log):
    with pytest.raises(UsageError) as told:
        find(log, Sought(verdict="bad", source="nonsense"), 5)
    said = str(told.value)
    assert "no verdict 'bad'; there are conforms, does_not_conform, undecided" in said
    assert "no source 'nonsense'; there are simulated, emulated board, board, capture" in said
    assert find(log, Sought(verdict="undecided", source="emulated board"), 5) == ([], None)


@pytest.fixture
def tagged(tmp_path):
    with RunLog(tmp_path / "tags.sqlite") as log:
        for tag in ("V-30", "V-301", "V-302", "W_4", "w_4", "Ü-1", "Straße 7"):
            log.begin_run(header(valve=tag))
        yield log


@pytest.mark.parametrize(
    ("typed", "tags"),
    [
        ("V-30", {"V-30"}), ("v-30", {"V-30"}), ("v-301", {"V-301"}), ("W_4", {"W_4"}),
        ("w_4", {"w_4"}), ("ü-1", {"Ü-1"}), ("STRASSE 7", set()), ("straße 7", {"Straße 7"}),
        ("v-3", set()), ("V-3021", set()), ("%", set()), ("v_30", set()),
    ],
)  # fmt: skip
def test_a_valve_is_found_whatever_the_case_and_as_typed_first(tagged, typed, tags):
    assert {one.row.valve for one in find(tagged, Sought(valve=typed), 9)[0]} == tags


def test_several_spellings_are_all_found_where_none_is_as_typed(tmp_path):
    with RunLog(tmp_path / "tags.sqlite") as log:
        for tag in ("Ab-1", "aB-1", "ab-2"):
            log.begin_run(header(valve=tag))
        assert {one.row.valve for one in find(log, Sought(valve="AB-1"), 9)[0]} == {"Ab-1", "aB-1"}


@pytest.mark.parametrize(
    ("typed", "near"),
    [
        ("v-3", ["V-302", "V-301", "V-30"]), ("302", ["V-302"]),
        ("v-309", ["V-30", "V-301", "V-302"]),
        ("v-30", []), ("%", []), ("zz", []),
    ],
)  # fmt: skip
def test_tags_near_one_that_is_none_are_offered(tagged, typed, near):
    assert search.near_valves(tagged, typed) == near


def test_a_valve_is_looked_up_by_the_index_of_tags_alone(tagged, monkeypatch):
    """Each lookup searches the index of tags, and how many there are depends on the letters typed,
    not on the valves (https://www.sqlite.org/eqp.html)."""
    asked = []
    with tagged._reading() as connection:
        sqlalchemy.event.listen(
            connection, "before_cursor_execute", lambda *call: asked.append((call[2], call[3]))
        )
        assert search._spelled(connection, search.valves.c.tag, "v-301")[0] == ["V-301"]
    assert 1 < len(asked) <= 4 * len("v-301") + 2
    with contextlib.closing(sqlite3.connect(tagged.path)) as db:
        for question, values in asked:
            steps = [row[3] for row in db.execute(f"EXPLAIN QUERY PLAN {question}", values)]
            assert len(steps) == 1, steps
            assert steps[0].startswith("SEARCH valves USING COVERING INDEX"), steps


def test_runs_that_judged_no_valve_are_listed_by_number_and_nowhere_else(log):
    assert sum(row.purpose != "valve" for row in paged(log, "newest", 9)) == 3
    for order in (one for one in ORDERS if ORDERS[one].column != "id"):
        assert all(row.purpose == "valve" for row in paged(log, order, 9))
