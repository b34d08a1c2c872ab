# SPDX-License-Identifier: MIT
import pytest

from rig.config.gauge.pattern import PatternError, parse_pattern


def number(pattern: str, line: str, unit: str | None = "psi") -> str | None:
    found = parse_pattern(pattern, unit).regex.fullmatch(line)
    return None if found is None else found["pressure"]


@pytest.mark.parametrize(
    ("pattern", "line", "expected"),
    [
        # text, and spaces where a gauge pads its number
        ("{pressure} psi", "98.6 psi", "98.6"),
        ("{pressure} psi", "98.6psi", "98.6"),
        ("{pressure} psi", "  -0.5\t psi  ", "-0.5"),
        ("P={pressure}", "P=   7", "7"),
        ("P={pressure}", "P=.5", ".5"),
        ("P={pressure}", "P=5.", "5."),
        ("P={pressure}", "P=+1.25E+01", "+1.25E+01"),
        ("{pressure} psi", "98.6 bar", None),
        ("{pressure} psi", "98.6 psi, 25 degC", None),
        ("{{{pressure}}}", "{5}", "5"),
        # numbers that are none
        ("{pressure} {unit}", "1_000 psi", None),
        ("{pressure} {unit}", "12,5 psi", None),
        ("{pressure} {unit}", "12.5.3 psi", None),
        ("{pressure} {unit}", "12.5 .3 psi", None),
        ("{pressure}", "1e4000", None),
        ("{pressure}", "-  5", "-  5"),
        ("{pressure}", "--5", None),
        ("{pressure}", "0x10", None),
        ("{pressure}", "", None),
        ("{pressure} .3", "12.5.3", None),
        # what is ignored ends at the first place where what follows is found
        ("{*} {pressure} {*}", "ch1 2.5 ok", "2.5"),
        ("{*} {pressure} {*}", "ch1 x 2.5 ok", None),
        ("{*}P={pressure}", "T=1 P=5", "5"),
        ("{*} P={pressure}", "T=1 P=5", "5"),
        ("{*} P={pressure}", "P=5", None),
        ("{*}, {pressure} psi", "a, 5 bar, 6 psi", None),
        ("{*},{*},{pressure},{*}", "1,2,3,4,5", "3"),
        ("{*};{pressure}", ";5", "5"),
        ("{pressure};{*}", "5;", "5"),
        # digits of the text are never digits of the number
        ("CH1 {pressure} {*}", "CH1 2.5 x", "2.5"),
        ("CH1 {pressure} {*}", "CH12 5.0 x", None),
        ("01{pressure}", "01+002.5", "+002.5"),
        ("01{pressure}", "01 -2.5", "-2.5"),
        ("01{pressure}", "012.5", None),
        ("P - {pressure}", "P -5", None),
        ("P - {pressure}", "P - -5", "-5"),
    ],
)
def test_lines(pattern: str, line: str, expected: str | None) -> None:
    assert number(pattern, line) == expected


@pytest.mark.parametrize(
    "word",
    ["nan", "NaN", "-inf", "OL", "OFL", "over", "----", "-.-", "--.--", "****", "Err", "UNDER"],
)
def test_what_gauges_show_for_no_value_is_not_a_number(word: str) -> None:
    found = parse_pattern("{pressure} {unit}", None).regex.fullmatch(f"{word} psi")
    assert found is not None
    assert found["word"] == word


@pytest.mark.parametrize("word", ["online", "none", "nano", "-", "*", "errors"])
def test_other_words_do_not_match(word: str) -> None:
    assert number("{pressure} psi", f"{word} psi") is None


def test_unit_of_the_line() -> None:
    pattern = parse_pattern("{pressure} {unit}", None)
    assert pattern.unit_in_line
    assert pattern.factor_kpa is None
    for line, unit in {
        "1 psi": "psi", "1kgf/cm\xc2\xb2": "kgf/cm\xc2\xb2", "1 bar(g)": "bar(g)", "1e1bar": "bar",
    }.items():  # fmt: skip
        found = pattern.regex.fullmatch(line)
        assert found is not None
        assert found["unit"] == unit


