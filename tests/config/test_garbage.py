# SPDX-License-Identifier: MIT
"""Whatever stands in a file: a setup or sheet, or FileProblems that can be printed."""

from __future__ import annotations

import json
from typing import Any

from config_texts import HOLD, RAMP, SETUP, STROKES, put
from hypothesis import example, given
from hypothesis import strategies as st

from rig.config.files.loading import load_setup, pair_from_texts, setup_from_text, sheet_from_text
from rig.config.files.resolved import dump, setup_from_plan, sheet_from_plan
from rig.core.errors import FileProblems

MODELS = {"setup": SETUP, "strokes": STROKES, "hold": HOLD, "ramp": RAMP}


def lines_with_values(text: str) -> list[tuple[str, str]]:
    """The dotted keys of a good file, outside lists of tables, with their values."""
    found, table = [], ""
    for line in text.split("[[")[0].splitlines():
        if line.startswith("["):
            table = line.strip("[]") + "."
        else:
            key, _, value = line.partition(" = ")
            found.append((table + key, value))
    return found


def must_load_or_refuse(text: str, *, sheet: bool) -> None:
    try:
        sheet_from_text(text, "x") if sheet else setup_from_text(text, "x")
    except FileProblems as error:
        assert error.problems
        shown = str(error)
        shown.encode()  # no lone surrogates
        assert all(c.isprintable() or c == "\n" for c in shown)
        for problem in error.problems:
            assert problem.file == "x"
            assert problem.what
            assert problem.remedy
            assert "http" not in problem.what


# Numbers and texts that have hurt somebody before.
NASTY = st.sampled_from([
    "nan", "-nan", "inf", "-inf", "1e400", "0", "-0.0", "true", "9" * 400, "0x7fffffffffffffff",
    "1979-05-27T07:32:00Z", "07:32:00", "[]", "{}", "[[], []]", '["0 psi", "1 psi"]', "''",
    '"nan psi"', '"inf s"', '"1_000 ms"', '"1e308 min"', '"-5 A"', '"0 s"', '"5"', '"5 A A A"',
    '"1 psi**9**9**9"', '"\\u0000"', '"\\u001b]0;x\\u0007"', '"5 \\u00b5s"', '"{pressure}"',
    '"' + "a " * 3000 + '"', "[" * 50 + "]" * 50, "{ a = { b = { c = { d = { e = 1 } } } } }",
])  # fmt: skip
TEXTS = st.text(max_size=30).map(json.dumps)  # JSON's escapes are TOML's, but for surrogates
QUANTITIES = st.builds(
    lambda n, unit: f'"{n} {unit}"',
    st.one_of(st.integers(), st.floats()),
    st.sampled_from(["psi", "kPa", "ms", "s", "A", "V", "ohm", "%", "Hz", "psi/s", "m", "", "x"]),
)
VALUES = st.one_of(NASTY, TEXTS, QUANTITIES, st.integers().map(str), st.floats().map(str))


@given(text=st.text(max_size=300), sheet=st.booleans())
@example(text="\ufeff", sheet=False)
@example(text="a.b.c.d.e.f.g.h.i = 1", sheet=True)
@example(text="[" * 500, sheet=True)
@example(text="\n".join(f"k{n} = {n}" for n in range(2000)), sheet=True)
def test_any_text(text: str, sheet: bool) -> None:
    must_load_or_refuse(text, sheet=sheet)


@given(data=st.data(), name=st.sampled_from(list(MODELS)))
def test_a_good_file_with_some_values_replaced(data: st.DataObject, name: str) -> None:
    text = MODELS[name]
    keys = [key for key, _ in lines_with_values(text)]
    for key in data.draw(st.lists(st.sampled_from(keys), min_size=1, max_size=4)):
        text = put(text, key, data.draw(st.one_of(VALUES, st.none())))
    must_load_or_refuse(text, sheet=name != "setup")


@given(
    lines=st.lists(
        st.tuples(st.sampled_from(["figure", "of", "max", "min", "x"]), VALUES), max_size=4
    ),
    base=st.sampled_from([STROKES, HOLD, RAMP]),
)
def test_any_acceptance_limit(lines: list[tuple[str, str]], base: str) -> None:
    entry = "\n".join(f"{key} = {value}" for key, value in lines)
    must_load_or_refuse(f"{base}\n[[accept]]\n{entry}\n", sheet=True)


@given(data=st.binary(max_size=200))
def test_any_bytes(data: bytes, tmp_path_factory: Any) -> None:
    path = tmp_path_factory.getbasetemp() / "garbage.toml"
    path.write_bytes(data)
    try:
        load_setup(path)
    except FileProblems as error:
        assert error.problems


@given(
    voltage_mv=st.integers(6_000, 36_000),
    resistance_mohm=st.integers(3_000, 100_000),
    limit_kpa=st.integers(560, 1_000),
    period_ms=st.integers(1, 400),
    lines=st.permutations([12, 13, 16, 17, 22, 25, 27]),
    feed=st.sampled_from(["supply", "ground"]),
    strokes=st.integers(1, 100_000),
    on_ms=st.integers(21, 1_400),
)
def test_good_files_go_through_a_plan_unchanged(
    voltage_mv: int,
    resistance_mohm: int,
    limit_kpa: int,
    period_ms: int,
    lines: list[int],
    feed: str,
    strokes: int,
    on_ms: int,
) -> None:
    text = SETUP
    for key, value in [
        ("coil.supply_voltage", f'"{voltage_mv} mV"'),
        ("coil.resistance", f'"{resistance_mohm} mohm"'),
        ("coil.fuse", '"20 A"'),
        ("coil.feed_side", f'"{feed}"'),
        ("limits.pressure", f'"{limit_kpa} kPa"'),
        ("gauge.period", f'"{period_ms} ms"'),
        ("relay.line", str(lines[0])),
        ("switch.line", str(lines[1])),
        ("readback.line", str(lines[2])),
    ]:
        text = put(text, key, value)
    sheet_text = put(put(STROKES, "strokes", str(strokes)), "on_time", f'"{on_ms} ms"')
    sheet_text = put(sheet_text, "rest", '"1 s"')
    loaded, sheet = pair_from_texts(text, "x", sheet_text, "y")
    setup = loaded.setup
    assert abs(setup.coil.supply_voltage_v * 1e3 - voltage_mv) < 1e-6
    assert abs(setup.coil.resistance_ohm * 1e3 - resistance_mohm) < 1e-6
    plan = json.loads(json.dumps(dump(setup)))
    assert setup_from_plan(plan) == setup
    assert json.loads(json.dumps(dump(setup_from_plan(plan)))) == plan
    assert sheet_from_plan(json.loads(json.dumps(dump(sheet.sheet))), setup) == sheet.sheet
