# SPDX-License-Identifier: MIT
"""From an unknown gauge's output to the setup lines that read it. Pure.

Lines are split into numbers, words and the rest: what varies between lines is a number or
irrelevant, what stays is text. Every proposal was tried: it reads every line it was made from.
"""

from __future__ import annotations

import itertools
import re
import statistics
from collections import Counter
from collections.abc import Iterator
from typing import NamedTuple

from rig.config.analog.channel_units import table_unit
from rig.config.gauge.marks import BEGINNING, CONTROL, ENDING, LINES, Marks, in_pattern, named
from rig.config.gauge.pattern import PatternError, parse_pattern, read_number
from rig.io.gauges.framing import Line, LineFramer
from rig.io.gauges.pattern import checksum

LINES_LEAST = 3
CLEAN_SHARE = 0.97
"""A share of plain characters below this means the wrong baud rate or framing."""
MARKED_SHARE = 0.8
"""Of bytes framed by marks, at least this share is inside whole frames, allowing for a half one
beside them; the rest was corrupted on the wire."""
RUNS_TRIED, MARK_LONGEST = 4, 3
"""Number of runs of control characters examined, the commonest first, and the longest mark
tried."""

CHANNEL_WORDS = {"ch", "chan", "channel", "input", "sensor"}
"""Words to which a number that never changes belongs."""

_DIGITS = {"point": r"[0-9]+(?:\.[0-9]*)?|\.[0-9]+", "comma": r"[0-9]+(?:,[0-9]+)?"}
_WORD = r"((?:kgf?/cm2|(?:mm|in)H2O|[A-Za-z/%]+)(?:\([A-Za-z]\))?)"
_SENTENCE = re.compile(r"[$!]([A-Z0-9]{5}(?:,[^*]*))\*([0-9A-Fa-f]{2})")


class Found(NamedTuple):
    """Keys of [gauge] that read the lines (`keys`, ready for a setup), an explanation in words, and
    a reading of the last line as it would be shown."""

    keys: dict[str, str]
    words: list[str]
    shown: str


def plain_share(data: bytes) -> float:
    """The share of bytes that can occur in a line of text."""
    if not data:
        return 0.0
    good = sum(32 <= byte < 127 or byte in (9, 10, 13) for byte in data)
    return good / len(data)


def seven_bits(data: bytes) -> str | None:
    """The parity of bytes that are 7 bits with parity, read as 8 bits; None if they are not."""
    if len(data) < 20 or marks_of(bytes(byte & 0x7F for byte in data)) is None:
        return None
    odd = sum(byte.bit_count() & 1 for byte in data)
    if odd == 0:
        return "even"
    return "odd" if odd == len(data) else None


def marks_of(data: bytes) -> Marks | None:
    """The marks that frame these bytes: none for plain lines, None if they are not text.

    Marks are tried in every order that occurs. Those that leave the fewest bytes outside their
    frames win; among equals, those that say more, and ETX rather than a separator as the end.
    """
    if plain_share(data) >= CLEAN_SHARE:
        return LINES
    found: list[tuple[tuple[int, int, bool], Marks]] = []
    often = _often(data)
    within = bytes(set(b"".join(often)))  # such as separate the fields of a frame
    for marks in _possible_marks(often):
        frames = framed(data, marks)
        inner = [marks.inner(frame) for frame in frames]
        if len(frames) < LINES_LEAST or any(not re.search(rb"[0-9]", text) for text in inner):
            continue
        plain = plain_share(b"".join(inner).translate(None, within))
        if plain < CLEAN_SHARE or not _checks_hold(frames, marks):
            continue
        sizes = [len(frame.translate(None, b"\r\n")) for frame in frames]
        if sum(sizes) + max(sizes) < MARKED_SHARE * len(data.translate(None, b"\r\n")):
            continue
        length = len(marks.start) + len(marks.end)
        rank = sum(map(len, frames)), length, marks.end.endswith(_codes(ENDING))
        found.append((rank, marks))
    return max(found)[1] if found else None


def _codes(names: tuple[str, ...]) -> tuple[bytes, ...]:
    return tuple(bytes([CONTROL[name]]) for name in names)