@pytest.mark.parametrize(
    ("pattern", "unit", "key", "position", "words"),
    [
        ("", "psi", "pattern", 0, "put {pressure} where the number stands"),
        ("{pressure", "psi", "pattern", 0, 'write "{{" for the character'),
        ("{pressure} }", "psi", "pattern", 11, 'write "}}" for the character'),
        ("P={presure}", "psi", "pattern", 2, "write {pressure}"),
        ("{value}", "psi", "pattern", 0, "field {value}; write {pressure, oil_temperature,"),
        ("{pressure} {pressure}", "psi", "pattern", 11, "stands twice"),
        ("{pressure} {unit} {unit}", None, "pattern", 18, "stands twice"),
        ("{*}{pressure}", "psi", "pattern", 3, "put the text or the space between them"),
        ("{pressure}{*}", "psi", "pattern", 10, "put the text or the space between them"),
        ("{*}{*} {pressure}", "psi", "pattern", 3, "not known where one ends"),
        ("{unit}{pressure}", None, "pattern", 6, "needs a space or text before it"),
        ("P-{pressure}", "psi", "pattern", 1, "the number carries its own sign"),
        ("{pressure}5", "psi", "pattern", 10, "it never matches"),
        ("{pressure}{unit}s", None, "pattern", 16, "is part of the unit"),
        ("{pressure}\r\n", "psi", "pattern", 10, "the rig finds line ends"),
        ("{stx}{pressure}", "psi", "pattern", 0, "write {STX}"),
        ("{STX}{pressure}{CR}{LF}", "psi", "pattern", 15, "the rig finds line ends"),
        ("{HT}{pressure}", "psi", "pattern", 0, "write a space"),
        ("\x02{pressure}", "psi", "pattern", 0, "write {STX} for it"),
        ("{STX}{pressure}{STX}", "psi", "pattern", 15, "leave out the end mark"),
        ("{STX}{pressure} {STX}{*}{ETX}", "psi", "pattern", 16, "frame begins or ends"),
        ("{STX}{pressure}{bcc}{ETX}", "psi", "pattern", 15, "write it last, behind the end mark"),
        ("{pressure} {bcc}", "psi", "pattern", 11, "write it last, behind the end mark"),
        ("{STX}{pressure}*{xor}{ETX}x", "psi", "pattern", 16, "stands before the end marks"),
        ("{pressure} °", "psi", "pattern", 11, "put {*} in its place"),
        ("{pressure}", None, "pattern", 10, 'the key unit, like unit = "psi"'),
        ("{pressure}", "psia", "unit", 0, "set the gauge to show gauge pressure"),
        ("{pressure}", "degC", "unit", 0, "write one of psi"),
    ],
)
def test_refused_patterns_say_where_and_what_to_do(
    pattern: str, unit: str | None, key: str, position: int, words: str
) -> None:
    with pytest.raises(PatternError) as caught:
        parse_pattern(pattern, unit)
    error = caught.value
    assert isinstance(error, ValueError)
    assert (error.key, error.position) == (key, position)
    assert words in str(error)
    if key == "pattern":
        assert f"at character {position + 1}" in str(error)


@pytest.mark.parametrize("line", ["198.654E", "1E", "5.e", "+ 7.25E", "1,5E+"])
def test_an_exponent_without_digits_is_no_number(line: str) -> None:
    """Python 3.11.2 took these through a possessive quantifier."""
    for pattern in ("{pressure}", "{*} {pressure}"):
        assert not parse_pattern(pattern, "kPa").regex.fullmatch(line)


@pytest.mark.parametrize(
    ("pattern", "start", "end", "after"),
    [
        ("{STX}{pressure}{ETX}", b"\x02", b"\x03", 0),
        ("{pressure}{ETX}", b"", b"\x03", 0),
        ("{STX}{pressure}", b"\x02", b"", 0),
        ("{SOH}{*}{STX}{pressure}{ETX}{EOT}", b"\x01", b"\x03\x04", 0),
        ("{STX}{pressure}{ETX}{xor}", b"\x02", b"\x03", 2),
        ("{STX}{pressure}{ETX}{bcc}", b"\x02", b"\x03", 1),
        ("{STX}{pressure}*{sum}{ETX}", b"\x02", b"\x03", 0),
        ("{STX}{pressure}{ETX}{*}", b"\x02", b"", 0),
        ("P{GS}{pressure}", b"", b"", 0),
    ],
)
def test_marks_around_the_pattern_frame_it(
    pattern: str, start: bytes, end: bytes, after: int
) -> None:
    assert parse_pattern(pattern, "kPa").marks == (start, end, after)


@pytest.mark.parametrize(
    ("pattern", "frame"),
    [
        ("{STX}{pressure} {unit}{ETX}", "\x02241.5 kPa\x03"),
        ("{STX}{pressure} {unit}{ETX}", "\x02  241.5  kPa \r\n\x03"),
        ("{STX} {pressure} kPa {ETX}", "\x02241.5 kPa\x03"),
        ("{STX}{*} {pressure}{ETX}", "\x02no 241.5\x03"),
        ("{STX}T{*}{GS}{pressure}{GS}{unit}{ETX}", "\x02T 80\x1d241.5\x1dkPa\x03"),
        ("{STX}{pressure}{ETX}{*}", "\x02241.5\x03A7"),
    ],
)
def test_frames_match_with_their_marks(pattern: str, frame: str) -> None:
    found = parse_pattern(pattern, "kPa").regex.fullmatch(frame)
    assert found is not None and found["pressure"] == "241.5"
    assert parse_pattern(pattern, "kPa").regex.fullmatch(frame.replace("\x02", "")) is None
