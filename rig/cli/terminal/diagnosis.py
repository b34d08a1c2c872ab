# SPDX-License-Identifier: MIT
"""A diagnosis as text: for a person on a terminal, as lines of fields for a program."""

from __future__ import annotations

import shlex
import shutil
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from rig.actions.job_checks import READINGS as NOTED
from rig.cli.output import put
from rig.cli.terminal.tsv import tsv_line
from rig.config.files.problems import listed
from rig.core.errors import EXIT_COIL_LIVE, EXIT_OK, EXIT_UNDECIDED
from rig.diagnosis.explain import NOTHING_FOR, in_words
from rig.diagnosis.knowledge.loading import load_knowledge
from rig.diagnosis.knowledge.model import READINGS, Check
from rig.diagnosis.model import CauseFound, Diagnosis, NextCheck, PutRight
from rig.text.words import NO_VALVE, UNREAL, one_line
from rig.text.wrapped import wrapped

if TYPE_CHECKING:
    from rig.actions.job_checks import JobSeen
    from rig.runlog.register import Entry

SHOWN, LEAST_SHOWN = 5, 0.05
WIDTH = 96
BAR = 20
HIDDEN_SHOWN = 4
ENGINE = {"off": "engine off", "idle": "engine at idle", "running": "engine running"}


def show_diagnosis(
    found: Diagnosis, *, tsv: bool, job: str | None = None, mended: bool = False
) -> None:
    """Print it: paragraphs, or `name<TAB>value` lines. `job`: checks are recorded with `rig job
    note`, and not in a file of checks. `mended`: a later run conformed, so that nothing is left to
    check or do."""
    lines = fields(found) if tsv else paragraphs(found, job, mended=mended)
    for line in lines:
        put(line)


def show_about(about: Entry | None, seen: JobSeen) -> None:
    """Print complaint and repair of a job, its checks as noted, and what a later run showed."""
    texts = (("Complaint", about.complaint), ("Repair", about.repair)) if about else ()
    for name, text in texts:
        if text:
            for line in _wrapped(f"{name}: {one_line(text)}", ""):
                put(line)
    if seen.done:
        put("Checks by hand:")
        for done in seen.done:
            for line in _wrapped(one_line(done.line), "  "):
                put(line)
    if seen.run is not None and seen.since is not None:
        put(
            f"{seen.since_words} Before and after: "
            f"rig report {seen.since.id} --before {seen.run.id}"
        )
    if any(text for _, text in texts) or seen.done or seen.since is not None:
        put("")


def paragraphs(found: Diagnosis, job: str | None = None, *, mended: bool = False) -> Iterator[str]:
    """The text for a person, wrapped."""
    word = UNREAL.get(found.source)
    if word:
        yield f"{word}: {NO_VALVE[found.source]}"
        yield ""
    if stayed_live(found):
        yield from _wrapped(
            "THE COIL STAYED LIVE: open the mushroom stop or pull the fuse before anything is "
            "touched.", ""
        )  # fmt: skip
        yield ""
    yield f"Diagnosed: {', '.join(found.runs) or 'checks by hand'}."
    yield _head(found)
    yield ""
    for cause in _shown(found):
        yield from _cause(cause)
    if found.pairs:
        told = [
            f"{a} with {b} ({_percent(p.probability)})" for p in found.pairs for a, b in (p.causes,)
        ]
        yield from _wrapped(f"Two at once: {'; '.join(told)}.", "")
    for text in found.contradictions:
        yield from _wrapped(f"Does not fit: {text}.", "")
    if mended:
        return
    yield ""
    if found.undecided:
        yield from _wrapped(found.undecided, "")
    if found.put_right:
        yield ""
        yield from _put_right(found.put_right)
    elif found.next:
        yield ""
        yield from _check(found.next[0], "Next" if found.undecided else "To be surer", job)
        for other in found.next[1:3]:
            yield from _wrapped(
                f"Or: {other.words} ({other.minutes:g} min, {other.gain_bits:.2f} bit)", "  "
            )
    else:
        yield "No further check would change what to do."
    if found.repairs and found.undecided is None and not found.put_right:
        yield ""
        best = max(found.repairs, key=lambda repair: repair.probability)
        yield from _wrapped(
            f"To do: {best.repair} ({best.minutes:g} min). Then the same test again.", ""
        )
    hidden = [row for row in found.not_observable if row.gain_bits >= LEAST_SHOWN][:HIDDEN_SHOWN]
    if hidden:
        yield ""
        yield "Not observable in these runs:"
        for row in hidden:
            yield from _wrapped(
                f"{row.words}: {row.why} (would tell {row.gain_bits:.2f} bit)", "  "
            )
    yield ""
    yield from _wrapped(found.valve.words, "")


def stayed_live(found: Diagnosis) -> bool:
    """Whether a coil read live although commanded off."""
    return any(one.state == "stays_live" for one in found.findings)


