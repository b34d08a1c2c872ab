# SPDX-License-Identifier: MIT
"""States, sources, times and numbers as the page shows them: word and shape first, colour last."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import NamedTuple

from flask import Flask
from markupsafe import Markup, escape

from rig.analysis.measure import marks
from rig.config.sheet.model import KINDS
from rig.core.coil_heat import duration_words
from rig.core.figures import Column, Figure, words_of
from rig.core.message_ids import trip_id
from rig.core.reader_units import units
from rig.text import words
from rig.text.rounded import (
    difference_text,
    interval_text,
    judged_text,
    mean_interval_text,
    spread_text,
)
from rig.text.words import NO_VALVE, PURPOSES, UNREAL, condition_value, local_minute, no_valve_words

UNKNOWN = "–"
TYPED = re.compile(r"`([^`\n]+)`")


class Shown(NamedTuple):
    """A state: its word, the shape beside it (shapes.svg), and the class that colours both."""

    word: str
    shape: str
    tone: str


VERDICTS = {
    "conforms": Shown("Conforms", "tick", "good"),
    "does_not_conform": Shown("Does not conform", "cross", "bad"),
    "undecided": Shown("Undecided", "question", "open"),
    "not_tested": Shown("Not tested", "dash", "plain"),
}

STATUSES = {
    "running": Shown("Running", "arrow", "plain"),
    "finished": Shown("Finished", "dot", "plain"),
    "tripped": Shown("Tripped", "triangle", "bad"),
    "aborted": Shown("Stopped", "square", "open"),
    "interrupted": Shown("Interrupted", "broken", "open"),
    "fault": Shown("Internal fault", "triangle", "bad"),
}

SOURCES = UNREAL | {"board": "board", "capture": "capture"}

OF = {
    "each": "each one",
    "mean": "mean",
    "median": "median",
    "p95": "95th percentile",
    "total": "in total",
}


def shown_word(shown: bool) -> Shown:
    """Whether a link of the chain was shown to be intact in this run."""
    return Shown("Shown", "tick", "good") if shown else Shown("Not shown", "question", "open")


def verdict(result: str | None) -> Shown | None:
    """How a verdict is shown; None if there is none."""
    return None if result is None else VERDICTS.get(result, Shown(result, "question", "open"))


def status(name: str) -> Shown:
    """How the state of a run is shown."""
    return STATUSES.get(name, Shown(name, "question", "open"))


def unreal(source: str) -> str:
    """The watermark for pages and plots of this source; empty for a measurement."""
    return UNREAL.get(source, "")


def local_time(utc_s: float | None) -> str:
    """As rig.text.words.local_time; a mark for an unknown instant."""
    return UNKNOWN if utc_s is None else words.local_time(utc_s)


def iso_time(utc_s: float) -> str:
    """The instant for the `datetime` attribute of <time>."""
    return datetime.fromtimestamp(utc_s, UTC).isoformat(timespec="seconds")


def clock_flag(synchronised: bool | None) -> str:
    """Caution beside a wall time; empty if the clock was synchronised."""
    if synchronised is None:
        return "clock state not known"
    return "" if synchronised else "clock not synchronised"


def number(value: object, digits: int = 1) -> str:
    """A number with this many decimals, a text as it is, a dash if unknown."""
    if value is None:
        return UNKNOWN
    return _rounded(value, digits) if isinstance(value, float) else str(value)


def _rounded(value: float, digits: int) -> str:
    """Without a minus before a zero."""
    return f"{round(value, digits) + 0.0:.{digits}f}"


def quantity(value: object, unit: str | None, digits: int) -> str:
    """A value with its unit, in the reader's, with at most this many decimals."""
    if isinstance(value, float):
        shown = units().value(value, unit or "")
        text = _rounded(shown, units().digits(unit or "", digits))
        text = text.rstrip("0").rstrip(".") if "." in text else text
    else:
        text = number(value)
    return f"{text} {units().unit(unit)}" if unit else text


def reading(value: float | None, si: str, digits: int = 1) -> str:
    """A number whose unit stands elsewhere, in the reader's unit instead of `si`."""
    return number(None if value is None else units().value(value, si),
                  units().digits(si, digits))  # fmt: skip


def figure_value(value: float | None, figure: Figure) -> str:
    """A number of one ramp in the reader's unit, which stands in the heading."""
    return number(None if value is None else units().value(value, figure.unit), figure.digits())


def column_text(value: object, column: Column) -> str:
    """A number of a stroke; a pressure in the reader's unit."""
    if isinstance(value, float) and column.key.endswith("_kpa"):
        return reading(value, "kPa", column.digits)
    return number(value, column.digits)


def sheet_word(name: str | None, kind: str | None) -> str:
    """A run's sheet by its name without file suffix; without a sheet the run's kind."""
    return (name or "").removesuffix(".sheet.toml") or kind or UNKNOWN


def sentence(text: str) -> str:
    """Capitalised, as after a full stop."""
    return text[:1].upper() + text[1:]


def marked(text: str) -> Markup:
    """A sentence of the program in the reader's units, with text to be typed between
    back-ticks."""
    return _typed(units().words(text))


def allowed(text: str) -> Markup:
    """The same for a range that the program allows."""
    return _typed(units().range_words(text))


def _typed(text: str) -> Markup:
    return Markup(TYPED.sub(r"<code>\1</code>", str(escape(text))))  # noqa: S704 - escaped first


def install(app: Flask) -> None:
    """Register these words with the templates."""
    app.jinja_env.filters.update(
        number=number,
        reading=reading,
        figure_value=figure_value,
        local_time=local_time,
        local_minute=local_minute,
        iso_time=iso_time,
        sentence=sentence,
        marked=marked,
        allowed=allowed,
        duration=duration_words,
    )
    app.jinja_env.globals.update(
        trip_id=trip_id,
        mark_id=marks.id_of,
        verdicts=VERDICTS,
        verdict_shown=verdict,
        status_shown=status,
        clock_flag=clock_flag,
        quantity=quantity,
        judged_text=judged_text,
        condition_value=condition_value,
        column_text=column_text,
        unreal=unreal,
        no_valve=NO_VALVE,
        purposes=PURPOSES,
        no_valve_words=no_valve_words,
        source_word=SOURCES,
        sheet_word=sheet_word,
        kind_word={name: kind.shown for name, kind in KINDS.items()},
        figure_word=words_of,
        of_word=OF,
        shown_word=shown_word,
        unknown=UNKNOWN,
        difference_text=difference_text,
        interval_text=interval_text,
        mean_interval_text=mean_interval_text,
        spread_text=spread_text,
    )
