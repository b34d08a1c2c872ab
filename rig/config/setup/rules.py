# SPDX-License-Identifier: MIT
"""Cross checks of a setup: values that are readable but contradict each other.

Each rule checks one thing and yields what is wrong with it. Every comparison is written so that NaN
is refused.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from rig.config.analog.rules import ANALOG_RULES
from rig.config.calibration_rules import calibration_rules, relay_delay_order, timing_rules
from rig.config.files.problems import Finding, listed
from rig.config.gauge.rules import GAUGE_RULES
from rig.config.setup.model import Setup
from rig.physics.fuse import CONTINUOUS_LOADING_MAX, may_carry, next_size_a

HEADER_LINES = range(28)
RESERVED_LINES = {
    **dict.fromkeys((0, 1), "the ID EEPROM of an add-on board"),
    **dict.fromkeys((2, 3), "I2C"),
    **dict.fromkeys((7, 8, 9, 10, 11), "SPI"),
    **dict.fromkeys((14, 15), "the serial port (UART)"),
}
FIRST_RELAY_LINE = 9
"""Lines 0 to 8 are pulled up from power-on until the program runs, 9 to 27 down (common
practice, no source): on a lower line the relay could pull in at boot."""

Findings = Iterator[Finding]


def _free(first: int, wired: set[int]) -> str:
    free = [n for n in HEADER_LINES if n >= first and n not in RESERVED_LINES and n not in wired]
    return listed(str(n) for n in free)


def _line(table: str, line: int, first: int) -> Findings:
    remedy = f"use one of the lines {_free(first, set())}"
    if line not in HEADER_LINES:
        yield Finding((table, "line"), "this line is not on the board's header (0 to 27)", remedy)
    elif line in RESERVED_LINES:
        what = f"GPIO {line} is reserved for {RESERVED_LINES[line]}"
        yield Finding((table, "line"), what, remedy)


def relay_line(setup: Setup) -> Findings:
    """A line of the header, free, and low from power-on."""
    line = setup.relay.line
    if 0 <= line < FIRST_RELAY_LINE:
        yield Finding(
            ("relay", "line"),
            f"GPIO {line} is pulled up at boot, like all of 0 to 8: the relay could energise the "
            "coil before the program runs",
            f"use one of the lines {_free(FIRST_RELAY_LINE, set())}",
        )
    else:
        yield from _line("relay", line, FIRST_RELAY_LINE)


def switch_line(setup: Setup) -> Findings:
    """A free line of the header."""
    yield from _line("switch", setup.switch.line, 0)


def readback_line(setup: Setup) -> Findings:
    """A free line of the header."""
    if setup.readback is not None:
        yield from _line("readback", setup.readback.line, 0)


def lines_differ(setup: Setup) -> Findings:
    """One line, one use."""
    first: dict[int, str] = {}
    for table, line in setup.lines.items():
        if line in first:
            yield _taken(table, line, first[line])
        first.setdefault(line, table)


def other_lines(setup: Setup) -> Findings:
    """Free lines of the header for loops, pulses and heartbeat; the heartbeat low from power-on."""
    for table, wired in (
        ("stop_input", setup.stop_input),
        ("cover_input", setup.cover_input),
        ("confirm_input", setup.confirm_input),
        ("engine_speed", setup.engine_speed),
    ):
        if wired is not None:
            yield from _line(table, wired.line, 0)
    if setup.heartbeat is not None:
        yield from _line("heartbeat", setup.heartbeat.line, FIRST_RELAY_LINE)


def _taken(table: str, line: int, by: str) -> Finding:
    what = f"GPIO {line} is already the line of [{by}]"
    return Finding((table, "line"), what, f"give each its own line: {_free(0, {line})}")


def fuse(setup: Setup) -> Findings:
    """The cold coil's steady current stays within what the fuse may carry continuously."""
    current_a, share = setup.coil_current_a, CONTINUOUS_LOADING_MAX
    if not may_carry(current_a, setup.coil.fuse_a):
        size_a = next_size_a(current_a)
        larger = f"a fuse of {size_a:g} A" if size_a else "no blade fuse of the usual sizes"
        yield Finding(
            ("coil", "fuse"),
            f"the cold coil draws {current_a:.2f} A ({setup.coil.supply_voltage_v:g} V over "
            f"{setup.coil.resistance_ohm:g} ohm), more than {100 * share:.0f} % of this fuse "
            f"({share * setup.coil.fuse_a:.2f} A)",
            "measure the coil's resistance first, since a shorted coil looks like this; "
            f"{larger} would carry it" + (", if the wiring may have one" if size_a else ""),
        )


