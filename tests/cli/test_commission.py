# SPDX-License-Identifier: MIT
"""The steps of a commissioning: what each measures, what ends it, and what is never passed."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from commission_parts import ROOT, TEXT, WORKSHOP, made, rig, state

from rig.actions.commission import conduct, measures, record
from rig.actions.commission.at_rest import flag_words
from rig.actions.commission.conduct import STEPS, _do, commission
from rig.actions.commission.hands import Person, SimulatedHands
from rig.actions.commission.lab import ON_NOW, Lab, StillTrippedError, StoppedError
from rig.actions.commission.record import LEFT_OUT, PASSED
from rig.actions.commission.step import Found, said
from rig.actions.commission.trial import Trial
from rig.config.files.loading import load_setup
from rig.config.setup.model import Setup
from rig.core import places
from rig.core.errors import CoilLiveError
from rig.core.recording import RecordingBuilder
from rig.core.records import BENCH_LOST, Command, Edge, End, Sample, Trip
from rig.core.records import Record as Raw
from rig.desk.outcome import Outcome

SHEET = ROOT / "demo" / "workshop.sheet.toml"
MS = 1_000_000
DAY_S = 86_400.0


@pytest.fixture
def setup() -> Setup:
    return load_setup(WORKSHOP).setup


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


def test_the_help_page_has_every_step() -> None:
    text = (ROOT / "webui" / "help" / "commission.md").read_text()
    for row in help_rows():
        assert row in text, row


def help_rows() -> list[str]:
    head = ["| step | with | how | limit |", "|---|---|---|---|"]
    return head + [f"| {s.title} | {s.stage} | {s.how.rstrip('.')} | {s.limit} |" for s in STEPS]
