# SPDX-License-Identifier: MIT
"""The record of a commissioning: what it says, where it is kept, what a later result says."""

from __future__ import annotations

import datetime
import json
import math
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from click.testing import CliRunner, Result

from rig.actions.commission import conduct, measures, record
from rig.actions.commission.at_rest import flag_words
from rig.actions.commission.conduct import STEPS, _do, commission
from rig.actions.commission.hands import Person, SimulatedHands
from rig.actions.commission.lab import ON_NOW, Lab, StillTrippedError, StoppedError
from rig.actions.commission.record import LEFT_OUT, PASSED, Measured, Record, StepResult
from rig.actions.commission.step import Found, said, value
from rig.actions.commission.trial import Trial
from rig.cli.main import cli
from rig.config.dated import months_after
from rig.config.files.loading import load_setup, setup_from_text
from rig.config.setup.model import Setup
from rig.config.setup.wired import wired_hash
from rig.core import places
from rig.core.errors import CoilLiveError
from rig.core.recording import RecordingBuilder
from rig.core.records import BENCH_LOST, Command, Edge, End, Sample, Trip
from rig.core.records import Record as Raw
from rig.desk.outcome import Outcome

ROOT = Path(__file__).parents[2]
WORKSHOP = ROOT / "demo" / "workshop.setup.toml"
SHEET = ROOT / "demo" / "workshop.sheet.toml"
TEXT = WORKSHOP.read_text()
MS = 1_000_000
DAY = datetime.date(2026, 3, 1)
DAY_S = 86_400.0


def rig(*words: str) -> Result:
    return CliRunner().invoke(cli, list(words))


@pytest.fixture
def setup() -> Setup:
    return load_setup(WORKSHOP).setup


def made(setup: Setup, *results: str, **changes: Any) -> Record:
    steps = tuple(
        StepResult(id=f"s{n}", title=f"Step {n}", how="", limit="", result=result, words="")
        for n, result in enumerate(results or (PASSED,))
    ) + tuple(
        StepResult(id=s.id, title=s.title, how="", limit="", result=PASSED, words="") for s in STEPS
    )
    return Record(
        **{
            "rig": record.rig_of(setup), "setup_name": "a", "setup_hash": "b",
            "wired_hash": wired_hash(setup), "source": "simulated", "utc_s": 1000.0, "date": DAY,
            "due": months_after(DAY, 12), "by": "a test", "software": "c", "steps": steps,
            "finished": True,
        }
        | changes
    )  # fmt: skip


# -- what it means for a run


def state(setup: Setup, utc_s: float = 2000.0, day: datetime.date = DAY) -> str:
    found = record.standing(setup, utc_s, day)
    assert found is not None
    assert found["words"]
    return str(found["state"])


def test_a_rig_without_a_record_is_not_commissioned(setup: Setup) -> None:
    assert state(setup) == "not commissioned"


def test_a_record_counts_from_its_instant_to_its_due_date(setup: Setup) -> None:
    record.save(made(setup))
    assert state(setup, 999.0) == "not commissioned"
    assert state(setup) == "commissioned"
    assert state(setup, day=datetime.date(2027, 3, 1)) == "commissioned"
    assert state(setup, day=datetime.date(2027, 3, 2)) == "out of date"


@pytest.mark.parametrize("result", ["failed", "left out"])
def test_a_record_with_a_step_not_passed_commissions_nothing(setup: Setup, result: str) -> None:
    record.save(made(setup))
    record.save(made(setup, PASSED, result, utc_s=1500.0))
    assert state(setup) == "not commissioned"
    assert state(setup, 1400.0) == "commissioned"


@pytest.mark.parametrize(
    ("old", "new", "same"),
    [
        ('feed_side = "supply"', 'feed_side = "ground"', False),
        ("line = 22", "line = 23", False),
        ('contact = "normally open"', 'contact = "normally closed"', False),
        ('"0.5 psi"', '"0.6 psi"', False),
        ('pressure = "80 psi"', 'pressure = "81 psi"', True),
        ("seed = 7", "seed = 8", True),
        ('title = "Invented', 'title = "Another invented', True),
    ],
)
def test_only_a_change_of_what_is_wired_counts(old: str, new: str, same: bool) -> None:
    assert old in TEXT
    before, after = (setup_from_text(text, "x").setup for text in (TEXT, TEXT.replace(old, new)))
    record.save(made(before))
    assert state(after) == ("commissioned" if same else "changed")


