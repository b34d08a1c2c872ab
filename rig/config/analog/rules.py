# SPDX-License-Identifier: MIT
"""Cross checks of the converter, its channels and the engine speed's line.

Every comparison is written so that NaN is refused.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from rig.config.analog import signal
from rig.config.analog.channels import gauge_channels
from rig.config.analog.limit_rules import LIMIT_RULES
from rig.config.analog.model import ALWAYS_DIFFERENTIAL, INPUTS, SPI_LINES, AnalogChannel
from rig.config.files.problems import Finding
from rig.config.setup.model import Setup

Findings = Iterator[Finding]

NEEDS: dict[str, tuple[str, ...]] = {
    "ratiometric": ("range",),
    "linear": ("range", "voltage_range"),
    "current loop": ("range", "shunt"),
    "thermistor": ("series_resistor",),
    "platinum": ("series_resistor",),
    "voltage": (),
    "shunt": ("shunt",),
    "hall": ("sensitivity",),
}
ONLY_FOR: dict[str, tuple[str, ...]] = {
    "voltage_range": ("linear",),
    "shunt": ("current loop", "shunt"),
    "sensitivity": ("hall",),
    "series_resistor": ("thermistor", "platinum"),
    "resistance_25": ("thermistor",),
    "beta": ("thermistor",),
    "steinhart_hart": ("thermistor",),
    "supply": ("ratiometric", "thermistor", "platinum"),
    "supply_from": ("ratiometric",),
}
"""Keys that apply only to some kinds."""
ATTRIBUTES = {
    "voltage_range": "voltage_range_v",
    "shunt": "shunt_ohm",
    "sensitivity": "sensitivity_ohm",
    "series_resistor": "series_resistor_ohm",
    "resistance_25": "resistance_25_ohm",
    "beta": "beta_k",
    "supply": "supply_v",
}
RANGES = {
    "pressure": "pressure_range",
    "cylinder_pressure": "pressure_range",
    "oil_temperature": "temperature_range",
    "coil_current": "current_range",
}
RANGE_ATTRIBUTES = {
    "pressure_range": "pressure_range_kpa",
    "temperature_range": "temperature_range_degc",
    "current_range": "current_range_a",
}
FITS: dict[str, tuple[str, ...]] = {
    "thermistor": ("oil_temperature",),
    "platinum": ("oil_temperature",),
    "voltage": ("supply_voltage", "sensor_supply"),
    "shunt": ("coil_current",),
    "hall": ("coil_current",),
    **dict.fromkeys(("ratiometric", "linear", "current loop"), tuple(RANGES)),
}
"""The channels that a kind of sensor can give."""


def converter_and_channels(setup: Setup) -> Findings:
    """A converter has channels, and channels have a converter."""
    if setup.converter is None and setup.analog:
        yield Finding(
            ("analog",),
            "there are analogue channels and no converter that reads them",
            "describe it in a [converter] table",
        )
    if setup.converter is not None and not setup.analog:
        yield Finding(
            ("converter",),
            "nothing is wired to the converter",
            "add an [[analog]] table for each input that is used, or take [converter] out",
        )


def bus_lines(setup: Setup) -> Findings:
    """The lines of the converter's SPI port have no other use (those of port 0 never do)."""
    chip = setup.converter
    if chip is None:
        return
    lines = SPI_LINES[chip.port]
    used = {lines[name] for name in ("clock", "data in", "data out", f"select {chip.device}")}
    for table, line in setup.lines.items():
        if chip.port and line in used:
            yield Finding(
                (table, "line"),
                f"GPIO {line} belongs to SPI port {chip.port}, on which the converter is",
                "give it another line, or put the converter on port 0",
            )


def channels_once(setup: Setup) -> Findings:
    """Each channel has one source, each input one channel."""
    from_gauge = gauge_channels(setup)
    channels: set[str] = set()
    inputs: dict[int, str] = {}
    for n, item in enumerate(setup.analog):
        if item.channel in from_gauge:
            yield Finding(
                ("analog", n, "channel"),
                f"the gauge gives {item.channel} already, and there can be only one of it",
                "take one of the two out",
            )
        if item.channel in channels:
            yield Finding(
                ("analog", n, "channel"), f"{item.channel} stands here twice", "take one out"
            )
        channels.add(item.channel)
        pair = [item.input, item.input ^ 1] if item.differential else [item.input]
        for place in pair:
            if place in inputs:
                yield Finding(
                    ("analog", n, "input"),
                    f"input {place} is already that of {inputs[place]}",
                    "give each its own input; a differential channel takes the pair",
                )
            inputs[place] = item.channel
    if setup.engine_speed is not None and "engine_speed" in from_gauge:
        yield Finding(
            ("engine_speed",), "the gauge gives the engine speed already", "take one of them out"
        )


def inputs_exist(setup: Setup) -> Findings:
    """The chip has the input; a chip that reads one pair is not asked for more."""
    converter = setup.converter
    if converter is None:
        return
    count = INPUTS[converter.type]
    for n, item in enumerate(setup.analog):
        if not item.input < count:
            last = f"0 to {count - 1}" if count > 1 else "0 alone"
            yield Finding(
                ("analog", n, "input"), f"the {converter.type} has inputs {last}", "correct it"
            )
        if converter.type in ALWAYS_DIFFERENTIAL and item.differential:
            yield Finding(
                ("analog", n, "differential"),
                f"the {converter.type} reads its one pair always, and has no key for it",
                "take this key out",
            )


