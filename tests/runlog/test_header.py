# SPDX-License-Identifier: MIT
import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from run_headers import header

from rig.core.clock import WallTime, read_wall_time
from rig.runlog.header import RunHeader

texts = st.text(max_size=30)


@given(
    note=texts,
    valve=st.none() | texts,
    seed=st.none() | st.integers(0, 2**63 - 1),
    value=st.floats(allow_nan=False, allow_infinity=False) | st.integers(-(10**9), 10**9) | texts,
    synchronised=st.sampled_from([None, True, False]),
)
def test_a_header_survives_its_line_of_json(note, valve, seed, value, synchronised):
    before = header(
        note=note,
        valve=valve,
        seed=seed,
        conditions={"oil_temperature": {"value": value, "unit": "degC", "how": "typed"}},
        wall=WallTime(1.5, 2, "boot", synchronised),
        watched=[{"rule": "pressure", "reaction_ms": 310.0}],
    )
    line = before.to_json()
    assert "\n" not in line
    assert RunHeader.from_json(line) == before


def test_the_wall_time_may_be_named_fields():
    wall = read_wall_time()
    data = json.loads(header().to_json()) | {"wall": wall._asdict()}
    assert RunHeader.from_json(json.dumps(data)).wall == wall


def test_two_headers_have_two_uids():
    assert header().uid != header().uid


@pytest.mark.parametrize(
    ("sheet", "kind"),
    [('kind = "ramp"\n', "ramp"), ("strokes = 3\n", None), ("kind = 3\n", None), ("= =", None)],
)
def test_kind_comes_from_the_sheet(sheet, kind):
    assert header(sheet_text=sheet).kind == kind
    assert header(sheet_text=None, sheet_hash=None).kind is None


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"source": "bench"}, "source 'bench' is none of"),
        ({"sheet_hash": None}, "go together"),
        ({"confirmed_utc_s": math.nan}, "not JSON compliant"),
        ({"hardware": {"jitter": math.inf}}, "not JSON compliant"),
        ({"conditions": {"oil": {"value": 3.0}}}, "needs value, unit and how"),
        (
            {"conditions": {"oil": {"value": 3.0, "unit": "x", "how": "guessed"}}},
            "measured or typed",
        ),
        ({"conditions": {"oil": {"value": None, "unit": "x", "how": "typed"}}}, "neither a number"),
        ({"conditions": {"oil": {"value": True, "unit": "x", "how": "typed"}}}, "neither a number"),
        ({"conditions": {"oil": {"value": math.nan, "unit": "x", "how": "typed"}}}, "finite"),
    ],
)
def test_what_cannot_be_stored_is_refused_at_once(changes, words):
    with pytest.raises(ValueError, match=words):
        header(**changes)


@pytest.mark.parametrize(
    "line",
    [
        b"",
        b"[]",
        b"{}",
        b'"text"',
        header().to_json().replace('"seed"', '"sead"').encode(),
        header().to_json().replace('"boot-1",', "").encode(),
    ],
)
def test_another_line_is_no_header(line):
    with pytest.raises(ValueError, match="not the header of a run"):
        RunHeader.from_json(line)
