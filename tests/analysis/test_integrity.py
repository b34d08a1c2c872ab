# SPDX-License-Identifier: MIT
"""Edges that were lost or merged: the marks on stroke and run."""

from __future__ import annotations

from stroke_trains import Train, setup, sheet

from rig.analysis.analyse import analyse
from rig.analysis.measure import marks
from rig.core.records import READBACK, SWITCH, Edge


def three(train: Train) -> Train:
    for number in (1, 2, 3):
        at = 1000.0 * number
        if number == 2 and train.lose:
            train.lose(train)
        train.stroke(number, at, at + 500, live=8, dead=4, on_edges=[50], off_edges=[40])
    train.end(5000)
    return train


def marked(train: Train):
    result = analyse(train.build(), setup(), sheet(strokes=3))
    return result, [result.strokes.marks(row) for row in range(len(result.strokes))]


def test_a_whole_record_has_no_marks():
    train = Train()
    train.lose = None
    result, strokes = marked(three(train))
    assert result.marks == ()
    assert strokes == [[], [], []]
    assert result.doubtful == ()


def test_sequence_gap_marks_both_its_ends():
    for line in (SWITCH, READBACK):
        train = Train()
        train.lose = lambda t, line=line: t._sequence.__setitem__(line, t._sequence[line] + 2)
        result, strokes = marked(three(train))
        # the gap lies between the last edge of stroke 1 and the first of stroke 2
        assert strokes == [[marks.EDGES_LOST], [marks.EDGES_LOST], []]
        assert result.marks == (marks.EDGES_LOST,)
        assert result.doubtful == (marks.EDGES_LOST,)
        assert result.strokes.doubtful.tolist() == [True, True, False]


def test_a_source_that_does_not_count_has_no_gaps():
    train = Train()
    train.lose = None
    three(train)
    train._records = [
        record._replace(sequence=0) if isinstance(record, Edge) else record
        for record in train._records
    ]
    assert marked(train)[0].marks == ()


def test_edges_before_the_run_are_no_gap():
    train = Train()
    train._sequence = {SWITCH: 40, READBACK: 17}
    train.lose = None
    assert marked(three(train))[0].marks == ()


def test_two_edges_in_a_row_that_read_the_same():
    train = Train()
    train.command(True, 1000, 1)
    train.edge(READBACK, True, 1008)
    train.edge(SWITCH, True, 1050)
    train.edge(SWITCH, True, 1055)  # the kernel merged an edge between them
    train.command(False, 1500, 1)
    train.edge(READBACK, False, 1504)
    train.edge(SWITCH, False, 1540)
    train.end(2000)
    result, strokes = marked(train)
    assert strokes == [[marks.NOT_ALTERNATING]]
    assert result.strokes.response_ms[0] == 47
    assert result.strokes.bounce_on[0] == 1  # a lower bound


def test_polled_level_disagrees_with_the_last_edge():
    train = Train()
    train.stroke(1, 1000, 1500, live=8, dead=4, on_edges=[50], off_edges=[40])
    train.level(SWITCH, train.electrical(SWITCH, True), 1800)  # on, though the last edge went off
    train.stroke(2, 2000, 2500, live=8, dead=4, on_edges=[50], off_edges=[40])
    train.end(3000)
    result, strokes = marked(train)
    assert strokes == [[marks.LEVEL_DISAGREES], []]
    assert result.marks == (marks.LEVEL_DISAGREES,)


def test_a_poll_beside_an_edge_is_not_judged():
    train = Train()
    train.stroke(1, 1000, 1500, live=8, dead=4, on_edges=[50], off_edges=[40])
    train.level(SWITCH, train.electrical(SWITCH, True), 1542)
    train.end(3000)
    assert marked(train)[0].marks == ()


def test_level_changed_and_no_edge_ever_came():
    train = Train()
    train.stroke(1, 1000, 1500, live=8, dead=4)
    train.level(SWITCH, train.electrical(SWITCH, True), 1300)
    train.end(2000)
    result, strokes = marked(train)
    assert marks.LEVEL_DISAGREES in strokes[0]
    assert marks.LEVEL_DISAGREES in result.doubtful


def test_edges_out_of_order_are_sorted_and_said_so():
    train = Train()
    train.lose = None
    three(train)
    edges = [n for n, record in enumerate(train._records) if isinstance(record, Edge)]
    records = train._records
    a, b = [n for n in edges if records[n].line == SWITCH][:2]
    records[a], records[b] = records[b], records[a]
    result, _ = marked(train)
    assert marks.OUT_OF_ORDER in result.doubtful
    assert result.strokes.response_ms.tolist() == [42, 42, 42]


def test_no_record_of_the_switch():
    train = Train()
    train._records = []
    train.command(True, 1000, 1)
    train.command(False, 1500, 1)
    train.end(2000)
    result = analyse(train.build(), setup("find", readback=False), sheet())
    assert result.marks == (marks.NO_SWITCH,)
    assert result.contact.sense is None
