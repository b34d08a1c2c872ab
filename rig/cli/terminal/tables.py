# SPDX-License-Identifier: MIT
"""A result on a terminal: tables and a plot. Each of them states the source."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Console, RenderableType
from rich.table import Table
from rich.text import Text

from rig.cli.terminal.plot import plot
from rig.core.figures import figures_of
from rig.core.reader_units import units
from rig.core.results.run import Result, figure_of
from rig.text import words
from rig.text.behaviour import sentences
from rig.text.coil_current import current_sentences
from rig.text.marks import marks_of
from rig.text.rounded import (
    in_reader_units,
    judged_text,
    mean_text,
    spread_text,
    sure_text,
    value_text,
)
from rig.text.run_facts import facts, hold_facts, shortened
from rig.text.words import across, column_text, number
from rig.text.wrapped import wrapped

PLOT_WIDTH = 72
NARROW = 76
"""Width below which a table drops columns that do not fit, or is transposed."""

BESIDE = (
    ("first edge\non, ms", "first_edge_on_ms", 2), ("\noff, ms", "first_edge_off_ms", 2),
    ("bounce\non", "bounce_on", 0), ("\noff", "bounce_off", 0),
    ("{} at\non", "at_switch_on_kpa", 1), ("\noff", "at_switch_off_kpa", 1),
)  # fmt: skip


class Show:
    """Show one result (the JSON of a run) on `console`."""

    def __init__(self, result: Result, console: Console) -> None:
        self._result, self._console = result, console
        # marks are sentences: a table shows letters, explained below it; marks on every stroke have
        # none
        self._marked = marks_of(result)
        lettered = [
            one.words for one in self._marked
            if one.words in result["mark_counts"] and not one.every
        ]  # fmt: skip
        self._letter = {mark: _letter(n) for n, mark in enumerate(lettered)}

    def _letters(self, marks: Sequence[str]) -> str:
        return " ".join(self._letter[mark] for mark in marks if mark in self._letter)

    def all(self) -> None:
        """Everything, in reading order."""
        self._verdict()
        self._print()
        self._facts()
        kind = self._result["kind"]
        if kind == "ramp":
            self._ramps()
        elif kind == "hold":
            self._hold()
        else:
            self._summary()
            self._plots()
            self._behaviour()
            self._current()
            self._strokes()
        self._marks()

    def _title(self, text: str) -> Text:
        word = across(self._result)
        return Text(f"{word} · {text}" if word else text, style="bold")

    def _table(self, title: str, *columns: tuple[str, str]) -> Table:
        word = across(self._result)
        table = Table(
            title=self._title(title), title_justify="left", box=None, pad_edge=False,
            caption=Text(word, style="bold") if word else None, caption_justify="left",
        )  # fmt: skip
        for name, justify in columns:
            # a truncated number is worse than a line that wraps
            table.add_column(
                name, justify="right" if justify == "right" else "left", overflow="fold",
                no_wrap=justify == "right",
            )  # fmt: skip
        return table

    def _print(self, *parts: RenderableType) -> None:
        self._console.print(*parts)

    def _say(self, text: str, style: str = "") -> None:
        for line in wrapped(text, self._console.width, hang="  " if text[:2] == "- " else ""):
            self._print(Text(line, style))

    def _facts(self) -> None:
        result = self._result
        rows = list(facts(result))
        run = result["run"]
        table = self._table("capture" if run is None else f"run {run}", ("", ""), ("", ""))
        table.show_header = False
        for name, value in rows:
            table.add_row(name, Text(units().words(value)))
        self._print(table)
        word = words.NO_VALVE.get(result["source"])
        if word:
            self._print(Text(word))
        self._print()

    def _summary(self) -> None:
        names = ("n", "mean", "U, 95 %", "sd", "min", "median", "max")
        rows = []
        of = figures_of("strokes")
        for key, figure in of.items():
            row = self._result["summary"][key]
            budget = self._result["budget"].get(f"single_{key}")
            single = budget and budget["U"]
            rows.append((
                str(row["n"]), mean_text(row, words.UNKNOWN, figure.digits()),
                sure_text(row["mean"], row, "").rstrip() or words.UNKNOWN,
                spread_text(row["sd"], words.UNKNOWN),
                *(value_text(one, single, words.UNKNOWN, figure.digits())
                  for one in (row["min"], row["median"], row["max"])),
            ))  # fmt: skip
        title, figures = "times in ms", [one.short for one in of.values()]
        if self._console.width < NARROW:
            table = self._table(title, ("", ""), *((name, "right") for name in figures))
            for name, *both in zip(names, *rows, strict=True):
                table.add_row(name, *both)
        else:
            table = self._table(title, ("", ""), *((name, "right") for name in names))
            for name, of_figure in zip(figures, rows, strict=True):
                table.add_row(name, *of_figure)
        self._print(table)
        self._print(
            Text(
                "response: coil live to switch settled on. release: coil dead to switch settled "
                f"off. Settled: it stays put for {self._result['settle_window_ms']:g} ms.",
                style="dim",
            )
        )
        self._print()

    def _plots(self) -> None:
        strokes = self._result["strokes"]
        if len(strokes) < 3:
            return
        plain = not (self._console.encoding or "").lower().startswith("utf")
        width = max(10, min(PLOT_WIDTH, self._console.width - 12))
        for key, figure in figures_of("strokes").items():
            values = [figure_of(stroke, key) for stroke in strokes]
            lines = plot(values, width, ascii_only=plain)
            if not lines:
                continue
            known = [value for value in values if value is not None]
            self._print(self._title(f"{figure.short} of each stroke, {figure.unit} (x: no number)"))
            labels = [f"{max(known):.1f}", *[""] * (len(lines) - 2), f"{min(known):.1f}"]
            for label, line in zip(labels, lines, strict=True):
                self._print(Text(f"{label:>9} |{line}"))
            last = f"stroke {strokes[0]['number']} to {strokes[-1]['number']}"
            many = f", largest of about {-(-len(values) // width)}" if len(values) > width else ""
            self._print(Text(f"{'':>9}  {last}{many}", style="dim"))
        self._print()

    def _behaviour(self) -> None:
        told = sentences(self._result)
        if told:
            self._print(self._title("how it behaved"))
            for sentence in told:
                self._say(f"- {sentence}")
            self._print()

    def _current(self) -> None:
        told = current_sentences(self._result)
        if told:
            self._print(self._title("coil current"))
            for sentence in told:
                self._say(f"- {sentence}")
            self._print()

    def _strokes(self) -> None:
        strokes = self._result["strokes"]
        if not strokes:
            self._print(Text("No stroke was recorded."), "")
            return
        shown, left_out = shortened(strokes)
        narrow = self._console.width < NARROW
        used = [("stroke", "number", 0)]
        used += [(f"{one.short}\n{one.unit}", key, one.digits())
                 for key, one in figures_of("strokes").items()]  # fmt: skip
        used += [one for one in BESIDE if not (narrow and one[1].startswith("first_edge"))]
        columns = [(title.format(units().unit("kPa")), "right") for title, _, _ in used]
        table = self._table("strokes", *columns, ("marks", ""))
        before = None
        for stroke in shown:
            if before is not None and stroke["number"] != before + 1:
                table.add_row("...")
            before = stroke["number"]
            table.add_row(
                *(column_text(figure_of(stroke, key), key, digits) for _, key, digits in used),
                self._letters(stroke["marks"]),
            )
        self._print(table)
        if left_out:
            run = self._result["run"]
            how = "with --json" if run is None else f"with `rig show {run} --json` or `rig serve`"
            self._print(Text(f"{left_out} strokes are not shown; see all {how}.", style="dim"))
        self._print()

    def _hold(self) -> None:
        held = self._result["hold"]
        if held is None:
            return
        table = self._table("hold", ("", ""), ("", ""))
        table.show_header = False
        for name, value in hold_facts(held):
            table.add_row(name, value)
        self._print(table)
        values = held["trace"]["pressure_kpa"]
        plain = not (self._console.encoding or "").lower().startswith("utf")
        lines = plot(values, max(10, min(PLOT_WIDTH, self._console.width - 12)), ascii_only=plain)
        if lines:
            known = [value for value in values if value is not None]
            self._print(self._title(f"pressure during the watch, {units().unit('kPa')}"))
            ends = [column_text(end, "_kpa", 1) for end in (max(known), min(known))]
            labels = [ends[0], *[""] * (len(lines) - 2), ends[1]]
            for label, line in zip(labels, lines, strict=True):
                self._print(Text(f"{label:>9} |{line}"))
        self._print()

    def _ramps(self) -> None:
        ramp = self._result["ramp"]
        if ramp is None:
            return
        of = figures_of("ramp")
        names = [(f"{one.short} {one.unit_read}", "right") for one in of.values()]
        table = self._table("ramps", ("ramp", "right"), *names, ("marks", ""))
        for row in ramp["ramps"]:
            row = in_reader_units(row, "kPa")
            values = (number(figure_of(row, key), one.digits()) for key, one in of.items())
            table.add_row(str(row["number"]), *values, self._letters(row["marks"]))
        summary = [in_reader_units(ramp["summary"][key], one.unit) for key, one in of.items()]
        means = [
            mean_text(one, words.UNKNOWN, figure.digits())
            for one, figure in zip(summary, of.values(), strict=True)
        ]
        table.add_row("mean", *means, "", style="bold")
        sure = [sure_text(one["mean"], one, "").rstrip() or words.UNKNOWN for one in summary]
        table.add_row("U, 95 %", *sure, "", style="bold")
        spreads = [spread_text(one["sd"], words.UNKNOWN) for one in summary]
        table.add_row("sd", *spreads, "", style="bold")
        self._print(table)
        self._print()

    def _marks(self) -> None:
        if not self._marked:
            return
        table = self._table("marks", ("", ""), ("", ""), ("", ""), ("", ""))
        table.show_header = False
        for mark in self._marked:
            doubt = "makes numbers doubtful" if mark.doubtful else ""
            told = Text(units().words(mark.words))
            table.add_row(self._letter.get(mark.words, ""), mark.where, told, doubt)
        self._print(table)
        self._print()

    def _verdict(self) -> None:
        verdict = self._result["verdict"]
        other = words.no_valve_words(self._result.get("purpose"))
        if other:
            self._say(other, "bold")
        name, sign, colour = words.VERDICTS[verdict["result"]]
        trip = self._result["trip"]
        if trip:
            self._say(f"TRIPPED: {trip['rule']}. {trip['message']}", "bold")
        said = self._title(f"[{sign}] {name}")
        said.stylize(colour)
        self._print(said)
        self._say(verdict["why"])
        valve = self._result.get("of_the_valve")
        if valve and verdict["limits"]:
            self._say(valve["words"], "bold")
        risk = verdict["risk_pct"]
        if verdict["guard_band"] and risk is not None:
            shown = f"{risk:.0f} %" if risk >= 1 else "under 1 %"
            chance = (
                "that the limit is broken" if verdict["result"] == "undecided"
                else "that this verdict is wrong"
            )  # fmt: skip
            self._say(f"Nearest limit: {verdict['decided_by']}. Chance {chance}: {shown}.")
        if verdict["next_check"] and verdict["next_check"] not in verdict["why"]:
            self._say(f"Next check: {verdict['next_check']}.")
        if verdict.get("next_caution"):
            self._say(f"Caution: {verdict['next_caution']}", "bold")
        if verdict["limits"]:
            table = self._table("limits", ("", ""), ("found", "right"), ("", ""))
            for limit in verdict["limits"]:
                title, mark, _ = words.VERDICTS[limit["result"]]
                asked = units().words(words.limit_text(limit))
                table.add_row(
                    Text(asked), judged_text(limit, words.UNKNOWN),
                    f"{mark} {title.lower()}",
                )  # fmt: skip
            self._print(table)


def _letter(n: int) -> str:
    """a, b ... z, aa, ab ..."""
    return (_letter(n // 26 - 1) if n >= 26 else "") + chr(ord("a") + n % 26)