def switch_input(setup: Setup) -> Findings:
    """`closed_reads` is required with an external pull, and has no effect with an internal one."""
    switch, where = setup.switch, ("switch", "closed_reads")
    if switch.pull == "external" and switch.closed_reads is None:
        yield Finding(
            where,
            "with pull external the rig cannot know which level a closed contact gives",
            'close the contact, measure the input, and write closed_reads = "low" or "high"',
        )
    own = {"up": "low", "down": "high"}.get(switch.pull)
    if own is not None and switch.closed_reads not in (None, own):
        yield Finding(
            where,
            f'with pull "{switch.pull}" a closed contact reads {own}, and this says the opposite',
            'take closed_reads out, or write pull = "external" where an outside circuit decides',
        )


def gauge_range(setup: Setup) -> Findings:
    """The expected values are within range."""
    gauge = setup.pressure_source
    if gauge is None:
        return
    (low, high), (least, most) = gauge.expected_range_kpa, gauge.measuring_range_kpa
    if not (least <= low and high <= most):
        yield Finding(
            ("gauge", "expected_range") if setup.gauge else ("analog",),
            f"the {gauge.name} shows {least:.0f} to {most:.0f} kPa and cannot show all of "
            f"{low:.0f} to {high:.0f} kPa",
            "correct the range, or use a gauge that covers it",
        )


def pressure_limit_needs_gauge(setup: Setup) -> Findings:
    """A limit that nothing watches is refused, and so is a gauge without a limit."""
    limit = setup.limits.pressure_kpa
    if setup.pressure_source is None and limit is not None:
        yield Finding(
            ("limits", "pressure"),
            "there is a pressure limit and no gauge: nothing would watch it",
            "describe it in a [gauge] table or an [[analog]] channel, or take the limit out",
        )
    if setup.pressure_source is not None and limit is None:
        yield Finding(
            ("limits", "pressure"),
            "there is a gauge and no pressure limit",
            'add pressure = "..." below [limits], above the expected range of the gauge',
        )


def _pressure_limit_kpa(setup: Setup) -> float | None:
    return setup.limits.pressure_kpa if setup.pressure_source is not None else None


def pressure_limit_above_expected(setup: Setup) -> Findings:
    """A limit inside the expected range would trip a healthy run."""
    limit_kpa, gauge = _pressure_limit_kpa(setup), setup.pressure_source
    if gauge is not None and limit_kpa is not None:
        high_kpa = gauge.expected_range_kpa[1]
        if not limit_kpa > high_kpa:
            yield Finding(
                ("limits", "pressure"),
                f"the limit ({limit_kpa:.0f} kPa) is not above the expected range, which goes up "
                f"to {high_kpa:.0f} kPa: a healthy run would trip",
                "raise the limit if the parts allow it, else lower gauge.expected_range",
            )


def pressure_limit_can_be_seen(setup: Setup) -> Findings:
    """A limit beyond the gauge's range would never trip."""
    limit_kpa, gauge = _pressure_limit_kpa(setup), setup.pressure_source
    if gauge is not None and limit_kpa is not None:
        most_kpa = gauge.measuring_range_kpa[1]
        if not limit_kpa < most_kpa:
            yield Finding(
                ("limits", "pressure"),
                f"the {gauge.name} shows at most {most_kpa:.0f} kPa, so a limit of "
                f"{limit_kpa:.0f} kPa would never trip",
                "set the limit below the top of gauge.measuring_range, or use a larger gauge",
            )