def framed(data: bytes, marks: Marks) -> list[bytes]:
    """The whole frames in the bytes."""
    frames = LineFramer(marks=marks).feed(0, data)
    return [frame.data for frame in frames if isinstance(frame, Line)]


def _often(data: bytes) -> list[bytes]:
    """Runs of control characters that recur."""
    runs = Counter(re.findall(rb"[\x00-\x08\x0b\x0c\x0e-\x1f]+", data))
    return [run for run, count in runs.most_common(RUNS_TRIED) if count >= LINES_LEAST]


def _possible_marks(often: list[bytes]) -> Iterator[Marks]:
    """Start and end marks from such runs."""
    parts = {run[a:b] for run in often for a in range(len(run)) for b in range(a + 1, len(run) + 1)}
    parts = {part for part in parts if len(part) <= MARK_LONGEST}
    begins = _codes(BEGINNING)
    parted = bytes(CONTROL[name] for name in ENDING)
    starts = [part for part in parts if part.endswith(begins) and not set(part) & set(parted)]
    ends = [part for part in parts if not any(byte in part for byte in begins)]
    for start, end in itertools.product(starts or [b"", *ends], [b"", *ends]):
        if start != end:
            for after in (0, 1, 2) if end else (0,):
                yield Marks(start, end, after)


def _checks_hold(frames: list[bytes], marks: Marks) -> bool:
    return not marks.after or _marked_check(frames, marks) is not None


def _marked_check(frames: list[bytes], marks: Marks) -> str | None:
    """The checksum after the end mark that every frame has; None if there is none."""
    at = -marks.after
    bodies = [frame[len(marks.start) : at] for frame in frames]
    sent = [frame[at:] for frame in frames]
    if marks.after == 1:
        right = all(checksum("bcc", body) == one[0] for body, one in zip(bodies, sent, strict=True))
        return "bcc" if right else None
    for kind in ("xor", "sum"):
        if all(
            re.fullmatch(rb"[0-9A-Fa-f]{2}", one) and checksum(kind, body) == int(one, 16)
            for body, one in zip(bodies, sent, strict=True)
        ):
            return kind
    return None


def understand(
    lines: list[str], period_s: float | None = None, marks: Marks = LINES
) -> Found | None:
    """The keys that read these lines; None if no number can be identified.

    `lines` are in the order sent, the first one whole: without their ends, or with `marks` as whole
    frames.
    """
    if len(lines) < LINES_LEAST:
        return None
    found = None if marks != LINES else _sentences(lines)
    found = found or _pattern(lines, marks)
    if found is None or period_s is None:
        return found
    return found._replace(keys=found.keys | {"period": f'"{_rounded_ms(period_s)} ms"'})


def _rounded_ms(period_s: float) -> str:
    """The time between readings, rounded to the safe side, two digits."""
    milliseconds = max(1e3 * period_s, 1.0)
    step = 10 ** max(len(str(int(milliseconds))) - 2, 0)
    return f"{-(-milliseconds // step) * step:.0f}"


def period_of(times_s: list[float]) -> float | None:
    """The usual time between lines."""
    gaps = [b - a for a, b in itertools.pairwise(times_s)]
    return statistics.median(gaps) if len(gaps) >= 2 else None


# -- sentences


def _sentences(lines: list[str]) -> Found | None:
    sound = [match for line in lines if (match := _SENTENCE.fullmatch(line.strip()))]
    sound = [m for m in sound if checksum("xor", f"${m[1]}".encode("latin-1")) == int(m[2], 16)]
    if len(sound) < 0.8 * len(lines):
        return None
    for match in sound:
        address, *fields = match[1].split(",")
        if not address.endswith("XDR"):
            continue
        for at in range(0, len(fields) - 3, 4):
            kind, number, unit, name = fields[at : at + 4]
            if kind == "P" and unit in ("P", "B"):
                keys = {"form": '"nmea"', "nmea": f'{{ sentence = "XDR", transducer = "{name}" }}'}
                words = [f'NMEA 0183 sentences; pressure of the transducer "{name}".']
                return Found(keys, words, f"{number} {'Pa' if unit == 'P' else 'bar'}")
    names = ", ".join(sorted({match[1].split(",")[0] for match in sound}))
    return Found(
        {"form": '"nmea"', "nmea": '{ sentence = "???", field = 1 }'},
        [f"NMEA 0183 sentences ({names}), no pressure transducer among them: say in which sentence "
         "and field the pressure stands."],
        "",
    )  # fmt: skip


