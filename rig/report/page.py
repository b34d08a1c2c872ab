# SPDX-License-Identifier: MIT
"""A run as one sheet of paper: HTML shown by the page, written by the command line, and turned into
PDF. One template for all three."""

from __future__ import annotations

import base64
import functools
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from rig import __version__
from rig.core.figures import short_names
from rig.report import plots, qr, words
from rig.text.rounded import difference_text, interval_text
from rig.text.words import commissioning, local_time, no_valve_words

if TYPE_CHECKING:
    from jinja2 import Environment

    from rig.config.setup.model import Setup
    from rig.config.sheet.model import Sheet
    from rig.core.recording import Recording
    from rig.core.results.comparison import Comparison
    from rig.core.results.run import Result, Rule, Verdict
    from rig.runlog.header import RunHeader

TEMPLATES = Path(__file__).parent / "templates"
PAPERS = {"a4": "A4", "letter": "letter"}
"""Paper names as typed -> as in CSS (ISO 216 A4, 8.5 in x 11 in)."""
TIGHTER = (
    "",
    "body { font-size: 7pt; line-height: 1.18 } .plot { width: 43% }",
    "body { font-size: 6.4pt; line-height: 1.15 } .plot { width: 33% }",
)
"""Smaller styles for a PDF that does not fit its one sheet: a long note, small paper, a wide
font."""
RULES_NAMED = 13
CAUTIONS = 3
CHECKS = 4


class JobWork(NamedTuple):
    """What a person wrote on the run's job: complaint, checks by hand in words, work done."""

    complaint: str = ""
    checks: tuple[str, ...] = ()
    repair: str = ""


NOTHING_WRITTEN = JobWork()


class Photo(NamedTuple):
    """A photo printed on its own sheet behind the report: its number in the log, the JPEG, its
    caption."""

    number: int
    jpeg: bytes
    words: str


@dataclass(frozen=True)
class Reported:
    """Input of a report. `result` is the JSON of a run; `recording` is None where the raw records
    cannot be read, `setup` and `sheet` likewise. `comparison` is what compare_runs gives for
    (before, this run), `refused` why the two are not compared."""

    number: int
    result: Result
    header: RunHeader
    setup: Setup | None = None
    sheet: Sheet | None = None
    recording: Recording | None = None
    comparison: Comparison | None = None
    refused: str = ""
    photos: tuple[Photo, ...] = ()
    work: JobWork = NOTHING_WRITTEN


def css() -> str:
    """The paper's style sheet, for screen and print."""
    return (TEMPLATES / "report.css").read_text(encoding="utf-8")


def content(run: Reported) -> dict[str, Any]:
    """All variables of the template."""
    result, header = run.result, run.header
    verdict, end = result["verdict"], result["end"]
    word, no_valve = words.UNREAL.get(result["source"], ("", ""))
    return {
        "number": run.number,
        "across": word,
        "no_valve": no_valve,
        "no_valve_words": no_valve_words(header.purpose),
        "facts": _facts(run),
        "conditions": words.listed(words.conditions(header.conditions), 9),
        "setup_lines": words.setup_lines(run.setup),
        "cautions": _cautions(run),
        "verdict": words.VERDICTS.get(verdict["result"], "NOT TESTED"),
        "why": words.told(verdict["why"], 420),
        "next_check": _next_check(verdict, _of_the_valve(result)),
        "next_caution": words.told(verdict.get("next_caution") or "", 420),
        "valve": _of_the_valve(result),
        "risk": words.risk(result),
        "limits": words.limits(result)[:6],
        "more_limits": max(0, len(words.limits(result)) - 6),
        "figures": words.figures(result),
        "caveats": _caveats(result),
        "plots": [*plots.figure_plots(result), *plots.trace_plots(result, run.recording)],
        "trip": result["trip"],
        "off": end and end["off"],
        "watched": _rules(header.watched),
        "not_watched": _rules(header.not_watched),
        "comparison": run.comparison,
        "refused": words.told(run.refused, 240),
        "work": _work(run),
        "code": qr.svg(qr.run_text(header.uid)),
        "code_text": qr.run_text(header.uid),
        "note": words.clipped(header.note, 220),
        "software": f"solenoid rig {__version__}",
    }


def render(
    run: Reported, *, style_href: str = "", icon_href: str = "", stop_href: str = "",
    links: Mapping[str, str] | None = None, paper: str = "", tight: int = 0,
    photo_href: Callable[[int], str] | None = None,
) -> str:  # fmt: skip
    """The report as an HTML document.

    Without `style_href` the style is embedded, and the document is self-contained. `links` are
    words -> addresses shown above the paper on a screen, never printed; so is a stop that posts to
    `stop_href`. `paper` (a key of PAPERS) fixes the size; empty leaves it to the printer.
    `photo_href` gives the address of a photo, which is otherwise embedded. `tight` (an index into
    TIGHTER) is smaller print.
    """
    template = _environment().get_template("report.html")
    return template.render(
        **content(run), style="" if style_href else css(), style_href=style_href,
        icon_href=icon_href, stop_href=stop_href, links=links or {},
        paper=PAPERS.get(paper, ""), tight=TIGHTER[tight],
        photos=[
            (photo_href(one.number) if photo_href else _inside(one.jpeg), one.words)
            for one in run.photos
        ],
    )  # fmt: skip