def held_against(good: str | None) -> str:
    """Which known-good run the diagnosis rests on."""
    if good is not None:
        return f"Held against {good} as known-good."
    return "No known-good run was given (--good): a time within its limit cannot be called late."


def exit_code(found: Diagnosis) -> int:
    """Exit code of `rig diagnose`: a coil that stayed live takes precedence over anything clear."""
    if stayed_live(found):
        return EXIT_COIL_LIVE
    return EXIT_OK if found.undecided is None else EXIT_UNDECIDED


def _head(found: Diagnosis) -> str:
    best = found.causes[0]
    name = {"none": "nothing in this chain at fault"}.get(best.cause, best.cause)
    return f"Most likely: {name} ({_percent(best.probability)})"


def _shown(found: Diagnosis) -> list[CauseFound]:
    return [c for n, c in enumerate(found.causes) if n < SHOWN and c.probability >= LEAST_SHOWN]


def _percent(p: float) -> str:
    return f"{100 * p:.0f} %"


def _cause(cause: CauseFound) -> Iterator[str]:
    full = round(BAR * cause.probability)
    bar = "#" * full + "." * (BAR - full)
    part = "" if cause.part == "none" else f" [{cause.part}]"
    yield f"{bar} {_percent(cause.probability):>5}  {in_words(cause.cause)}{part}"
    reasons = cause.speaks_for[:3] or (() if cause.cause == "none" else (NOTHING_FOR,))
    for word, texts in (("for", reasons), ("against", cause.against[:2])):
        for text in texts:
            yield from _wrapped(f"{word}: {text}", "      ")


def _put_right(wrong: PutRight) -> Iterator[str]:
    yield from _wrapped(f"Next: {wrong.words}, before any other check.", "")
    yield from _wrapped(f"found: {wrong.found}", "  ")
    yield from _wrapped(f"then note it again, as it is now: {wrong.check}", "  ")


def _check(check: NextCheck, word: str, job: str | None) -> Iterator[str]:
    yield from _wrapped(
        f"{word}: {check.words}. {check.minutes:g} min, {ENGINE[check.engine]}; {check.why}.", ""
    )
    if check.begin_with != check.check:
        before = load_knowledge().checks[check.begin_with]
        yield from _wrapped(f"First: {before.words}.", "")
        yield from _how(before, before.name, job)
        yield from _wrapped(f"Then: {check.words}.", "")
    yield from _how(check, check.check, job)


def _how(check: NextCheck | Check, name: str, job: str | None) -> Iterator[str]:
    rows = [
        ("need", check.needs), ("take off", check.takes_off), ("how", check.how),
        ("SAFETY", check.safety), ("normal", check.normal),
        ("enter", _entered(name, check.states, job)),
    ]  # fmt: skip
    for name, text in rows:
        yield from _wrapped(f"{name}: {text}", "  ")


def _entered(name: str, states: Iterable[str], job: str | None) -> str:
    found = f"one of {', '.join(states)}"
    readings = READINGS.get(name, ())
    if job is None:
        instead = f", or {listed(readings, 'and')} as read" if readings else ""
        return f'check = "{name}", found = {found}{instead}'
    options = [f"--{key.replace('_', '-')} Q" for key in readings if key in NOTED]
    instead = f"; or as read, {' '.join(options)}" if options else ""
    return f"rig job note {shlex.quote(job)} {name} --found STATE, {found}{instead}"


def _wrapped(text: str, indent: str) -> Iterable[str]:
    return wrapped(text, min(WIDTH, shutil.get_terminal_size().columns), indent)


def fields(found: Diagnosis) -> Iterator[str]:
    """For a program: `name<TAB>value...`, one line each."""
    if found.source in UNREAL:
        yield f"# {UNREAL[found.source]}: {NO_VALVE[found.source]}"
    yield tsv_line("runs", "; ".join(found.runs))
    for cause in found.causes:
        yield tsv_line("cause", cause.cause, cause.part, f"{cause.probability:.4f}")
        yield from (tsv_line("for", cause.cause, text) for text in cause.speaks_for)
        yield from (tsv_line("against", cause.cause, text) for text in cause.against)
    if found.put_right:
        yield tsv_line("put_right", found.put_right.check, found.put_right.words)
    for check in found.next:
        yield tsv_line("next", check.check, f"{check.gain_bits:.3f}", f"{check.minutes:g}",
                    check.begin_with, check.why)  # fmt: skip
    yield tsv_line("undecided", found.undecided or "")
    for text in found.contradictions:
        yield tsv_line("contradiction", text)
    for row in found.not_observable:
        yield tsv_line("not_observable", row.finding, f"{row.gain_bits:.3f}", row.why)
    for part, p in found.part.items():
        yield tsv_line("part", part, f"{p:.4f}")
    for repair in found.repairs:
        yield tsv_line("repair", repair.repair, f"{repair.probability:.4f}", f"{repair.minutes:g}")
    yield tsv_line("valve", found.valve.result, found.valve.words)