def keys_fit_the_kind(setup: Setup) -> Findings:
    """Each kind has the keys it needs, and none without effect."""
    for n, item in enumerate(setup.analog):
        here = ("analog", n)
        if item.channel not in FITS[item.kind]:
            yield Finding(
                (*here, "kind"),
                f"a {item.kind} cannot give {item.channel}",
                f"it gives {', '.join(FITS[item.kind])}",
            )
            continue
        for key, kinds in ONLY_FOR.items():
            if getattr(item, ATTRIBUTES.get(key, key)) is not None and item.kind not in kinds:
                what = f"{key} has no say for a {item.kind}"
                yield Finding((*here, key), what, "take it out, or correct kind")
        yield from _range_key(item, here)
        for key in NEEDS[item.kind]:
            if key != "range" and getattr(item, ATTRIBUTES[key]) is None:
                yield Finding((*here, key), f"a {item.kind} needs {key}", "add it")
        if (item.divider_upper_ohm is None) != (item.divider_lower_ohm is None):
            yield Finding(
                (*here, "divider_upper"),
                "a divider has two resistors, and one of them is missing",
                "give divider_upper (to the signal) and divider_lower (to ground)",
            )


def _range_key(item: AnalogChannel, here: tuple[str, int]) -> Findings:
    wanted = RANGES.get(item.channel) if "range" in NEEDS[item.kind] else None
    for key, attribute in RANGE_ATTRIBUTES.items():
        given = getattr(item, attribute) is not None
        if given and key != wanted:
            yield Finding(
                (*here, key),
                f"{key} has no say for {item.channel} from a {item.kind}",
                "take it out" if wanted is None else f"take it out and give {wanted}",
            )
        if not given and key == wanted:
            yield Finding((*here, key), f"a {item.kind} needs {key}", "give it as on its label")
    expects = item.channel == "pressure"
    if expects and item.expected_range_kpa is None:
        yield Finding(
            (*here, "expected_range"),
            "the pressure needs the range that a healthy run should show",
            'add expected_range = ["0 psi", "..."]',
        )
    if not expects and item.expected_range_kpa is not None:
        yield Finding((*here, "expected_range"), "only the pressure has one", "take it out")


def supplies(setup: Setup) -> Findings:
    """A ratiometric sensor's supply is stated or measured."""
    for n, item in enumerate(setup.analog):
        if item.kind != "ratiometric":
            continue
        if item.supply_v is None and item.supply_from is None:
            yield Finding(
                ("analog", n, "supply"),
                "a ratiometric sensor's supply must be stated or measured",
                'write supply = "5 V", or supply_from = "sensor_supply" and a channel for it',
            )
        if item.supply_from is not None and setup.analog_of(item.supply_from) is None:
            yield Finding(
                ("analog", n, "supply_from"),
                f"there is no channel {item.supply_from}",
                f'add an [[analog]] table with channel = "{item.supply_from}", kind = "voltage"',
            )
        if not item.signal_low < item.signal_high:
            yield Finding(
                ("analog", n, "signal_high"), "it is not above signal_low", "correct one of them"
            )


def thermistors(setup: Setup) -> Findings:
    """A thermistor has its three coefficients, or its two numbers."""
    for n, item in enumerate(setup.analog):
        if item.kind != "thermistor":
            continue
        two = (item.resistance_25_ohm is not None) + (item.beta_k is not None)
        if (item.steinhart_hart is not None) == (two == 2) or two == 1:
            yield Finding(
                ("analog", n, "steinhart_hart"),
                "a thermistor needs either steinhart_hart or both resistance_25 and beta",
                "take them from its data sheet",
            )
        elif item.steinhart_hart is not None and not (
            item.steinhart_hart[1] > 0.0 and item.steinhart_hart[2] >= 0.0
        ):
            yield Finding(
                ("analog", n, "steinhart_hart"),
                "B must be above zero, and C not below it: such a thermistor falls with heat",
                "check the order A, B, C and the powers of ten",
            )


def fast_channels(setup: Setup) -> Findings:
    """Only a linear sensor fits into a block of codes; non-linear sensors are slow anyway."""
    for n, item in enumerate(setup.analog):
        if item.fast and not signal.is_linear(item):
            yield Finding(
                ("analog", n, "fast"),
                f"a {item.kind} is too slow to be sampled fast",
                "take it out",
            )


def signal_reaches_no_stop(setup: Setup) -> Findings:
    """The whole range, and the limit's reading, stay below the converter's reference."""
    converter = setup.converter
    if converter is None:
        return
    for n, item in enumerate(setup.analog):
        top = _highest_reading(item, setup)
        if top is None or not signal.is_linear(item):
            continue
        try:
            supply_v = signal.supply_should_v(item)
            volts = signal.input_volts(top, item, converter, supply_v)
        except ValueError:  # reported by keys_fit_the_kind
            continue
        if not volts <= converter.reference_v:
            yield Finding(
                ("analog", n),
                f"at {top:g} the input would see {volts:.3g} V, more than the reference of "
                f"{converter.reference_v:g} V: the reading would stop short, and so would a limit",
                "use a divider, a smaller shunt or gain, or a higher reference; never let an input "
                "see more than the converter's supply",
            )


def _highest_reading(item: AnalogChannel, setup: Setup) -> float | None:
    if item.range is not None:
        return item.range[1]
    limits = setup.limits
    match item.channel:
        case "supply_voltage":
            return limits.supply_voltage_max_v or setup.coil.supply_voltage_v
        case "coil_current":
            return max(setup.coil_current_a, limits.coil_current_a or 0.0)
        case "sensor_supply":
            return 5.0
    return None


ANALOG_RULES: tuple[Callable[[Setup], Findings], ...] = (
    converter_and_channels,
    bus_lines,
    channels_once,
    inputs_exist,
    keys_fit_the_kind,
    supplies,
    thermistors,
    fast_channels,
    signal_reaches_no_stop,
    *LIMIT_RULES,
)
