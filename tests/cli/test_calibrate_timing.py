# SPDX-License-Identifier: MIT
"""Known truth: a simulated rig whose inputs are late by known amounts measures itself, and with
what it finds the times of its strokes are covered."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from rig.actions.calibrate_timing import read_record, sheet_text
from rig.cli.main import answer, cli
from rig.config.files.loading import load_setup, sheet_from_text
from rig.config.plant.parts import RelayPart
from rig.core.errors import UsageError
from rig.runlog.store import RunLog

DEMO = Path(__file__).parents[2] / "demo/workshop.setup.toml"
SHEET = 'kind = "strokes"\nstrokes = 100\non_time = "120 ms"\nrest = "120 ms"\n'
LAGS_MS = {
    "readback_lag_live": 0.05, "readback_lag_dead": 0.15, "switch_lag_close": 0.35,
    "switch_lag_open": 0.60,
}  # fmt: skip
SPREAD_MS = 0.02
STROKES = 100
RELAY = RelayPart()


def rig(path: Path, lags_ms: dict[str, float], *, contact: str = "normally open",
        feed_side: str = "supply", readback: bool = True) -> Path:  # fmt: skip
    text = DEMO.read_text().replace("normally open", contact).replace('"supply"', f'"{feed_side}"')
    if not readback:
        text = re.sub(r"\[readback\]\nline = \d+\n", "", text)
    lines = [f'{name} = "{ms} ms"' for name, ms in lags_ms.items()]
    spread = SPREAD_MS if lags_ms else 0.0
    path.write_text(
        "\n".join([text, "[simulated.wiring]", *lines, f'lag_spread = "{spread} ms"', ""])
    )
    return path


def measure(setup: Path, *more: str) -> Any:
    record = setup.with_suffix(".json")
    words = ["calibrate", str(setup), "--timing", "--fast", "--strokes", str(STROKES), "--write",
             "--by", "M. Example", "--record", str(record), *more]  # fmt: skip
    done = CliRunner().invoke(cli, words)
    assert done.exit_code == 0, done.output
    assert "SIMULATED: no rig was measured." in done.output
    return read_record(json.loads(record.read_text()))


def strokes(setup: Path, sheet: Path) -> dict[str, Any]:
    done = CliRunner().invoke(cli, ["run", str(setup), str(sheet), "--fast", "--json"])
    shape: dict[str, Any] = json.loads(done.stdout.strip().splitlines()[-1])
    assert shape["status"] == "finished", done.output
    return shape


@pytest.mark.parametrize(
    ("contact", "feed_side"),
    [("normally open", "supply"), ("normally closed", "supply"), ("normally open", "ground")],
)
def test_it_finds_how_late_its_inputs_are(rig_data, tmp_path, contact, feed_side):
    """The mean within four times its uncertainty (6 in 100,000 by chance), the sd of the difference
    of two lags within a third, which is as far for some 60 strokes (chi-square). With a normally
    closed contact one input is slow where the other is quick: what each shows of a bounce then
    differs and is rightly scatter, so that relay does not bounce."""
    setup = rig(tmp_path / "a.setup.toml", LAGS_MS, contact=contact, feed_side=feed_side)
    if contact == "normally closed":
        setup.write_text(setup.read_text() + "[simulated.relay]\nbounces_max = 0\n")
    record = measure(setup)
    live, dead, close, opened = LAGS_MS.values()
    on, off = (close, opened) if contact == "normally open" else (opened, close)
    ways = record.times.response, record.times.release
    truth = (on - live, off - dead)
    delays_s = RELAY.operate_time_s, RELAY.release_time_s
    lags = (live, dead)
    for way, true_ms, delay_s, lag_ms in zip(ways, truth, delays_s, lags, strict=True):
        assert way.n > 40
        assert abs(way.mean_ms - true_ms) < 4 * way.sd_ms / math.sqrt(way.n)
        assert way.sd_ms == pytest.approx(math.sqrt(2) * SPREAD_MS, rel=0.33)
        middle, reach = 1e3 * delay_s + lag_ms, 5 * 1e3 * RELAY.time_spread_s
        assert middle - reach < way.least_ms < middle < way.most_ms < middle + reach
    made = load_setup(setup).setup.timing
    assert made is not None
    assert (made.source, made.run) == ("simulated", 1)
    assert made.wired == load_setup(setup).setup.wired_for_timing
    assert (made.timed_from, made.by, made.response_n) == ("read-back", "M. Example", ways[0].n)
    assert made.release_mean_s == pytest.approx(1e-3 * ways[1].mean_ms, abs=1e-9)
    assert made.operate_delay_s[0] <= 1e-3 * ways[0].least_ms < made.operate_delay_s[1]
    assert read_record(json.loads(json.dumps(record.as_json()))) == record


def test_it_is_a_run_like_any_other(rig_data, tmp_path):
    """Logged with its edges, and its on-time counted: the coil's heat is carried on."""
    setup = rig(tmp_path / "a.setup.toml", LAGS_MS)
    before = setup.read_text()
    record = measure(setup)
    with RunLog(rig_data / "runs.sqlite") as log:
        stored = log.load(record.run)
        assert stored.header.purpose == "own timing", "it judged no valve"
    assert (stored.status, stored.header.source, stored.header.valve) == (
        "finished", "simulated", None,
    )  # fmt: skip
    assert "no valve" in (stored.header.sheet_text or "")
    assert "timing_loop = true" in stored.header.setup_text
    assert setup.read_text().startswith(before)  # the loop is wired in the run's setup alone
    assert "timing_loop" not in setup.read_text()
    again = CliRunner().invoke(cli, ["run", str(setup), str(_sheet(tmp_path)), "--fast"])
    assert re.search(r"coil on for (1[0-9]|[1-9])\.\d s of the last 60 s", again.output)
    # and a second one takes the place of the first
    measure(setup, "--seed", "3")
    assert setup.read_text().count("[timing]") == 1