def test_a_record_that_cannot_be_read_is_said(setup: Setup) -> None:
    record.save(made(setup)).write_text("{}")
    assert state(setup) == "unknown"
    assert rig("commission", str(WORKSHOP), "--show").exception


def test_due_dates_end_with_the_month() -> None:
    assert months_after(datetime.date(2028, 1, 31), 1) == datetime.date(2028, 2, 29)
    assert months_after(datetime.date(2026, 12, 31), 2) == datetime.date(2027, 2, 28)
    assert months_after(datetime.date(2026, 11, 27), 12) == datetime.date(2027, 11, 27)


# -- figures


def test_a_value_that_is_not_known_holds_no_limit() -> None:
    assert not value("x", float("nan"), "ms", most=1).held
    assert not value("x", 1.1, "ms", most=1).held
    assert not value("x", 0.9, "ms", least=1).held
    assert value("x", 1.0, "ms", least=1, most=1).held
    assert Measured(name="x", value=None, unit="").held  # for information only


def recording(*records: Raw) -> Any:
    builder = RecordingBuilder("simulated")
    for one in records:
        builder.add(one)
    return builder.build()


def test_relay_times_are_from_command_to_first_and_last_edge() -> None:
    got = measures.relay_times(
        recording(
            Command(True, 0, 0, 1),
            Edge("readback", 1, 6 * MS, 1, "kernel"), Edge("readback", 0, 7 * MS, 2, "kernel"),
            Edge("readback", 1, 8 * MS, 3, "kernel"),
            Command(False, 300 * MS, 300 * MS, 1),
            Edge("readback", 0, 304 * MS, 4, "kernel"),
            Command(True, 600 * MS, 600 * MS, 2), Command(False, 900 * MS, 900 * MS, 2),
        )
    )  # fmt: skip
    assert (got.operations, got.followed) == (2, 1)
    assert got.operate_most_ms == got.operate_mean_ms == pytest.approx(6.0)
    assert got.operate_bounce_ms == pytest.approx(2.0)
    assert got.release_most_ms == pytest.approx(4.0)
    assert got.release_bounce_ms == 0.0


def test_drop_out_and_lateness() -> None:
    run = recording(
        Command(True, 0, 0, 1), Edge("readback", 1, 6 * MS, 1, "kernel"),
        Edge("readback", 0, 350 * MS, 2, "kernel"), Command(False, 520 * MS, 520 * MS, 1),
    )  # fmt: skip
    assert measures.drop_out_ms(run, 200 * MS) == pytest.approx(150.0)
    assert measures.drop_out_ms(run, 400 * MS) != measures.drop_out_ms(run, 400 * MS)  # NaN
    assert measures.lateness_ms(run, 0.5) == pytest.approx(20.0)


def test_readings_are_counted_with_their_gaps() -> None:
    t_ms = (0, 100, 200, 500)
    got = measures.readings(
        recording(*(Sample("pressure", 2.0, t * MS, "good") for t in t_ms),
                  Sample("pressure", None, 600 * MS, "lost"))
    )  # fmt: skip
    assert (got.n, got.mean_kpa, got.sd_kpa) == (4, 2.0, 0.0)
    assert (got.interval_s, got.gap_s) == pytest.approx((0.1, 0.3))


def test_flags_of_the_board() -> None:
    # https://www.raspberrypi.com/documentation/computers/os.html#get_throttled: bit 0 under-voltage
    # detected, 2 currently throttled, 16 and 18 the same since boot
    assert flag_words(0) == []
    assert flag_words(0x50005) == [
        "under-voltage now", "throttled now", "under-voltage since boot", "throttled since boot",
    ]  # fmt: skip


# -- the command


def test_the_command_keeps_a_record_that_results_name(tmp_path: Path) -> None:
    before = rig("run", str(WORKSHOP), str(SHEET), "--fast", "--json")
    assert json.loads(before.stdout)["commissioning"]["state"] == "not commissioned"
    done = rig("commission", str(WORKSHOP), "--by", "A. Person", "--fast", "--json")
    assert done.exit_code == 0, done.output
    shape = json.loads(done.stdout)
    assert (shape["result"], shape["by"], shape["source"]) == ("passed", "A. Person", "simulated")
    assert [step["id"] for step in shape["steps"]] == [step.id for step in STEPS]
    shown = rig("commission", str(WORKSHOP), "--show")
    assert shown.exit_code == 0
    assert shown.stdout.startswith("# SIMULATED\nCommissioned on ")
    listed = json.loads(rig("runs", "--json").stdout)["runs"]
    assert {run["purpose"] for run in listed[:-1]} == {"commissioning"} and len(listed) > 1
    assert listed[-1]["purpose"] == "valve"
    after = rig("run", str(WORKSHOP), str(SHEET), "--fast")
    assert f"Rig commissioned on {shape['date']}" in " ".join(after.stdout.split())
    first = json.loads(rig("show", str(json.loads(before.stdout)["run"]), "--json").stdout)
    assert first["commissioning"]["state"] == "not commissioned"  # as it was then