# -- lines


class _Piece(NamedTuple):
    kind: str
    """"number", "word", "space" or "text"."""
    text: str


def _pattern(lines: list[str], marks: Marks) -> Found | None:
    """The keys of lines or frames: split what is between the marks, then put the marks back."""
    frames = [line.encode("latin-1") for line in lines]
    texts = [marks.inner(frame).decode("latin-1").strip("\r\n") for frame in frames]
    check = _checksum_of(texts)
    start, end = in_pattern(marks.start.decode()), in_pattern(marks.end.decode())
    if marks.after:
        end += f"{{{_marked_check(frames, marks)}}}"
    for mark in _codes(ENDING):  # an unknown kind of check follows it
        sign = mark.decode()
        if not marks.end and all(sign in text for text in texts):
            texts, end = [text.partition(sign)[0] for text in texts], f"{in_pattern(sign)}{{*}}"
    for decimal in _decimals(texts):
        bodies = [text[:-2] if check else text for text in texts]
        cut = [_cut(body.strip(" \t"), decimal) for body in bodies]
        shape = Counter(tuple(p.kind for p in pieces) for pieces in cut).most_common(1)[0][0]
        alike = [pieces for pieces in cut if tuple(p.kind for p in pieces) == shape]
        if len(alike) < max(LINES_LEAST, 0.6 * len(lines)):
            continue
        columns = list(zip(*alike, strict=True))
        for at, unit in _candidates(columns):
            around = (start, f"{{{check}}}{end}" if check else end)
            found = _try(columns, at, unit, decimal, lines, around)
            if found is not None:
                return found
    return None


def _decimals(lines: list[str]) -> list[str]:
    """Characters that may begin the decimals, the likelier first."""
    if any(re.search(r"[0-9]\.[0-9]", line) for line in lines):
        return ["point"]
    comma = all(len(re.findall(r"[0-9],[0-9]", line)) == 1 for line in lines)
    return ["comma", "point"] if comma else ["point"]


def _cut(line: str, decimal: str) -> list[_Piece]:
    form = rf"([+-]? *(?:{_DIGITS[decimal]})(?:[eE][+-]?[0-9]+)?)(?![0-9])"
    pieces: list[_Piece] = []
    at = 0
    for match in re.finditer(rf"{form}|{_WORD}|([ \t]+)", line):
        if match.start() > at:
            pieces.append(_Piece("text", line[at : match.start()]))
        kind = "number" if match[1] else "word" if match[2] else "space"
        pieces.append(_Piece(kind, match[0]))
        at = match.end()
    if at < len(line):
        pieces.append(_Piece("text", line[at:]))
    return pieces


def _candidates(columns: list[tuple[_Piece, ...]]) -> list[tuple[int, int | None]]:
    """Columns that may hold the pressure, each with the column of its unit, likeliest first: those
    followed by a unit of pressure, then the numbers that change, then the rest."""
    numbers = [at for at, column in enumerate(columns) if column[0].kind == "number"]
    with_unit: list[tuple[int, int | None]] = []
    for at in numbers:
        for behind in (at + 1, at + 2):
            if behind < len(columns) and columns[behind][0].kind == "word":
                if all(table_unit("pressure", piece.text) for piece in columns[behind]):
                    with_unit.append((at, behind))
                break
    numbers.sort(key=lambda at: -_likely(columns, at))
    return [*with_unit, *((at, None) for at in numbers)]