def stale_longer_than_period(setup: Setup) -> Findings:
    """A gauge that sends every period is always a period old."""
    stale_s, gauge = setup.limits.gauge_stale_s, setup.pressure_source
    if stale_s is None:
        return
    if gauge is None and not setup.analog and setup.engine_speed is None:
        yield Finding(
            ("limits", "gauge_stale"),
            "there is no gauge whose readings could grow stale",
            "describe the gauge in a [gauge] table, or take this key out",
        )
    elif gauge is not None and not stale_s > gauge.period_s:
        yield Finding(
            ("limits", "gauge_stale"),
            f"the gauge sends every {gauge.period_s:g} s, so {stale_s:g} s without a reading is "
            "normal: it would always trip",
            f'write a time of several periods, like "{3e3 * gauge.period_s:.0f} ms", or take the '
            "key out",
        )


def readback_slower_than_relay(setup: Setup) -> Findings:
    """The read-back cannot follow before the relay's contact has moved."""
    slowest_s = max(setup.relay.operate_delay_s, setup.relay.release_delay_s)
    allowed_s = setup.limits.readback_delay_s
    if setup.readback is not None and not allowed_s > slowest_s:
        yield Finding(
            ("limits", "readback_delay"),
            f"the relay itself may take {1e3 * slowest_s:.0f} ms, so the read-back cannot follow "
            f"within {1e3 * allowed_s:.0f} ms: every stroke would trip",
            "write a longer readback_delay, or correct the delays below [relay]",
        )


def coil_heating(setup: Setup) -> Findings:
    """A limit that the ambient temperature alone reaches would trip before the first stroke."""
    heating = setup.coil_heating
    if heating is not None and not heating.temperature_limit_degc > heating.surroundings_degc:
        yield Finding(
            ("coil_heating", "temperature_limit"),
            f"the limit is not above the surroundings ({heating.surroundings_degc:.0f} degC): the "
            "rig would trip before the first stroke",
            "write the temperature that the coil's insulation may reach",
        )


def supply_limits(setup: Setup) -> Findings:
    """The lowest supply voltage lies below the highest."""
    low_v, high_v = setup.limits.supply_voltage_min_v, setup.limits.supply_voltage_max_v
    if low_v is not None and high_v is not None and not low_v < high_v:
        yield Finding(
            ("limits", "supply_voltage_max"),
            f"the highest supply voltage ({high_v:g} V) is not above the lowest ({low_v:g} V)",
            "correct one of the two",
        )


def swapped_lines_are_wired(setup: Setup) -> Findings:
    """Only wires that exist can be swapped."""
    if setup.simulated is None:
        return
    for n, line in enumerate(setup.simulated.wiring.swapped):
        if line not in setup.lines:
            yield Finding(
                ("simulated", "wiring", "swapped", n),
                f"the setup wires no {line}",
                f"describe it in a [{line}] table, or name another line",
            )


def simulated_only_in_simulation(setup: Setup) -> Findings:
    """Nothing simulated belongs to a board."""
    if setup.backend == "board" and setup.simulated is not None:
        yield Finding(
            ("simulated",),
            'backend "board" drives real parts, and this table describes simulated ones',
            'take the [simulated] table out, or write backend = "simulated"',
        )


SETUP_RULES: tuple[Callable[[Setup], Findings], ...] = (
    relay_line,
    switch_line,
    readback_line,
    other_lines,
    lines_differ,
    fuse,
    switch_input,
    *GAUGE_RULES,
    *ANALOG_RULES,
    calibration_rules,
    timing_rules,
    relay_delay_order,
    gauge_range,
    pressure_limit_needs_gauge,
    pressure_limit_above_expected,
    pressure_limit_can_be_seen,
    stale_longer_than_period,
    readback_slower_than_relay,
    coil_heating,
    supply_limits,
    simulated_only_in_simulation,
    swapped_lines_are_wired,
)
