# SPDX-License-Identifier: MIT
"""The report says what it must, on one sheet of either paper, whatever people wrote."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from html import unescape
from pathlib import Path

import pytest
from click.testing import CliRunner
from pdf_pages import sheets
from PIL import Image
from written_runs import Made, write

from rig.actions.analyse_run import run_number
from rig.cli.main import cli
from rig.core.errors import UsageError
from rig.core.rounding import fixed, places
from rig.report import page, pdf, qr, words
from rig.report.drawing import Axis
from rig.report.input import reported
from rig.runlog.store import RunLog
from rig.text.rounded import difference_text, interval_text
from rig.text.words import NO_VALVE, UNREAL

NASTY = '"><script>alert(1)</script><img src=x onerror=alert(2)>'
DEMO = Path(__file__).parents[2] / "demo"
A4, LETTER = (595.28, 841.89), (612.0, 792.0)  # points: ISO 216 (210 x 297 mm), 8.5 x 11 in


@pytest.fixture
def log_file(rig_data: Path) -> Path:
    return rig_data / "runs.sqlite"


def made(path: Path, *runs: Made) -> RunLog:
    for run in runs:
        write(path, run)
    return RunLog(path, readonly=True)


def said(html: str) -> str:
    """The words of the report, without tags and style."""
    body = re.sub(r"<style>.*?</style>", " ", html, flags=re.DOTALL)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", body)).split())


def test_everything_that_a_report_must_say(log_file: Path) -> None:
    with made(log_file, Made(missed=(4,), not_watched=("supply voltage",))) as log:
        run = reported(log, 1)
    text = said(page.render(run))
    for wanted in (
        "Test report: run 1, valve INVENTED-7", "SIMULATED. Computed by the simulated rig",
        "J-100", "A. Tester", "invented.setup.toml", "invented.sheet.toml", "confirmed off",
        "oil temperature 92 degC (typed)", "base pressure 310 kPa (measured)", "Verdict:",
        "response time, each: at most 150 ms", "Response time", "± ", "k = ", "NOT WATCHED:",
        "supply voltage", "over-pressure", "not a safety function", "Tested by", "Date",
        "CLOCK NOT SYNCHRONISED", "solenoid rig 0.1.0", qr.run_text(run.header.uid),
    ):  # fmt: skip
        assert wanted in text, wanted
    found = run.result["summary"]["response_ms"]
    assert f"{fixed(found['mean'], places(found['U']))} ms" in text
    assert f"± {fixed(found['U'], places(found['U']))} ms, k = {found['k']:.2f}" in text


def test_a_measured_run_has_no_notice_across(log_file: Path) -> None:
    with made(log_file, Made(source="board")) as log:
        text = page.render(reported(log, 1))
    assert "SIMULATED" not in said(text)
    assert 'class="across"' not in text


def test_the_risk_of_a_held_limit_is_not_told_of_an_undecided_run(log_file: Path) -> None:
    with made(log_file, Made(missed=(4, 9))) as log:
        run = reported(log, 1)
    assert run.result["verdict"]["result"] == "undecided"
    text = said(page.render(run))
    assert "The chance that" not in text
    assert text.count(run.result["verdict"]["next_check"]) == 1


def test_a_trip_and_a_coil_that_stayed_live_are_said(log_file: Path) -> None:
    with made(log_file, Made(status="tripped", trip=True, off="still live")) as log:
        text = said(page.render(reported(log, 1)))
    assert "TRIPPED: over-pressure" in text
    assert "712.5" in text
    assert "COIL STILL LIVE" in text
    assert "UNDECIDED" in text


def test_before_and_after_with_intervals(log_file: Path) -> None:
    with made(log_file, Made(response_ms=120), Made(response_ms=80)) as log:
        run = reported(log, 2, before=1)
    text = said(page.render(run))
    one = run.comparison["comparisons"][0]["figures"]["response_ms"]
    assert one["difference_ms"] == pytest.approx(-40, abs=0.5)
    assert "Run 2 less run 1" in text
    shown = difference_text(one["difference_ms"], one["ci95"]), interval_text(one["ci95"])
    assert "{} ms {} ms".format(*shown) in text
    assert "40.0 ms shorter in run 2" in text
    assert "The valve's own" in text
    assert {True: " real ", False: " not shown ", None: " withheld "}[one["real"]] in text


def test_runs_of_different_sources_are_not_compared(log_file: Path) -> None:
    with made(log_file, Made(source="board"), Made()) as log:
        run = reported(log, 2, before=1)
    assert run.comparison is None
    assert run.refused
    assert run.refused[:60] in said(page.render(run))


def test_a_run_that_goes_on_has_no_report(log_file: Path) -> None:
    with made(log_file, Made(status="running")) as log, pytest.raises(UsageError, match="goes on"):
        reported(log, 1)


def test_what_a_person_wrote_stays_text(log_file: Path) -> None:
    with made(log_file, Made(valve=NASTY, job=NASTY, by=NASTY, note=NASTY)) as log:
        text = page.render(reported(log, 1))
    assert "<script" not in text
    assert "<img" not in text


def test_the_words_for_sources_are_those_of_the_command_line() -> None:
    assert {name: (UNREAL[name], NO_VALVE[name]) for name in UNREAL} == words.UNREAL


def drawn_at(svg: str, tag: str) -> list[dict[str, str]]:
    return [
        dict(re.findall(r'([\w-]+)="([^"]*)"', one)) for one in re.findall(f"<{tag} [^>]*>", svg)
    ]


def test_a_dot_stands_where_its_number_is(log_file: Path) -> None:
    with made(log_file, Made(strokes=6, missed=(3,))) as log:
        run = reported(log, 1)
    svg = page.content(run)["plots"][0]
    known = {s["number"]: s["response_ms"] for s in run.result["strokes"] if s["response_ms"]}
    dots = drawn_at(svg, "circle")
    assert len(dots) == len(known) == 5
    assert svg.count("<path") == 1  # the stroke without a number is a cross
    ys = [float(dot["cy"]) for dot in dots]
    by_height = [number for _, number in sorted(zip(ys, known, strict=True))]
    assert by_height == sorted(known, key=known.__getitem__, reverse=True)
    first, last = min(known.values()), max(known.values())
    ends = float(dots[list(known).index(max(known, key=known.__getitem__))]["cy"]), max(ys)
    scale = (ends[1] - ends[0]) / (last - first)  # drawing units a millisecond
    limit = next(line for line in drawn_at(svg, "line") if line.get("stroke-dasharray") == "6 3")
    assert float(limit["y1"]) == pytest.approx(ends[0] - (150 - last) * scale, abs=0.2)


def test_the_overlay_fills_a_row_from_where_the_switch_closed(log_file: Path) -> None:
    with made(log_file, Made(strokes=4, bounce=False)) as log:
        run = reported(log, 1)
    svg = page.content(run)["plots"][2]
    rows = drawn_at(svg, "rect")
    assert len(rows) == 4
    span = 1.4 * run.result["summary"]["response_ms"]["max"]
    axis = Axis(-0.1 * span, span, 40, 352)
    for row, stroke in zip(rows, run.result["strokes"], strict=True):
        assert float(row["x"]) == pytest.approx(axis.at(stroke["response_ms"]), abs=0.05)


def test_round_ticks_lie_where_they_say() -> None:
    axis = Axis(0.0, 100.0, 0.0, 200.0)
    assert axis.ticks(5) == [(0, "0"), (20, "20"), (40, "40"), (60, "60"), (80, "80"), (100, "100")]
    assert [axis.at(v) for v in (0, 50, 100, 300)] == [0, 100, 200, 200]


LONG = Made(
    strokes=300, missed=tuple(range(3, 60)), valve="V" * 150, job="J" * 90, by="B" * 90,
    note="N o t e " * 200, not_watched=tuple(f"an invented rule number {n}" for n in range(40)),
    conditions={f"invented_condition_{n}": {"value": "w" * 60, "unit": "", "how": "typed"}
                for n in range(14)},
    status="tripped", trip=True, on_ms=200, rest_ms=200,
)  # fmt: skip


@pytest.mark.parametrize(("paper", "size"), [("a4", A4), ("letter", LETTER)])
@pytest.mark.parametrize("which", ["plain", "long"])
def test_one_sheet_of_paper(log_file: Path, paper: str, size: tuple, which: str) -> None:
    with made(log_file, Made(), LONG) as log:
        run = reported(log, 1) if which == "plain" else reported(log, 2, before=1)
    work = page.JobWork("complaint " * 60, ("2026-11-02 14:05: check " * 20,) * 9, "done " * 120)
    run = replace(run, work=work)
    found = sheets(pdf.to_pdf(page.ever_tighter(run, paper)))
    assert len(found) == 1
    assert found[0] == pytest.approx(size, abs=0.5)


def test_a_plain_report_needs_no_smaller_print(log_file: Path) -> None:
    with made(log_file, Made(), Made()) as log:
        run = reported(log, 2, before=1)
    assert len(sheets(pdf.to_pdf([page.render(run, paper="letter")]))) == 1


def test_photos_are_on_a_sheet_of_their_own(log_file: Path) -> None:
    picture = io.BytesIO()
    Image.new("RGB", (2048, 1536), "red").save(picture, "JPEG")
    with made(log_file, Made()) as log:
        run = replace(
            reported(log, 1),
            photos=tuple(page.Photo(n, picture.getvalue(), "word " * 40) for n in range(4)),
        )
    drawn = pdf.to_pdf(page.ever_tighter(run, "letter"), page.sheets(run))
    assert len(sheets(drawn)) == page.sheets(run) == 2
    assert drawn.count(b"/DCTDecode") >= 1  # the photo itself is in it


def test_a_report_fetches_nothing(log_file: Path) -> None:
    with made(log_file, Made()) as log:
        html = page.render(reported(log, 1))
    assert not re.search(r"(src|href)\s*=|url\(|@import", html)


def test_the_command_writes_both_kinds_and_replaces_nothing(log_file: Path, tmp_path: Path) -> None:
    made(log_file, Made()).close()
    for name, begins in (("r.html", b"{#"), ("r.pdf", b"%PDF")):
        target = tmp_path / name
        done = CliRunner().invoke(cli, ["report", "1", "--out", str(target)])
        assert done.exit_code == 0, done.output
        assert "(SIMULATED)" in done.stderr
        assert target.read_bytes()[:9].startswith((begins, b"<!doctype"))
        again = CliRunner().invoke(
            cli, ["report", "1", "--out", str(target)], catch_exceptions=True
        )
        assert isinstance(again.exception, UsageError)
        assert "--force" in str(again.exception)
    wrong = CliRunner().invoke(cli, ["report", "1", "--out", str(tmp_path / "r.doc")])
    assert "neither .html nor .pdf" in str(wrong.exception)


def test_a_machine_without_the_libraries_is_told_what_to_type(
    log_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made(log_file, Made()).close()
    real = pdf.importlib.import_module

    def without_pango(name: str, *more: object) -> object:
        if name == "weasyprint":
            raise OSError("cannot load library 'libpango-1.0-0'")
        return real(name, *more)

    monkeypatch.setattr(pdf.importlib, "import_module", without_pango)
    done = CliRunner().invoke(cli, ["report", "1", "--out", "r.pdf"])
    assert "apt-get install" in str(done.exception)
    assert "libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0" in str(done.exception)
    monkeypatch.setattr(pdf.importlib.util, "find_spec", lambda _: None)
    done = CliRunner().invoke(cli, ["report", "1", "--out", "r.pdf"])
    assert "pip install 'weasyprint" in str(done.exception)


def test_the_code_of_a_run_is_its_identifier() -> None:
    import uuid

    uid = uuid.uuid4()
    assert qr.run_text(uid.hex) == uid.urn  # RFC 9562 as Python's own library writes it


def test_what_was_scanned_from_paper_finds_the_run(log_file: Path) -> None:
    with made(log_file, Made(strokes=3), Made(strokes=3)) as log:
        uid = log.load(2).header.uid
        assert run_number(log, qr.run_text(uid)) == 2
        assert run_number(log, qr.run_text(uid).upper()) == 2
        with pytest.raises(UsageError, match="not in this log"):
            run_number(log, qr.run_text("0" * 32))


def test_a_code_says_its_text() -> None:
    """Held to segno's own matrix: each dark module of the SVG stands where the symbol has it."""
    import segno

    svg = qr.svg("V-101")
    symbol = [list(row) for row in segno.make("V-101", error="m", micro=False).matrix]
    size = len(symbol) + 8
    assert f'viewBox="0 0 {size} {size}"' in svg
    found = [[0] * len(symbol) for _ in symbol]
    x, y = 0.0, 0.0
    path = re.search(r'stroke="#000" d="([^"]+)"', svg).group(1)
    for command, text in re.findall(r"([Mmh])([^Mmh]+)", path):
        numbers = [float(n) for n in re.findall(r"-?[\d.]+", text)]
        if command == "h":
            for column in range(int(numbers[0])):
                found[int(y - 0.5) - 4][int(x) - 4 + column] = 1
            x += numbers[0]
        elif command == "M":
            x, y = numbers
        else:
            x, y = x + numbers[0], y + numbers[1]
    assert found == symbol