def _likely(columns: list[tuple[_Piece, ...]], at: int) -> int:
    """How much a column of numbers looks like readings: it changes, it has decimals, it is not a
    counter, and it is not part of a time of day."""
    texts = [piece.text.replace(" ", "").replace(",", ".") for piece in columns[at]]
    try:
        values = [float(text) for text in texts]
    except ValueError:
        return 0
    steps = {round(b - a, 6) for a, b in itertools.pairwise(values)}
    beside = [columns[n][0].text for n in (at - 1, at + 1) if 0 <= n < len(columns)]
    clock = any(text.strip() == ":" for text in beside)
    return 4 * (len(steps) > 1) + 2 * any("." in text for text in texts) - 6 * clock


def _try(
    columns: list[tuple[_Piece, ...]],
    at: int,
    unit: int | None,
    decimal: str,
    lines: list[str],
    around: tuple[str, str],
) -> Found | None:
    """The pattern with the pressure in column `at`, if it reads the lines. `around` goes before and
    after the text from the columns."""
    for bold in (True, False):
        text = around[0] + _written(columns, at, unit, bold=bold) + around[1]
        try:
            pattern = parse_pattern(text, None if unit is not None else "kPa", decimal)
        except PatternError:
            continue
        read = [match for line in lines if (match := pattern.regex.fullmatch(line))]
        good = [match for match in read if match["word"] is None]
        if len(read) < 0.8 * len(lines) or not good:
            continue
        words = [f"Lines of text like: {named(lines[-1].encode('latin-1'))}"]
        keys = {"pattern": f'"{text}"' if '"' not in text else f"'{text}'"}
        if decimal == "comma":
            keys["decimal"] = '"comma"'
        shown = f"{read_number(good[-1]['pressure'], decimal):g}"
        if unit is not None:
            shown += f" {good[-1]['unit']}"
        else:
            words.append("Nothing in the line says the unit: write it down from the gauge.")
        changing = sum(len({p.text for p in c}) > 1 for c in columns if c[0].kind == "number")
        if unit is None and changing > 1:
            words.append(
                f"Several numbers change; the one that read {shown} last was taken for the "
                "pressure. If it is another, write {pressure} in that one's place."
            )
        return Found(keys, words, shown)
    return None


def _written(columns: list[tuple[_Piece, ...]], at: int, unit: int | None, *, bold: bool) -> str:
    """The columns as a pattern. `bold` keeps text that never changed; otherwise only what is next
    to the pressure is kept and the rest is ignored."""
    parts: list[str] = []
    for n, column in enumerate(columns):
        texts = {piece.text for piece in column}
        kind = column[0].kind
        if n == at:
            parts.append("{pressure}")
        elif n == unit:
            parts.append("{unit}")
        elif kind == "space":
            parts.append(" ")
        elif (
            len(texts) == 1
            and (bold or kind == "text")
            and (kind != "number" or _is_name(columns, n))
        ):
            parts.append(in_pattern(texts.pop()))
        else:
            parts.append("{*}")
    text = "".join(parts)
    while "{*}{*}" in text or "{*} {*}" in text:
        text = text.replace("{*}{*}", "{*}")
        if "{*} {*}" in text and not bold:
            text = text.replace("{*} {*}", "{*}")
        elif "{*}{*}" not in text:
            break
    return text


def _is_name(columns: list[tuple[_Piece, ...]], at: int) -> bool:
    """Whether a number that never changed is part of a channel's name, as in "P1: 2.56 bar": the
    line of another channel must not be read as this one."""
    if not 0 < at < len(columns) - 1 or columns[at - 1][0].kind != "word":
        return False
    if not columns[at][0].text.isdecimal():
        return False
    behind = {piece.text.strip()[:1] for piece in columns[at + 1]}
    before = {piece.text.casefold() for piece in columns[at - 1]}
    return behind <= {":", "="} or before <= CHANNEL_WORDS


def _checksum_of(lines: list[str]) -> str | None:
    """The checksum at the end of every line, if there is one."""
    for kind in ("xor", "sum"):
        if all(
            re.search(r"[0-9A-Fa-f]{2}$", line)
            and checksum(kind, line[:-2].encode("latin-1", "replace")) == int(line[-2:], 16)
            for line in lines
        ):
            return kind
    return None
