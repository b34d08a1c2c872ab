# SPDX-License-Identifier: MIT
"""What a setup's gauge must state for its form, and which keys have no effect there."""

from __future__ import annotations

from collections.abc import Iterator

from rig.config.analog.channel_units import unit_of
from rig.config.files.problems import Finding
from rig.config.gauge.model import TWO_WORDS, GaugeChannel, GaugeSetup, Registers, SentenceField
from rig.config.gauge.pattern import PatternError, parse_pattern
from rig.config.gauge.text import TextError, from_escapes
from rig.config.gauge.units import UnitError
from rig.config.setup.model import Setup

Findings = Iterator[Finding]
Where = tuple[str | int, ...]

KEYS = {
    "pattern": ("stream", "query"),
    "ask": ("query",),
    "modbus": ("modbus",),
    "nmea": ("nmea",),
}
"""Keys that belong to some forms alone; each is needed there."""
EXAMPLES = {
    "pattern": 'pattern = "{pressure} {unit}"',
    "ask": 'ask = "MEAS:PRES?\\n"',
    "modbus": "a table [gauge.modbus] with address",
    "nmea": 'a table [gauge.nmea] with sentence = "XDR" and transducer',
}


def gauge_form(setup: Setup) -> Findings:
    """Each form has the keys it needs and none of the others'."""
    gauge = setup.gauge
    if gauge is None:
        return
    for key, forms in KEYS.items():
        given = getattr(gauge, key) is not None
        if given and gauge.form not in forms:
            yield Finding(
                ("gauge", key),
                f'the key {key} belongs to form = "{forms[0]}", and this gauge has form = '
                f'"{gauge.form}"',
                f'take it out, or write form = "{forms[0]}"',
            )
        elif not given and gauge.form in forms:
            yield Finding(
                ("gauge", key),
                f'this is missing: form = "{gauge.form}" needs it',
                f"add {EXAMPLES[key]}",
            )
    if gauge.form == "modbus" and gauge.unit is None:
        yield Finding(
            ("gauge", "unit"),
            "registers hold plain numbers, and nothing says which unit they have",
            'add the key unit, like unit = "bar"',
        )
    if gauge.echo and not gauge.asked:
        yield Finding(
            ("gauge", "echo"),
            "nothing is sent to this gauge, so nothing can come back",
            'take echo out, or use form = "query" or "modbus"',
        )


def gauge_numbers(setup: Setup) -> Findings:
    """Point and comma cannot each have two roles."""
    gauge = setup.gauge
    if gauge is None:
        return
    if gauge.decimal == gauge.thousands:
        yield Finding(
            ("gauge", "thousands"),
            f"the {gauge.decimal} cannot both begin the decimals and part the thousands",
            "look at a number of the gauge above a thousand, or take thousands out",
        )
    if gauge.form in ("modbus", "nmea"):
        for key, usual in (("decimal", "point"), ("thousands", "none")):
            if getattr(gauge, key) != usual:
                yield Finding(
                    ("gauge", key),
                    f'numbers of form = "{gauge.form}" are not written that way',
                    "take it out",
                )


def gauge_pattern(setup: Setup) -> Findings:
    """The pattern can be used, together with the units, and names the channels."""
    gauge = setup.gauge
    if gauge is None or gauge.pattern is None or gauge.form not in KEYS["pattern"]:
        return
    try:
        pattern = parse_pattern(gauge.pattern, gauge.unit, gauge.decimal, gauge.thousands)
    except PatternError as error:
        if error.key == "pattern":  # a wrong unit is reported at its own field
            what = f"{error.what} (at character {error.position + 1})"
            yield Finding(("gauge", "pattern"), what, error.remedy)
        return
    described = {channel.channel for channel in gauge.channels}
    for name in pattern.channels:
        if name != "pressure" and name not in described:
            yield Finding(
                ("gauge", "pattern"),
                f"{{{name}}} has no unit",
                f'add a table [[gauge.channels]] with channel = "{name}" and unit',
            )
    for n, channel in enumerate(gauge.channels):
        if channel.channel not in pattern.channels:
            yield Finding(
                ("gauge", "channels", n, "channel"),
                f"the pattern has no {{{channel.channel}}}",
                f"put {{{channel.channel}}} where its number stands, or take the table out",
            )