def _sheet(folder: Path) -> Path:
    path = folder / "strokes.sheet.toml"
    path.write_text(SHEET)
    return path


def covered(shape: dict[str, Any], true: dict[str, Any], name: str) -> tuple[float, float]:
    """Share of single strokes whose interval holds the true time, and half its width (ms)."""
    budget = shape["budget"][f"single_{name}"]
    pairs = [
        (one[name] + budget["correction"], other[name])
        for one, other in zip(shape["strokes"], true["strokes"], strict=True)
        if one[name] is not None and other[name] is not None
    ]
    assert len(pairs) > 95
    return sum(abs(a - b) <= budget["U"] for a, b in pairs) / len(pairs), budget["U"]


@pytest.mark.parametrize("readback", [True, False])
def test_the_coverage_of_a_stroke(rig_data, tmp_path, readback):
    """The same seed without lags and with a read-back is the truth. At 95 % fewer than 86 of 100
    strokes would be covered 1 time in 3,000 (binomial, scipy)."""
    lags = {"readback_lag_live": 0.05, "readback_lag_dead": 0.05, "switch_lag_close": 0.4,
            "switch_lag_open": 0.4}  # fmt: skip
    sheet = _sheet(tmp_path)
    true = strokes(rig(tmp_path / "true.setup.toml", {}), sheet)
    setup = rig(tmp_path / "late.setup.toml", lags, readback=readback)
    assumed = strokes(setup, sheet)
    assert assumed["timing"]["state"] == "assumed, not measured"
    measure(setup, "--seed", "90210")
    measured = strokes(setup, sheet)
    assert measured["timing"]["state"] == "in date"
    assert measured["strokes"] == assumed["strokes"]  # only what is made of them differs
    for name in ("response_ms", "release_ms"):
        share, half_ms = covered(measured, true, name)
        was, was_half_ms = covered(assumed, true, name)
        assert share >= 0.86, name
        if readback:
            assert was < 0.1  # the bounds taken for a rig do not hold for this one
        else:
            assert was > 0.95
            assert half_ms < was_half_ms / 3


def test_a_board_in_virtual_time_and_a_gauge_beside_are_refused(rig_data, tmp_path, capsys):
    board = Path(__file__).parents[2] / "hardware/bench.setup.toml"
    mine = tmp_path / "b.setup.toml"
    mine.write_bytes(board.read_bytes())
    assert answer(["calibrate", str(mine), "--timing", "--fast"]) == 2
    assert "only with a simulated rig" in capsys.readouterr().err
    assert answer(["calibrate", str(DEMO), "--timing", "--point", "1 kPa=1 kPa"]) == 2
    assert "--timing measures no gauge" in capsys.readouterr().err


def test_a_loop_that_does_not_follow_writes_nothing(rig_data, tmp_path):
    """A switch wire that is off: the run is kept, exit code 5."""
    setup = rig(tmp_path / "a.setup.toml", {})
    setup.write_text(setup.read_text() + 'switch_wire = "open"\n')
    before = setup.read_text()
    done = CliRunner().invoke(
        cli, ["calibrate", str(setup), "--timing", "--fast", "--strokes", "30", "--write"]
    )
    assert done.exit_code == 5, done.output
    assert "Run 1 is kept, and nothing was written" in done.output
    assert setup.read_text() == before


def test_the_strokes_keep_to_the_limits():
    setup = load_setup(DEMO).setup
    page = sheet_from_text(sheet_text(setup, 40), "s").sheet
    assert page.strokes == 40
    assert page.on_time_s / (page.on_time_s + page.rest_s) <= 0.5 * setup.limits.duty + 1e-9
    slow = setup.model_copy(
        update={"relay": setup.relay.model_copy(update={"release_delay_s": 0.2})}
    )
    assert sheet_from_text(sheet_text(slow, 40), "s").sheet.on_time_s == pytest.approx(0.6)


@pytest.mark.parametrize("data", [{}, {"run": 1}, {"response": 3}])
def test_what_is_no_record_is_refused(data):
    with pytest.raises(UsageError, match="no record of a rig's own timing"):
        read_record(data)


@pytest.mark.parametrize(("due", "words"), [("2999-01-01", "due 2999"), ("2026-01-02", "due 2026")])
def test_before_a_run_and_by_rig_check_it_is_said_whether_it_is_in_date(
    rig_data, tmp_path, capsys, due, words
):
    setup = rig(tmp_path / "a.setup.toml", {})
    way = '{0}_n = 100\n{0}_mean = "0.1 ms"\n{0}_sd = "0.01 ms"\n'
    setup.write_text(
        f'{setup.read_text()}\n[timing]\ndate = "2026-01-01"\ndue = "{due}"\n'
        f'timed_from = "read-back"\nsource = "simulated"\nrun = 1\n'
        f'wired = "{load_setup(setup).setup.wired_for_timing}"\n'
        f"{way.format('response')}{way.format('release')}"
        'operate_delay = ["5 ms", "7 ms"]\nrelease_delay = ["3 ms", "4 ms"]\n'
    )
    sheet = tmp_path / "one.sheet.toml"
    sheet.write_text('kind = "strokes"\nstrokes = 3\non_time = "200 ms"\nrest = "200 ms"\n')
    done = CliRunner().invoke(cli, ["run", str(setup), str(sheet), "--fast"])
    assert re.search(rf"Rig's own times\s+measured 2026-01-01, {words}", done.stderr)
    assert answer(["check", str(setup)]) == 0
    shown = capsys.readouterr()
    assert ("timing is OUT OF DATE" in shown.out + shown.err) == (words == "due 2026")
