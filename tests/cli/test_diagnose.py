# SPDX-License-Identifier: MIT
"""`rig diagnose` as a person meets it: words, JSON, exit codes, refusals."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from rig.actions.analyse_run import analysed, opened_log, run_seen
from rig.cli.main import answer, cli

DEMO = Path(__file__).parents[2] / "demo"


@pytest.fixture
def shop(tmp_path, monkeypatch):
    """A log with a run of the sound rig (1) and one of a clogged inlet screen (2)."""
    monkeypatch.setenv("RIG_DATA", str(tmp_path / "data"))
    setup = (DEMO / "workshop.setup.toml").read_text()
    sheet = tmp_path / "x.sheet.toml"
    sheet.write_text((DEMO / "workshop.sheet.toml").read_text().replace("= 20\n", "= 8\n", 1))
    for fault in ("none", "clogged inlet screen"):
        (tmp_path / "x.setup.toml").write_text(
            setup.replace("seed = 7", f'seed = 7\nfault = "{fault}"')
        )
        call("run", tmp_path / "x.setup.toml", sheet, "--fast", "--valve", "V-1")
    return tmp_path


def call(*words):
    return CliRunner().invoke(cli, [str(word) for word in words])


def test_the_json_has_the_shape_that_is_promised(shop):
    done = call("diagnose", "last", "--good", "1", "--json")
    found = json.loads(done.stdout)
    assert done.exit_code == (5 if found["undecided"] else 0)
    first = found["causes"][0]
    assert first["cause"] == "clogged inlet screen" and first["part"] == "oil"
    assert set(first) >= {"cause", "part", "probability", "for", "against"}
    assert any("ms against" in text for text in first["for"])
    unsure = json.loads(call("diagnose", "last", "--json").stdout)  # without the known-good run
    assert set(unsure["next"][0]) >= {"check", "gain_bits", "minutes", "why"}
    assert {row["finding"] for row in found["not_observable"]} >= {"current", "base"}
    assert sum(found["part"].values()) >= 0.98
    assert found["source"] == "simulated"
    assert found["valve"]["result"] in ("conforms", "not_judged")


def test_the_verdict_is_that_of_the_log_and_of_a_new_analysis_that_of_the_recording(shop):
    with opened_log() as log:
        stored = log.load(2)
        found = run_seen(stored)
        logged = log.result(2)["verdict"]["result"]
        assert found.judged_as == found.verdict == logged == "does_not_conform"
        assert found.result.next_check == found.result.verdict.next_check
        anew = analysed(replace(stored, verdict="conforms"))
        assert anew["verdict"]["result"] == logged and "not judged" in anew["of_the_valve"]["words"]
        assert run_seen(replace(stored, status="running")).judged_as is None


def test_lines_for_a_program_say_that_it_is_simulated(shop):
    lines = call("diagnose", "2", "--good", "1", "--tsv").stdout.splitlines()
    assert lines[0].startswith("# SIMULATED")
    fields = [line.split("\t") for line in lines[1:]]
    causes = [row for row in fields if row[0] == "cause"]
    assert causes[0][1:3] == ["clogged inlet screen", "oil"]
    assert [row for row in fields if row[0] == "valve"]


def test_words_for_a_person(shop):
    from rig.actions.diagnose_runs import diagnosed
    from rig.cli.terminal.diagnosis import paragraphs

    text = "\n".join(paragraphs(diagnosed(["2"], good="1")))
    assert text.startswith("SIMULATED")
    assert "Most likely: clogged inlet screen" in text
    doubt = "\n".join(paragraphs(diagnosed(["2"])))  # no known-good run: a check is needed
    assert "SAFETY:" in doubt and "Next: " in doubt and "Not observable in these runs:" in doubt
    assert max(len(line) for line in (text + "\n" + doubt).splitlines()) <= 100


def test_several_runs_and_checks_together(shop):
    checks = shop / "job.checks.toml"
    checks.write_text('[[check]]\ncheck = "oil_level"\nfound = "right"\n'
                      '[[check]]\ncheck = "screen"\nfound = "clogged"\n')  # fmt: skip
    done = call("diagnose", "2", "2", "--good", "1", "--checks", checks, "--json")
    found = json.loads(done.stdout)
    assert done.exit_code == 0, found["undecided"]
    assert found["undecided"] is None
    assert found["repairs"][0]["repair"] == "clean or renew the inlet screen"
    assert found["next"] == []


def test_an_own_file_of_causes(shop):
    from rig.diagnosis.knowledge.loading import FOLDER

    own = shop / "own.toml"
    text = (FOLDER / "causes.toml").read_text()
    own.write_text(text.replace('name = "clogged inlet screen"', 'name = "gummed screen"'))
    found = json.loads(call("diagnose", "2", "--good", "1", "--causes", own, "--json").stdout)
    assert found["causes"][0]["cause"] == "gummed screen"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("99",), "99"),
        (("first",), "not a run"),
        (("2", "--checks", "missing.toml"), "no such file"),
        (("2", "--causes", "missing.toml"), "no such file"),
        ((), "RUN"),
    ],
)
def test_a_mistake_is_answered_in_words_and_with_2(shop, capsys, words, told):
    assert answer(["diagnose", *words]) == 2
    said = capsys.readouterr()
    assert told.lower() in (said.err + said.out).lower()
    assert "Traceback" not in said.err


def test_a_lock_that_nothing_was_seen_of_has_nothing_for_it(shop):
    found = json.loads(call("diagnose", "1", "--json").stdout)
    locks = [one for one in found["causes"] if one["cause"].startswith("rocker lock stuck")]
    assert locks
    assert all(one["for"] == [] for one in locks)
    text = call("diagnose", "1").stdout
    assert "nothing seen that a sound rig, or another cause, would not" in text