def test_a_text_is_cut_behind_a_word() -> None:
    assert words.clipped("the oil is too cold", 12) == "the oil is…"
    assert words.clipped("the oil is", 10) == "the oil is"
    assert words.clipped("x" * 50, 12) == "x" * 11 + "…", "one long word is cut itself"


def test_a_run_has_one_mean_in_table_and_comparison(log_file: Path) -> None:
    """A simulated first stroke after rest is longer: both leave it out, and the words fit."""
    for seed in ("1", "2"):
        files = [str(DEMO / "workshop.setup.toml"), str(DEMO / "workshop.sheet.toml")]
        args = ["run", *files, "--fast", "--seed", seed, "--json"]
        answer = CliRunner().invoke(cli, args)
        assert answer.exit_code in (0, 1, 5), answer.output
    with RunLog(log_file, readonly=True) as log:
        run = reported(log, 2, before=1)
    assert run.comparison is not None
    compared = run.comparison["comparisons"][0]["figures"]["response_ms"]["after"]
    summary = run.result["summary"]["response_ms"]
    assert compared["n"] == summary["n"] == 19
    assert compared["mean"] == pytest.approx(summary["mean"], rel=1e-9)
    text = said(page.render(run))
    for line in run.comparison["words"]:
        assert " ".join(line.split()) in text, "cut although there is room"