def gauge_ask(setup: Setup) -> Findings:
    """The query can be sent."""
    gauge = setup.gauge
    if gauge is None or gauge.ask is None:
        return
    try:
        sent = from_escapes(gauge.ask)
    except TextError as error:
        yield Finding(("gauge", "ask"), str(error.what), error.remedy)
        return
    if gauge.bytesize == 7 and any(byte > 127 for byte in sent):
        yield Finding(
            ("gauge", "ask"), "a byte above 127 cannot be sent with 7 bits", "use bytesize = 8"
        )


def gauge_channels(setup: Setup) -> Findings:
    """Every further channel has its place, its unit and a valid range."""
    gauge = setup.gauge
    if gauge is None:
        return
    seen: set[str] = set()
    for n, channel in enumerate(gauge.channels):
        here: Where = ("gauge", "channels", n)
        if channel.channel in seen:
            yield Finding(
                (*here, "channel"), f"{channel.channel} is described twice", "take one table out"
            )
        seen.add(channel.channel)
        yield from _channel(gauge, channel, here)
    if gauge.modbus is not None and gauge.form == "modbus":
        yield from _registers(gauge.modbus, ("gauge", "modbus"))
    if gauge.nmea is not None and gauge.form == "nmea":
        yield from _sentence(gauge.nmea, ("gauge", "nmea"))


def _channel(gauge: GaugeSetup, channel: GaugeChannel, here: Where) -> Iterator[Finding]:
    if channel.unit is not None:
        try:
            unit_of(channel.channel, channel.unit)
        except UnitError as error:
            yield Finding((*here, "unit"), error.what, error.remedy)
    elif gauge.form != "nmea":
        yield Finding(here, f"nothing says which unit {channel.channel} has", "add the key unit")
    low, high = channel.lowest, channel.highest
    if low is not None and high is not None and not low < high:
        yield Finding((*here, "highest"), "the range is reversed or empty", "swap the two")
    for key in ("modbus", "nmea"):
        place = getattr(channel, key)
        if key == gauge.form and place is None:
            yield Finding(
                here,
                f"nothing says where {channel.channel} stands",
                f"add {key} = {{ {'address = 0' if key == 'modbus' else 'sentence = ...'} }}",
            )
        elif key != gauge.form and place is not None:
            yield Finding(
                (*here, key),
                f'this belongs to form = "{key}", and the gauge has form = "{gauge.form}"',
                "take it out",
            )
    if gauge.form == "modbus" and channel.modbus is not None:
        yield from _registers(channel.modbus, (*here, "modbus"))
    if gauge.form == "nmea" and channel.nmea is not None:
        yield from _sentence(channel.nmea, (*here, "nmea"))


def _registers(place: Registers, here: Where) -> Iterator[Finding]:
    if place.scale == 0:
        yield Finding((*here, "scale"), "every reading would be the same", "write another scale")
    two = place.type in TWO_WORDS
    if two and place.address == 65_535:
        yield Finding((*here, "address"), "there is no register after it", "correct the address")
    if not two and place.word_order in ("CDAB", "DCBA"):
        yield Finding(
            (*here, "word_order"),
            f"a number of type {place.type} is one register and has two bytes",
            'write "ABCD", or "BADC" where its bytes are swapped',
        )


def _sentence(place: SentenceField, here: Where) -> Iterator[Finding]:
    xdr = place.sentence.endswith("XDR")
    if (place.field is None) == (place.transducer is None):
        yield Finding(
            here,
            "one of field and transducer says where the number stands",
            "give exactly one of them",
        )
    elif place.transducer is not None and not xdr:
        yield Finding(
            (*here, "transducer"),
            "only XDR sentences name transducers",
            "give field, the place of the number counted from 1",
        )


def gauge_asked_in_time(setup: Setup) -> Findings:
    """A reply awaited for longer than readings may be old would trip at its first failure."""
    gauge = setup.gauge
    if gauge is not None and gauge.asked and not gauge.reply_within_s < setup.gauge_stale_s:
        yield Finding(
            ("gauge", "reply_within"),
            f"a lost reply is noticed after {gauge.reply_within_s:g} s, and readings are stale "
            f"after {setup.gauge_stale_s:g} s",
            "write a shorter time, or a longer limits.gauge_stale",
        )


GAUGE_RULES = (
    gauge_form,
    gauge_numbers,
    gauge_pattern,
    gauge_ask,
    gauge_channels,
    gauge_asked_in_time,
)
