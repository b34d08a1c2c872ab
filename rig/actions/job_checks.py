# SPDX-License-Identifier: MIT
"""Checks by hand on a job, and its diagnosis: for terminal and page.

They are stored as a file of checks beside the run log, in the form that `rig diagnose --checks`
reads: a single form, which a person can open and correct. A copy of the log includes it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from rig.core.errors import FileProblems, UsageError

if TYPE_CHECKING:
    from rig.config.setup.model import Setup
    from rig.diagnosis.checks_file import ChecksFile, HandCheck
    from rig.diagnosis.knowledge.model import Check, Knowledge
    from rig.diagnosis.model import Diagnosis
    from rig.runlog.register import PastRun
    from rig.runlog.store import RunLog

READINGS = ("resistance", "coil_temperature", "at_coil", "at_source")
"""Readings that may be entered with a unit instead of a state."""
LONGEST = 200
NOTHING_WRITTEN = "Nothing was written."


class CheckDone(NamedTuple):
    """A check as it was noted: when (local time to the minute; empty in a file written by hand or
    by an earlier version), and what it found, in words."""

    when: str
    words: str

    @property
    def line(self) -> str:
        return f"{self.when}: {self.words}" if self.when else self.words


class JobSeen(NamedTuple):
    """A job's checks so far and what they and `run` together show; None if nothing was found.
    `good` names the known-good run used for comparison; `since` is the newest run that conformed
    after it, of the same valve or of one put in its place; `done` are all checks as noted."""

    run: PastRun | None
    diagnosis: Diagnosis | None
    good: str | None = None
    since: PastRun | None = None
    done: tuple[CheckDone, ...] = ()

    @property
    def since_words(self) -> str:
        """The run since then, in a sentence; empty if there is none."""
        if self.run is None or self.since is None:
            return ""
        other = self.since.valve != self.run.valve and self.since.valve is not None
        return (
            f"Since then run {self.since.id} conformed"
            f"{f', of valve {self.since.valve}' if other else ''}."
        )


class OutOfOrderError(UsageError):
    """Checks that must come first for safety are not recorded; `words`: one sentence for each."""

    id = "refusal.out-of-order"

    def __init__(self, check: Check, first: Sequence[Check]) -> None:
        name = check.words[:1].upper() + check.words[1:]
        self.words = [
            f"{name}: first comes {one.words}, which is not noted as done on this job. {one.safety}"
            for one in first
        ]
        if check.engine == "off":
            self.words.append(f"{name}: the engine is off for it.")
        super().__init__("\n".join([*self.words, NOTHING_WRITTEN]))


def add_check(path: Path, entry: Mapping[str, str | None], *, out_of_order: bool = False) -> None:
    """Add one check: the keys of a `[[check]]` with texts as typed, empty ones omitted.
    `out_of_order`: a person confirmed that it was done before those that come first for safety; the
    file then says before which.

    Raises UsageError with every problem, OutOfOrderError if nobody confirmed; then nothing is
    written.
    """
    from rig.core.atomic_file import whole_file
    from rig.diagnosis.checks_file import finished, load_checks
    from rig.diagnosis.knowledge.loading import load_knowledge

    knowledge = load_knowledge()
    given = {key: text.strip() for key, text in entry.items() if text and text.strip()}
    wrong = [
        f"{key}: longer than {LONGEST} characters, or with characters that cannot be printed."
        for key, text in given.items()
        if len(text) > LONGEST or not text.isprintable()
    ]
    if wrong:
        raise UsageError("\n".join([*wrong, NOTHING_WRITTEN]))
    check = knowledge.checks.get(given.get("check", ""))
    first: list[Check] = []
    before = path.read_text(encoding="utf-8") if path.exists() else ""
    stamped = given | {"noted": datetime.now(UTC).isoformat(timespec="seconds")}
    lines = [f"{key} = {json.dumps(text, ensure_ascii=False)}" for key, text in stamped.items()]
    path.parent.mkdir(parents=True, exist_ok=True)
    trial = path.with_name(f".{path.name}.trial")
    try:
        if check is not None:
            earlier = load_checks(path, knowledge) if before else None
            first = knowledge.first_done(check, finished(earlier, knowledge))
        if first:
            lines.append(f"before = {json.dumps([one.name for one in first])}")
        block = "\n".join(["[[check]]", *lines]) + "\n"
        trial.write_text(before + block, encoding="utf-8")
        load_checks(trial, knowledge)
    except FileProblems as error:
        told = [f"{one.key.rpartition('.')[2]}: {one.what} {one.remedy}" for one in error.problems]
        raise UsageError("\n".join([*told, NOTHING_WRITTEN])) from error
    finally:
        trial.unlink(missing_ok=True)
    if check is not None and first and not out_of_order:
        raise OutOfOrderError(check, first)
    with whole_file(path, lasting=True) as file:
        file.write(before + block)


def job_seen(log: RunLog, path: Path, past: Sequence[PastRun], good: str | None = None) -> JobSeen:
    """What the checks at `path` and the job's runs `past` (oldest first) together show.

    The run diagnosed is the newest that ended and does not conform, else the newest: a run after
    the repair does not show what was at fault. It is compared with the run that `good` names, else
    with an earlier one of the same valve. Raises UsageError if that is not a known-good run.
    """
    from rig.actions.analyse_run import earlier_good, run_seen
    from rig.actions.diagnose_runs import known_good_run
    from rig.diagnosis.checks_file import load_checks
    from rig.diagnosis.diagnose import diagnose
    from rig.diagnosis.knowledge.loading import load_knowledge

    knowledge = load_knowledge()
    checks = load_checks(path, knowledge) if path.exists() else None
    ended = [run for run in past if run.status != "running" and run.verdict is not None]
    failing = [run for run in ended if run.verdict != "conforms"]
    chosen = (failing or ended)[-1:]
    if not chosen and checks is None:
        return JobSeen(None, None)
    stored = [log.load(run.id) for run in chosen]
    seen = [run_seen(one) for one in stored]
    against = None
    if seen:
        against = known_good_run(log, good, seen) if good else earlier_good(log, stored[0])
    since = [one for one in ended if chosen and one.id > chosen[0].id and one.verdict == "conforms"]
    then = as_found(checks, knowledge) if checks is not None and since else checks
    found = diagnose(knowledge, seen, then, against)
    done = checks_done(checks, knowledge, seen[0].setup if seen else None)
    if not chosen:
        return JobSeen(None, found, done=done)
    return JobSeen(
        chosen[0], found, against.name if against else None, since[-1] if since else None, done
    )


def as_found(checks: ChecksFile, knowledge: Knowledge) -> ChecksFile:
    """The checks without those that say that something found wrong was put right: how it is after
    the repair does not tell what was at fault before."""
    kept: list[HandCheck] = []
    wrong: set[str] = set()
    for one in checks.check:
        if one.found in knowledge.checks[one.check].holds_up:
            wrong.add(one.check)
        elif one.check in wrong:
            continue
        kept.append(one)
    return checks.model_copy(update={"check": tuple(kept)})


def checks_done(
    checks: ChecksFile | None, knowledge: Knowledge, setup: Setup | None
) -> tuple[CheckDone, ...]:
    """Every check of a job in words, in the order in which they were noted; one that was done again
    stands there twice."""
    from rig.diagnosis.checks_file import check_findings
    from rig.text.words import local_minute

    if checks is None:
        return ()
    found = []
    for one in checks.check:
        noted = one.noted and datetime.fromisoformat(one.noted).timestamp()
        when = local_minute(noted) if noted else ""
        (finding,) = check_findings(checks.model_copy(update={"check": (one,)}), knowledge, setup)
        found.append(CheckDone(when, finding.found))
    return tuple(found)