def _inside(jpeg: bytes) -> str:
    return f"data:image/jpeg;base64,{base64.b64encode(jpeg).decode()}"


def sheets(run: Reported) -> int:
    """Number of sheets of paper: one, plus one for its photos."""
    return 2 if run.photos else 1


def ever_tighter(run: Reported, paper: str) -> Iterator[str]:
    """The report for this paper in smaller and smaller print, for pdf.to_pdf to choose from."""
    for tight in range(len(TIGHTER)):
        yield render(run, paper=paper, tight=tight)


@functools.cache
def _environment() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    made = Environment(
        loader=FileSystemLoader(TEMPLATES), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    made.filters["number"] = words.number
    made.globals.update(
        difference_text=difference_text, interval_text=interval_text, short_names=short_names
    )
    made.filters["clipped"] = words.clipped
    made.filters["told"] = words.told
    made.globals["trip_value"] = words.trip_value
    return made


def _facts(run: Reported) -> list[tuple[str, str]]:
    header, result = run.header, run.result
    wall = header.wall
    when = local_time(wall.utc_s) + words.clock_flag(wall.synchronised)
    sheet = words.clipped(header.sheet_name or "none", 40)
    if header.sheet_hash:
        sheet += f" ({header.sheet_hash[:10]})"
    facts = [
        ("Valve", words.clipped(header.valve or "not stated", 60)),
        ("Job", words.clipped(header.job or "not stated", 40)),
        ("By", words.clipped(header.by or "not stated", 40)),
        ("Started", when),
        ("Sheet", sheet),
        ("Setup", f"{words.clipped(header.setup_name, 40)} ({header.setup_hash[:10]})"),
        ("Source", result["source"] + (f", seed {header.seed}" if header.seed is not None else "")),
        ("State of the run", result["status"]),
        ("Coil at the end", result["end"]["off"] if result["end"] else "not recorded"),
        ("Commissioning", commissioning(result) or "not known"),
        ("Recorded with", words.clipped(header.software, 30)),
    ]
    if header.mount is not None:
        facts.append(("Mount", str(header.mount)))
    return facts


def _work(run: Reported) -> list[tuple[str, str]]:
    work = run.work
    checks = words.listed([words.clipped(line, 130) for line in work.checks], CHECKS)
    rows = [
        ("Complaint", words.clipped(work.complaint, 160)),
        ("Checks by hand", "; ".join(checks)),
        ("Work done", words.clipped(work.repair, 160)),
    ]
    return [row for row in rows if row[1]]


def _cautions(run: Reported) -> list[str]:
    from rig.config.setup.cautions import cautions, sheet_cautions

    if run.setup is None:
        return ["The setup kept with this run cannot be read by this software."]
    found = cautions(run.setup)
    if run.sheet is not None:
        found += sheet_cautions(run.setup, run.sheet)
    return words.listed([words.told(one.words, 190) for one in found], CAUTIONS)


def _caveats(result: Result) -> list[str]:
    """Cautions to be read with the figures."""
    found = [words.told(f"Doubtful: {mark}.", 150) for mark in result["doubtful"]]
    reference, of_strokes = result["reference"], result["kind"] == "strokes"
    if reference["of"] == "command" and of_strokes:
        allowed = reference["response_ms"]
        least = reference["response_least_ms"] or 0.0
        span = (
            f" ({least:.1f} to {allowed:.1f} ms)"
            if allowed
            else ", and how long it is is not known"
        )
        found.insert(
            0,
            f"Timed from the command, without read-back: the relay's delay is in the times{span}.",
        )
    if result["calibration"] and result["calibration"]["state"] == "out of date":
        found.insert(0, "The gauge's calibration was OUT OF DATE.")
    own = result["timing"]
    if own and of_strokes:
        if own["state"] == "out of date":
            found.insert(0, "The rig's own timing was OUT OF DATE.")
        elif own["date"] is None:
            found.append(f"The rig's own times are {own['state']}.")
    if result["missed"]["words"]:
        found.append(f"Answered: {result['missed']['words']}.")
    return words.listed(found, 4)


def _of_the_valve(result: Result) -> str:
    """What holds for the valve; empty for a result without it, or where nothing was judged."""
    valve = result.get("of_the_valve")
    if not valve or not result["verdict"]["limits"]:
        return ""
    return words.told(valve["words"], 420)


def _next_check(verdict: Verdict, valve: str) -> str:
    """What to check next, unless the reason or what holds for the valve already says it."""
    check = verdict["next_check"] or ""
    return "" if check in f"{verdict['why']} {valve}" else words.told(check, 260)


def _rules(rules: list[Rule]) -> str:
    return ", ".join(words.listed([str(rule["rule"]) for rule in rules], RULES_NAMED))
