# SPDX-License-Identifier: MIT
"""Tables as instruments write them: layout, guess, what a person states; invented instruments."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from capture_rigs import RIG, refused
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.captures import cell_columns, plan_capture, read_capture
from rig.captures.guess import rate_of
from rig.captures.layout import layout_of
from rig.captures.mapping import CaptureMap, Stated, stated
from rig.captures.problems import Problems
from rig.core.errors import FileProblems, UsageError
from rig.core.recording import Recording

STEP_MS = 0.5
ON, SWITCHED, OFF, BACK = 200.0, 251.0, 700.0, 740.0
EDGES_NS = [251_000_000, 740_000_000]


def rows() -> list[tuple[float, int, int]]:
    times = [STEP_MS * n for n in range(2000)]
    return [(t, int(ON <= t < OFF), int(SWITCHED <= t < BACK)) for t in times]


def volts(bit: int, n: int, high: float = 12.0) -> float:
    """With noise that never comes near the middle."""
    return round(high * bit + 0.03 * high * ((n * 37 % 11) / 5 - 1), 3)


def tab() -> str:
    head = "Recorder 4\nRecorded\t2026-11-01\n\nElapsed time\tSol drive\tP switch\tBlob\n"
    unit = "(ms)\t(bool)\t(bool)\t(V)\n"
    words = ("FALSE", "TRUE")
    return head + unit + "".join(f"{t}\t{words[c]}\t{words[s]}\t7\n" for t, c, s in rows())


def semicolon() -> str:
    """Volts with a decimal comma; the pull-up makes a closed switch low."""
    lines = [
        f"{t * 1e-3:.4f};{volts(c, n)};{volts(1 - s, n, 5.0)};{0.6 + 2.4 * s:.2f}".replace(".", ",")
        for n, (t, c, s) in enumerate(rows())
    ]
    return "Time [s];Drive [V];Switch [V];P oil [bar]\n" + "\n".join(lines) + "\n"


def fixed() -> str:
    head = f"{'Time us':>12}{'Relay cmd':>12}{'Channel 2':>14}\n"
    return head + "".join(
        f"{t * 1e3:>12.0f}{('low', 'high')[c]:>12}{('high', 'low')[s]:>14}\n" for t, c, s in rows()
    )


def numbered() -> str:
    head = "# Sample rate: 2 kHz\nSample,Command out,Contact\n"
    return head + "".join(f"{n},{c},{s}\n" for n, (_, c, s) in enumerate(rows()))


def no_time() -> str:
    head = "Sampling interval: 500 us\nrelay | contact\n"
    return head + "".join(f"{c} | {s}\n" for _, c, s in rows())


def micro() -> bytes:
    """A micro sign as one byte, as instruments of old write it."""
    lines = [f"{t * 1e3:.0f},{c},{s}" for t, c, s in rows()]
    return ("time (\u00b5s),relay,contact\r\n" + "\r\n".join(lines) + "\r\n").encode("cp1252")


def unicode_text() -> bytes:
    """What spreadsheets call Unicode text: tabs, two bytes a character, with the mark before it."""
    lines = [f"{t}\t{c}\t{s}" for t, c, s in rows()]
    return ("Time (ms)\tRelay\tContact\r\n" + "\r\n".join(lines) + "\r\n").encode("utf-16")


def lone_solenoid() -> str:
    """Changes only, and a pressure whose two plain levels look like the states of a line."""
    head = "time (ms),solenoid,pressure switch,oil pressure (bar)\n"
    return head + "".join(
        f"{t},{c},{s},{(0.6, 3.0)[s] if t % 50 == 0 else ''}\n" for t, c, s in rows()
    )


FILES = {
    "tab": tab, "semicolon": semicolon, "fixed": fixed, "numbered": numbered, "no time": no_time,
    "micro": micro, "unicode text": unicode_text, "lone solenoid": lone_solenoid,
}  # fmt: skip


def written(folder: Path, text: str | bytes) -> Path:
    path = folder / "instrument.txt"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def confirmed(path: Path, said: Stated | None = None) -> Recording:
    plan = plan_capture(path, RIG, said)
    assert plan is not None and plan.by is not None and not plan.by.missing()
    ((_, recording),) = read_capture(path, RIG, plan=plan._replace(sure=True))
    return recording


@pytest.mark.parametrize("name", FILES)
def test_each_is_guessed_but_never_taken_unconfirmed(tmp_path, name):
    path = written(tmp_path, FILES[name]())
    plan = plan_capture(path, RIG)
    assert plan is not None and not plan.sure
    with pytest.raises(FileProblems, match="--map"):
        read_capture(path, RIG)
    recording = confirmed(path)
    assert recording.commands.t_ns.tolist() == [200_000_000, 700_000_000]
    assert recording.edges["switch"].t_ns.tolist() == EDGES_NS
    assert recording.edges["switch"].level.tolist() == [0, 1]  # pull up: closed reads low


@pytest.mark.parametrize("name", FILES)
def test_the_guess_as_options_says_the_same(tmp_path, name):
    path = written(tmp_path, FILES[name]())
    plan = plan_capture(path, RIG)
    assert plan is not None and plan.by is not None
    options = plan.by.options()
    by_option: dict[str, list[str]] = {}
    for option, text in zip(options[::2], options[1::2], strict=True):
        by_option.setdefault(option, []).append(text)
    said = stated(
        by_option.get("--map", ()), by_option.get("--threshold", ()), by_option.get("--scale", ()),
        by_option.get("--rate", [None])[0],
    )  # fmt: skip
    again = plan_capture(path, RIG, said)
    assert again is not None and again.sure
    assert again.by == plan.by
    ((_, recording),) = read_capture(path, RIG, plan=again)
    assert recording.edges["switch"].t_ns.tolist() == EDGES_NS


def test_a_pressure_comes_with_its_unit_and_others_are_left_out_by_name(tmp_path):
    recording = confirmed(written(tmp_path, semicolon()))
    pressure = recording.samples["pressure"].value
    # NIST SP 811, Appendix B.8: 1 bar = 100 kPa
    assert (pressure.min(), pressure.max()) == (pytest.approx(60), pytest.approx(300))
    plan = plan_capture(written(tmp_path, tab()), RIG)
    assert plan is not None and plan.left_out == ("Blob",)


def test_a_person_goes_before_the_guess(tmp_path):
    path = written(tmp_path, semicolon())
    said = stated(["switch=Drive [V]", "command=Switch [V]"], ["switch=3..5", "command=2"])
    recording = confirmed(path, said)
    assert recording.edges["switch"].t_ns.tolist() == [200_000_000, 700_000_000]
    inverted = confirmed(
        path, stated(["switch=not drive [v]", "command=Switch [V]"], ["switch=3..5", "command=2"])
    )
    assert inverted.edges["switch"].level.tolist() == [1, 0]


def test_a_kept_map_is_sure_for_files_of_its_kind(tmp_path):
    plan = plan_capture(written(tmp_path, semicolon()), RIG)
    assert plan is not None and plan.by is not None
    shape = CaptureMap.model_validate_json(plan.by.model_dump_json())
    again = plan_capture(written(tmp_path, semicolon()), RIG, None, {plan.key: shape}.get)
    other = plan_capture(written(tmp_path, tab()), RIG, None, {plan.key: shape}.get)
    assert again is not None and again.sure
    assert other is not None and not other.sure


def test_hysteresis_between_the_thresholds_there_is_no_sample(tmp_path):
    found = cell_columns.bits(
        ["0", "2.4", "2.6", "3.1", "2.6", "2.4", "1.9", ""],
        CaptureMap.model_validate(
            {"time": None, "time_unit": "s",
             "signals": {"switch": {"name": "x", "below": 2, "above": 3}}}
        ).signals["switch"],
        lambda *_: pytest.fail("nothing is wrong"),
    )  # fmt: skip
    assert found.tolist() == [0, -1, -1, 1, -1, -1, 0, -1]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ((["swich=a"],), "Did you mean switch"),
        ((["switch"],), "not ROLE=VALUE"),
        (([], ["switch=a"]), "not a number"),
        (([], ["switch=3..2"]), "lower level first"),
        (([], [], [], "5 kPa"), "--rate"),
        ((["time_s=a", "time_ms=b"],), "twice"),
    ],
)
def test_what_cannot_be_stated(options, words):
    with pytest.raises(UsageError, match=words):
        stated(*options)


def test_a_column_that_is_not_there(tmp_path):
    with pytest.raises(UsageError, match='Did you mean "Drive'):
        plan_capture(written(tmp_path, semicolon()), RIG, stated(["switch=Drive V"]))


def test_extra_columns_beside_our_names_are_left_out(tmp_path):
    text = "time_s\tcommand\tswitch\tNote\n0\t0\t0\thello\n1\t1\t0\t\n1.05\t1\tTRUE\tx\n"
    path = written(tmp_path, text)
    plan = plan_capture(path, RIG)
    assert plan is not None and plan.sure and plan.left_out == ("note",)
    ((_, recording),) = read_capture(path, RIG)
    assert recording.edges["switch"].t_ns.tolist() == [1_050_000_000]


def test_a_value_across_the_border_of_a_fixed_width_is_refused(tmp_path):
    path = written(tmp_path, fixed() + f"{1000:>12}{'high' * 4:>16}{'low':>10}\n")
    with pytest.raises(FileProblems):
        confirmed(path)


def test_no_table_at_all(tmp_path):
    assert "no table of values" in refused(tmp_path, "hello\nworld, how\nare you\n")[0]


NUMBERS = st.floats(-1e6, 1e6, allow_nan=False).map(repr) | st.integers(-9999, 9999).map(str)
CELLS = NUMBERS | st.sampled_from(
    ["", "x", "1e400", "nan", "1_0", "--1", "1-2", "\u0661", " 2", "+"]
)


@given(
    table=st.lists(st.lists(CELLS, min_size=3, max_size=3), min_size=1, max_size=8),
    delimiter=st.sampled_from([",", ";", "\t"]),
)
@settings(max_examples=150)
def test_numbers_at_once_are_those_read_one_by_one(table, delimiter):
    text = "\n".join(delimiter.join(row) for row in table) + "\n"
    found = cell_columns.matrix(text, delimiter, 3)
    one_by_one = [[_one(cell) for cell in row] for row in table]
    if any(value is None for row in one_by_one for value in row):
        assert found is None
    elif found is not None:
        np.testing.assert_array_equal(found, np.array(one_by_one))
    else:
        assert any("e" in cell for row in table for cell in row), "plain numbers are read at once"


def _one(cell: str) -> float | None:
    from rig.captures import cells

    try:
        return cells.value(cell)
    except cells.CellError:
        return None


@given(
    kind=st.sampled_from(sorted(FILES)),
    edits=st.lists(
        st.tuples(st.integers(0, 3000), st.integers(0, 30), st.binary(max_size=4)), max_size=5
    ),
    cut=st.integers(0, 4000),
)
@settings(max_examples=30, deadline=None)
def test_spoilt_files_of_instruments_are_read_or_refused(tmp_path_factory, kind, edits, cut):
    text = FILES[kind]()
    data = (text if isinstance(text, bytes) else text.encode())[:cut]
    for place, length, piece in edits:
        data = data[:place] + piece + data[place + length :]
    path = written(tmp_path_factory.mktemp("spoilt"), data)
    try:
        plan = plan_capture(path, RIG)
        if plan is not None and plan.by is not None and not plan.by.missing():
            runs = read_capture(path, RIG, plan=plan._replace(sure=True))
            assert all((run.recording.commands.t_ns[1:] >= 0).all() for run in runs)
    except FileProblems as error:
        assert error.problems and str(error)


@given(
    names=st.lists(
        st.text("abcXYZ µ(),;\"'.#", min_size=1, max_size=12).map(str.strip).filter(
            lambda name: name and not name.startswith("#")
        ),
        min_size=3, max_size=3, unique_by=str.casefold,
    ),
    delimiter=st.sampled_from(["\t", ";", ",", "|"]),
)  # fmt: skip
@settings(max_examples=50, deadline=None)
def test_names_written_are_names_read(tmp_path_factory, names, delimiter):
    import csv

    path = tmp_path_factory.mktemp("names") / "a.txt"
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, delimiter=delimiter)
        writer.writerow(names)
        writer.writerows([[n, n % 2, n % 3] for n in range(20)])
    found = layout_of(path, Problems(path))
    assert (found.delimiter, found.names) == (delimiter, names)


def sampled(rate: str = "Sample rate: 1000 Hz", high: float = 5.0, low: float = 0.0) -> str:
    """A row a sample, the switch in volts with a pull-up."""
    return f"{rate}\nSample,Relay (V),Switch (V)\n" + "".join(
        f"{n},{12.0 * c},{low + high * (1 - s)}\n" for n, (_, c, s) in enumerate(rows())
    )


def kept_from(folder: Path, text: str) -> dict[str, CaptureMap]:
    plan = plan_capture(written(folder, text), RIG)
    assert plan is not None and plan.by is not None
    return {plan.key: plan.by}


@pytest.mark.parametrize(
    ("text", "rate_hz"),
    [
        (sampled("Sample rate: 200 Hz"), 200.0),
        (sampled("no word of it"), None),
        (sampled(high=24.0, low=12.0), 1000.0),
        (sampled(high=2.0), 1000.0),
    ],
)
def test_a_kept_map_that_does_not_fit_the_file_is_asked_again(tmp_path, text, rate_hz):
    kept = kept_from(tmp_path, sampled())
    again = plan_capture(written(tmp_path, sampled()), RIG, None, kept.get)
    assert again is not None and again.sure
    other = plan_capture(written(tmp_path, text), RIG, None, kept.get)
    assert other is not None and other.by is not None and not other.sure
    assert other.by.rate_hz == rate_hz
    switch = other.by.signals["switch"]
    assert switch.inverted and switch.below is not None
    if rate_hz is not None:
        ((_, recording),) = read_capture(written(tmp_path, text), RIG, plan=other)
        assert len(recording.edges["switch"].t_ns) == 2  # its own levels split it


def test_a_rate_that_is_stated_or_typed_counts_for_this_file(tmp_path):
    kept = kept_from(tmp_path, sampled())
    path = written(tmp_path, sampled("Sample rate: 200 Hz"))
    said = plan_capture(path, RIG, stated(rate="2 kHz"), kept.get)
    typed = plan_capture(path, RIG, None, kept.get, next(iter(kept.values())))
    for plan, rate_hz in ((said, 2000.0), (typed, 1000.0)):
        assert plan is not None and plan.by is not None and plan.sure
        assert plan.by.rate_hz == rate_hz


def test_a_map_is_not_kept_across_another_meaning_of_the_levels(tmp_path):
    kept = kept_from(tmp_path, sampled())
    for pull in ("up", "down"):
        switch = RIG.switch.model_copy(update={"pull": pull})
        rig = RIG.model_copy(update={"switch": switch})
        plan = plan_capture(written(tmp_path, sampled()), rig, None, kept.get)
        assert plan is not None and plan.sure == (pull == "up")


@pytest.mark.parametrize(
    ("line", "rate_hz"),
    [
        ("Sample rate: 1000 Hz", 1000.0),
        ("Sample rate: 1 KHz", 1000.0),
        ("Sampling frequency = 2,5 kHz", 2500.0),
        ("Sample interval\t0.500\tmS", 2000.0),
        ("Record interval: 500 \u00b5s", 2000.0),
        ("Sampling period: 1e-3", 1000.0),
        ("Sample rate: 1000.000 Hz", 1000.0),
        # nobody can tell a group of digits from a fraction: not guessed
        ("Sample rate: 1,000 Hz", None),
        ("Sample rate: 1.000 Hz", None),
        ("Sample rate: 1 000 Hz", None),
        ("Sample interval: 1,000 us", None),
        ("Generator frequency: 50 Hz", None),
        ("Refresh rate: 60 Hz", None),
        ("Sample rate: 5 furlongs", None),
    ],
)
def test_a_rate_is_heard_only_where_it_can_mean_one_thing(line, rate_hz):
    assert rate_of([line]) == (None if rate_hz is None else pytest.approx(rate_hz))


@pytest.mark.parametrize("name", ["Time (msecs)", "Time [mS]", "elapsed MSEC", "time, msec"])
def test_a_time_in_milliseconds_is_told_by_any_of_its_names(tmp_path, name):
    text = f"{name};relay;contact\n" + "".join(f"{t};{c};{s}\n" for t, c, s in rows())
    assert confirmed(written(tmp_path, text)).edges["switch"].t_ns.tolist() == EDGES_NS


@pytest.mark.parametrize("name", ["Time (ticks)", "time jiffies", "X"])
def test_a_time_in_an_unknown_unit_is_asked_for(tmp_path, name):
    text = f"{name};relay;contact\n" + "".join(f"{t};{c};{s}\n" for t, c, s in rows())
    plan = plan_capture(written(tmp_path, text), RIG)
    assert plan is not None and plan.by is not None
    assert "time" in plan.by.missing()[0]


def test_a_pressure_is_not_guessed_to_be_the_command(tmp_path):
    plan = plan_capture(written(tmp_path, lone_solenoid()), RIG)
    assert plan is not None and plan.by is not None
    named = {role: column.name for role, column in plan.by.signals.items()}
    assert named["command"] == "solenoid" and named["pressure_bar"] == "oil pressure (bar)"


def test_names_like_ours_with_a_time_of_the_instruments_own_are_guessed(tmp_path):
    text = "Time (ms),Command,Switch\n" + "".join(f"{t},{c},{s}\n" for t, c, s in rows())
    plan = plan_capture(written(tmp_path, text), RIG)
    assert plan is not None and plan.by is not None and not plan.sure
    assert (plan.by.time, plan.by.time_unit, plan.by.missing()) == ("Time (ms)", "ms", [])


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be"])
def test_our_own_names_in_two_bytes_a_character(tmp_path, encoding):
    text = "\ufefftime_ms,command,switch\n" + "".join(f"{t},{c},{s}\n" for t, c, s in rows())
    ((_, recording),) = read_capture(written(tmp_path, text.encode(encoding)), RIG)
    assert recording.commands.t_ns.tolist() == [200_000_000, 700_000_000]


@pytest.mark.parametrize(
    ("cell", "words"),
    [
        ("08:00:01.500", "time as seconds"),
        ("2026-11-27", "without date"),
        ("27/11/26", "without date"),
        ('"1,000.5"', "without marks between the thousands"),
        ("12 apples", "12 apples"),
    ],
)
def test_a_table_that_is_none_says_which_cell_stands_in_the_way(tmp_path, cell, words):
    path = written(tmp_path, "Clock,Relay,Contact\n" + f"{cell},0,1\n" * 50)
    with pytest.raises(FileProblems, match="row 51") as found:
        plan_capture(path, RIG)
    assert words in str(found.value)