def test_a_step_that_fails_ends_with_exit_code_1_and_a_remedy(tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.setup.toml"
    wrong.write_text(TEXT + '\n[simulated.wiring]\nfeed_side = "ground"\n')
    done = rig("commission", str(wrong), "--by", "A. Person", "--fast")
    assert done.exit_code == 1
    assert "NOT COMMISSIONED" in done.stdout
    assert "Check coil.feed_side" in done.stdout


def test_what_is_refused() -> None:
    assert "--by" in str(rig("commission", str(WORKSHOP), "--fast").exception)
    assert "no record" in str(rig("commission", str(WORKSHOP), "--show").exception)
    board = ROOT / "hardware" / "bench.setup.toml"
    assert "only with a simulated" in str(rig("commission", str(board), "--fast").exception)
    nobody = rig("commission", str(board), "--by", "A. Person").exception
    assert "needs a person at a terminal" in str(nobody)


def test_steps_that_a_person_leaves_out_are_undecided(setup: Setup) -> None:
    assert made(setup, PASSED, LEFT_OUT).exit_code == 5


class Refusing(SimulatedHands):
    """Somebody who has nothing done that would be energised."""

    def ready(self, title: str, ask: str) -> bool:
        return "Hands clear" not in ask


OPTIONS = {"by": "a test", "fast": True, "seed": 1, "months": 12}


def test_nothing_is_energised_without_a_yes_just_before() -> None:
    found = commission(load_setup(WORKSHOP), Refusing(), OPTIONS, lambda _step: None)
    energising = [step.id for step in STEPS if step.stage != "at rest"]
    results = {one.id: one.result for one in found.steps if one.id in energising}
    assert set(results.values()) == {"left out", "not tried"}
    assert results["noise"] == "left out"  # it has no words of its own
    assert results["unit"] == results["answers"] == "not tried"  # no coil before the lamp
    assert not [one for one in found.steps if one.runs]
    assert not (places.data_dir() / "runs.sqlite").exists()


@pytest.mark.parametrize(
    ("outcome", "error"),
    [
        (Outcome(started=True, end=End("finished", "still live", 1)), CoilLiveError),
        (Outcome(started=True, end=End("aborted", "confirmed off", 1)), StoppedError),
    ],
)
def test_a_live_coil_and_a_stop_end_it(
    outcome: Outcome, error: type[Exception], monkeypatch: pytest.MonkeyPatch
) -> None:
    def go(self: Trial) -> int:
        self.outcome = outcome
        return outcome.code

    lab = Lab(load_setup(WORKSHOP), SimulatedHands(), OPTIONS)
    monkeypatch.setattr(Trial, "go", go)
    with pytest.raises(error) as told:
        lab.run(1)
    assert getattr(told.value, "exit_code", None) == outcome.code
    step = next(step for step in STEPS if step.id == "noise")
    with pytest.raises(error):
        _do(step, lab)


@pytest.mark.parametrize("error", [KeyboardInterrupt(), StoppedError("x"), CoilLiveError("x")])
def test_an_older_record_does_not_outlive_a_commissioning_that_was_broken_off(
    setup: Setup, error: BaseException, monkeypatch: pytest.MonkeyPatch
) -> None:
    def measure(_lab: Lab) -> Found:
        assert state(setup, 1e11) == "not commissioned"
        raise error

    record.save(made(setup))
    first, second = (step._replace(needs=lambda _lab: "") for step in STEPS[:2])
    steps = (first._replace(measure=lambda _lab: said(True, "x")), second._replace(measure=measure))
    monkeypatch.setattr(conduct, "STEPS", steps)
    with pytest.raises(type(error)):
        commission(load_setup(WORKSHOP), SimulatedHands(), OPTIONS, lambda _step: None)
    assert state(setup, 1e11) == "not commissioned"
    kept = record.records()[0]
    assert not kept.finished
    live = isinstance(error, CoilLiveError)
    assert [one.result for one in kept.steps] == ["passed"] + ["failed"] * live


class _Bench(Lab):
    """Answers with what is given, and clears nothing."""

    def __init__(self, setup: Setup, trial: Any, found: Any = None) -> None:
        super().__init__(load_setup(WORKSHOP), SimulatedHands(), OPTIONS)
        self.setup, self._gives, self._found, self.cleared = setup, trial, found, False

    def run(self, *_given: Any, **_named: Any) -> Any:
        return self._gives

    def look(self, _state: str = "") -> Any:
        return self._found

    def clear(self) -> None:
        self.cleared = True


def _tripped(rule: str) -> Any:
    trip = Trip(rule, None, None, "", 5 * MS, "It was hot.")
    return SimpleNamespace(outcome=Outcome(trip=trip), struck_ns=0, recording=lambda: None)


@pytest.mark.parametrize("step", ["fuse", "kill", "heartbeat"])
def test_a_trip_that_was_not_provoked_stays_latched(setup: Setup, step: str) -> None:
    lab = _Bench(setup, _tripped("over-pressure"))
    with pytest.raises(StillTrippedError, match=r"over-pressure\. It was hot"):
        next(one for one in STEPS if one.id == step).measure(lab)
    assert not lab.cleared


def test_what_is_live_after_the_kill_is_a_live_coil(setup: Setup) -> None:
    kill = next(one for one in STEPS if one.id == "kill")
    with pytest.raises(CoilLiveError):
        kill.measure(_Bench(setup, _tripped(BENCH_LOST), SimpleNamespace(coil_live=True)))
    bare = setup.model_copy(update={"readback": None})
    found = kill.measure(_Bench(bare, _tripped(BENCH_LOST)))
    assert found.words.endswith("not watched")
    assert [one.name for one in found.measured] == ["kill to the line driven low"]


def test_only_the_readback_passes_an_open_fuse_on_the_ground_side(setup: Setup) -> None:
    ground = setup.model_copy(
        update={"coil": setup.coil.model_copy(update={"feed_side": "ground"})}
    )
    fuse = next(one for one in STEPS if one.id == "fuse")
    for name, result in (("Pressure gauge", "failed"), ("Load side of the relay", "passed")):
        seen = SimpleNamespace(refused=[SimpleNamespace(name=name)])
        assert fuse.measure(_Bench(ground, None, seen)).result == result


@pytest.mark.parametrize("result", ["failed", "left out"])
def test_no_coil_after_the_kill_was_not_passed(
    result: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    fakes = tuple(
        one._replace(ask="", needs=lambda _lab: "", measure=lambda _lab, r=r: Found(r, "x"))
        for one in STEPS
        for r in [result if one.id == "kill" else PASSED]
    )
    monkeypatch.setattr(conduct, "STEPS", fakes)
    done = commission(load_setup(WORKSHOP), SimulatedHands(), OPTIONS, lambda _step: None)
    after = {one.id: one.result for one in done.steps}
    assert after["unit"] == after["answers"] == "not tried"
    assert after["heartbeat"] == ("not tried" if result == "failed" else "passed")


def test_the_yes_comes_after_the_reference(monkeypatch: pytest.MonkeyPatch) -> None:
    order: list[str] = []

    class Asked(SimulatedHands):
        def ready(self, _title: str, ask: str) -> bool:
            order.append("yes" if ON_NOW in ask else "ready")
            return True

        def reference_kpa(self, setup: Setup) -> float | None:
            order.append("reference")
            return super().reference_kpa(setup)

    def go(self: Trial) -> int:
        order.append(f"on, confirmed by {self._options['confirmed_by']}")
        self.confirmed_by, self.outcome = "typed", Outcome(started=True, exit_code=0)
        return 0

    monkeypatch.setattr(Trial, "go", go)
    monkeypatch.setattr(Lab, "simulated", False)
    lab = Lab(load_setup(WORKSHOP), Asked(), OPTIONS)
    lab.run(1)
    lab.run(1)
    _do(next(one for one in STEPS if one.id == "unit"), lab)
    lamp = ["yes", "on, confirmed by None", "yes", "on, confirmed by typed"]
    assert order == [*lamp, "ready", "reference", "yes", "on, confirmed by None"]


def test_a_boot_seen_before_is_kept_with_its_day(monkeypatch: pytest.MonkeyPatch) -> None:
    boot = next(one for one in STEPS if one.id == "boot")
    assert "before `rig commission` is started" in boot.ask  # it ends the program that asks
    monkeypatch.setattr("sys.stdin", SimpleNamespace(isatty=lambda: True))
    person, answers = Person(), iter(["2999-01-01", "2026-03-01"])
    monkeypatch.setattr(
        "click.prompt", lambda *_a, type, **_k: type.convert(next(answers), None, None)
    )
    monkeypatch.setattr("click.confirm", lambda *_a, **_k: True)
    found = boot.measure(Lab(load_setup(WORKSHOP), person, OPTIONS))
    assert found.words == "the lamp stayed dark, seen on 2026-03-01"


def test_an_emulated_board_or_a_missing_step_commissions_no_board() -> None:
    board = load_setup(ROOT / "hardware" / "bench.setup.toml").setup
    for source, expected in (("emulated board", "not commissioned"), ("board", "commissioned")):
        record.save(made(board, source=source))
        assert state(board) == expected
    whole = made(board, source="board")
    record.save(whole.model_copy(update={"steps": whole.steps[:-1]}))
    assert state(board) == "not commissioned"


def test_the_help_page_has_every_step() -> None:
    text = (ROOT / "webui" / "help" / "commission.md").read_text()
    for row in help_rows():
        assert row in text, row


def help_rows() -> list[str]:
    head = ["| step | with | how | limit |", "|---|---|---|---|"]
    return head + [f"| {s.title} | {s.stage} | {s.how.rstrip('.')} | {s.limit} |" for s in STEPS]


# -- what the record says of itself


def test_counts_are_whole_and_values_keep_four_figures() -> None:
    assert value("n", 50.0, "", least=50).words == "50, at least 50"
    assert value("n", 12345.0, "").words == "12345"
    assert value("t", 6.03912, "ms", most=10.0).words == "6.039 ms, at most 10"
    assert value("t", math.nan, "ms", least=-0.5, most=0.5).words == (
        "not known ms, at least -0.5, at most 0.5"
    )


def test_no_record_shows_a_count_with_digits_after_its_point(setup: Setup) -> None:
    step = StepResult(id="relay", title="Relay", how="", limit="", result=PASSED, words="",
                      measured=(value("operations that followed", 50, "", least=50),))  # fmt: skip
    record.save(made(setup).model_copy(update={"steps": (step,)}))
    shown = rig("commission", str(WORKSHOP), "--show").stdout
    assert "operations that followed\t50, at least 50\n" in shown


def test_another_setups_record_is_not_shown_as_this_ones(setup: Setup, tmp_path: Path) -> None:
    other = tmp_path / "other.setup.toml"
    other.write_text(TEXT.replace("line = 22", "line = 23"))
    record.save(made(setup, setup_name="shop/workshop.setup.toml", due=datetime.date(2999, 1, 1)))
    own = rig("commission", str(WORKSHOP), "--show")
    assert own.exit_code == 0
    assert "does not hold" not in own.output
    shown = rig("commission", str(other), "--show")
    assert shown.exit_code == 5
    assert shown.stdout.startswith(
        f"This record does not hold for {other}: wiring changed since the commissioning of "
        "2026-03-01 with workshop.setup.toml."
    )
    as_json = rig("commission", str(other), "--show", "--json")
    assert "does not hold" in as_json.stderr
    assert json.loads(as_json.stdout)["result"] == PASSED


def test_a_record_of_an_earlier_program_says_why_it_does_not_count(setup: Setup) -> None:
    path = record.save(made(setup, software="solenoid-rig 0.1"))
    shape = json.loads(path.read_text())
    del shape["finished"]
    path.write_text(json.dumps(shape))
    shown = rig("commission", str(WORKSHOP), "--show")
    assert shown.exit_code == 3
    assert "of an earlier program (solenoid-rig 0.1), which did not note" in shown.stdout
    assert state(setup) == "not commissioned"


def test_a_step_that_an_earlier_program_did_not_have_is_named(setup: Setup) -> None:
    whole = made(setup, software="solenoid-rig 0.1")
    record.save(whole.model_copy(update={"steps": whole.steps[:-1]}))
    found = record.standing(setup, 2000.0, DAY)
    assert found is not None
    assert found["words"] == (
        f'the commissioning of {DAY}, by solenoid-rig 0.1, lacks "{STEPS[-1].title}"'
    )
