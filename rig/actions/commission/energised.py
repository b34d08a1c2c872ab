# SPDX-License-Identifier: MIT
"""Steps that energise: first a lamp or resistor in the coil's place, then the coil."""

from __future__ import annotations

import math

from rig.actions.commission import hands, measures, trial
from rig.actions.commission.at_rest import switch_closed
from rig.actions.commission.lab import (
    COIL_READY,
    LAMP,
    LOOP_READY,
    ON_NOW,
    ON_S,
    Lab,
    StillTrippedError,
    UnexpectedTripError,
)
from rig.actions.commission.record import LEFT_OUT, Measured
from rig.actions.commission.step import (
    Found,
    Step,
    judged_by,
    no_gauge,
    no_readback,
    said,
    value,
    whole,
)
from rig.analysis.measure.own_timing import Applied, NoLoopError, Way, own_times
from rig.analysis.measure.stroke_windows import NEVER, stroke_windows
from rig.bench.interlock.coil_and_program_rules import LOOP
from rig.bench.interlock.gauge_rules import GAUGE_STALE
from rig.bench.interlock.sensor_rules import CHANNEL_STALE
from rig.config.dated import IN_DATE
from rig.core.errors import CoilLiveError
from rig.core.preflight import LOAD_SIDE
from rig.core.records import BENCH_LOST, READBACK_RULE, Trip

OPERATIONS = 50
LOADED_OPERATIONS = 10
STRUCK_ON_S = 1.5
KNOWN_ON_S = 2.0
STOP_SHARES = 0.9, 0.8, 0.7
"""Shares of the guard's time for which the loop is stopped: the next one if a busy computer
restarted it too late for the guard."""
STOOD_STILL = READBACK_RULE, LOOP, BENCH_LOST, GAUGE_STALE, CHANNEL_STALE
"""What a loop that stood still may trip on: nothing was read meanwhile."""
ZERO_SHARE, KNOWN_SHARE = 0.02, 0.05
"""Share of the expected range for the gauge's zero if it states no accuracy; share of the
reference's reading for a known pressure (common practice, no source). A wrong unit is off by far
more."""
RATE_SHARE = 0.2
"""Allowed difference between the interval of readings and the setup's period (common practice, no
source)."""
TIMED_STROKES, TIMED_ON_S = 100, 0.1
TIMED_WITHIN, TIMED_LEAST_MS = 3.0, 0.02
"""Allowed difference of a mean from `[timing]`: standard uncertainties of both together, and the
usual scatter of the kernel's stamps (common practice, no source)."""


def _relay(lab: Lab) -> Found:
    recording = whole(lab.operations(OPERATIONS))
    if isinstance(recording, str):
        return said(False, recording)
    times, relay = measures.relay_times(recording), lab.setup.relay
    operate_ms, release_ms = 1e3 * relay.operate_delay_s, 1e3 * relay.release_delay_s
    return judged_by(
        f"{times.followed} of {times.operations} followed; operates in {times.operate_mean_ms:.1f} "
        f"ms, releases in {times.release_mean_ms:.1f} ms on average",
        [
            value("operations that followed", times.followed, "", least=OPERATIONS),
            value("slowest operate delay", times.operate_most_ms, "ms", most=operate_ms),
            value("mean operate delay", times.operate_mean_ms, "ms"),
            value("longest bounce, operating", times.operate_bounce_ms, "ms", most=operate_ms),
            value("slowest release delay", times.release_most_ms, "ms", most=release_ms),
            value("mean release delay", times.release_mean_ms, "ms"),
            value("longest bounce, releasing", times.release_bounce_ms, "ms", most=release_ms),
        ],
    )


def _noise(lab: Lab) -> Found:
    recording = whole(lab.operations(OPERATIONS))
    if isinstance(recording, str):
        return said(False, recording)
    edges = measures.switch_edges(recording)
    return judged_by(
        f"{edges} edges in {OPERATIONS} operations without pressure",
        [value("edges of the switch", edges, "", most=0)],
    )


def _zero(lab: Lab) -> Found:
    recording = whole(lab.operations(OPERATIONS))
    if isinstance(recording, str):
        return said(False, recording)
    read = measures.readings(recording)
    most_kpa = _accuracy_kpa(lab)
    return judged_by(
        f"{read.mean_kpa:.2f} kPa on average of {read.n} readings",
        [
            value("zero", read.mean_kpa, "kPa", least=-most_kpa, most=most_kpa),
            value("spread of readings", read.sd_kpa, "kPa", most=most_kpa),
        ],
    )


def _accuracy_kpa(lab: Lab) -> float:
    source = lab.setup.pressure_source
    if source is None:
        return math.nan
    return source.accuracy_kpa or ZERO_SHARE * source.expected_range_kpa[1]


def _rate(lab: Lab) -> Found:
    recording = whole(lab.operations(OPERATIONS))
    source = lab.setup.pressure_source
    if isinstance(recording, str) or source is None:
        return said(False, str(recording))
    read, period_s = measures.readings(recording), source.period_s
    return judged_by(
        f"one reading in {1e3 * read.interval_s:.1f} ms",
        [
            value("interval of readings", 1e3 * read.interval_s, "ms",
                  least=1e3 * (1 - RATE_SHARE) * period_s, most=1e3 * (1 + RATE_SHARE) * period_s),
            value("longest gap", 1e3 * read.gap_s, "ms", most=1e3 * lab.setup.gauge_stale_s),
        ],
    )  # fmt: skip


def _late(lab: Lab) -> Found:
    with lab.busy():
        done = lab.run(LOADED_OPERATIONS)
    recording = whole(done)
    if isinstance(recording, str):
        return said(False, recording)
    late_ms = measures.lateness_ms(recording, ON_S)
    return judged_by(
        f"the latest command came {late_ms:.1f} ms late with every processor busy",
        [value("lateness", late_ms, "ms", most=500 * lab.setup.limits.loop_late_s)],
    )


def _fuse(lab: Lab) -> Found:
    if lab.setup.coil.feed_side == "ground":
        found = lab.look(hands.FUSE_OUT)
        seen = any(check.name == LOAD_SIDE for check in found.refused)
        return said(seen, "a start was refused" if seen else "NOT SEEN by the read-back")
    on_s = max(0.3, 4 * lab.setup.limits.readback_delay_s)
    done = lab.run(1, on_s, hands.FUSE_OUT)
    trip = done.outcome.trip
    if trip is None:
        return said(False, "NOT SEEN: the run did not trip")
    _cleared(lab, trip, "Put the fuse in again.", READBACK_RULE)
    return said(True, f"tripped: {trip.rule}")


def _kill(lab: Lab) -> Found:
    done = lab.run(1, STRUCK_ON_S, strike=trial.kill)
    trip = done.outcome.trip
    if done.struck_ns is None or trip is None:
        return said(False, done.outcome.message or "the bench was not ended by the kill")
    _expected(trip, BENCH_LOST)
    taken_ms = (trip.t_ns - done.struck_ns) / 1e6
    wired = lab.setup.readback is not None
    dark = None if wired else lab.hands.saw("There is no read-back. Is the lamp dark now?")
    if dark is False:
        raise CoilLiveError("the lamp is lit after the bench was killed.")
    _cleared(lab, trip, "Leave everything as it is.", BENCH_LOST)
    if wired and lab.look().coil_live:
        raise CoilLiveError("its load side is live after the bench was killed.")
    after = "load side not live" if wired else "lamp dark, a person saw" if dark else "not watched"
    limit_ms = 1e3 * (lab.setup.limits.guard_time_s + 0.5)
    measured = [value("kill to the line driven low", taken_ms, "ms", most=limit_ms)]
    if wired:
        measured.append(value("live afterwards", 0.0, "", most=0))
    return judged_by(f"the guard had the line after {taken_ms:.0f} ms; then: {after}", measured)


def _heartbeat(lab: Lab) -> Found:
    for share in STOP_SHARES:
        stop_s = share * lab.setup.limits.guard_time_s
        done = lab.run(1, STRUCK_ON_S, strike=trial.stop_for(stop_s))
        recording, trip = done.recording(), done.outcome.trip
        if trip is not None:
            _cleared(lab, trip, "Leave everything as it is.", *STOOD_STILL)
        if trip is None or trip.rule != BENCH_LOST:
            break
    else:
        return said(
            False,
            f"{len(STOP_SHARES)} times the guard ended the bench before its loop went on: not "
            "measured. Take other work off this computer",
        )
    if done.struck_ns is None or recording is None:
        return said(False, done.outcome.message or "the loop was not stopped")
    out_ms = measures.drop_out_ms(recording, done.struck_ns)
    return judged_by(
        f"the relay fell {out_ms:.0f} ms after the loop stood still",
        [value("drop-out time", out_ms, "ms", most=1e3 * stop_s)],
    )


def _timing(lab: Lab) -> Found:
    stated = lab.setup.timing
    recording = whole(lab.run(TIMED_STROKES, TIMED_ON_S, hands.TIMING_LOOP))
    if isinstance(recording, str) or stated is None:
        return said(False, str(recording))
    try:
        found = own_times(recording, lab.setup.relay)
    except NoLoopError as error:
        return said(False, f"the run does not show the rig's own times: {error}")
    of_setup = Applied(stated, IN_DATE)
    measured: list[Measured] = []
    for name, way in (("response", found.response), ("release", found.release)):
        was = of_setup.way(name)
        if was is not None:
            off_ms = _apart_ms(way, was)
            measured.append(
                value(f"rig's own time, {name}", way.mean_ms, "ms",
                      least=was.mean_ms - off_ms, most=was.mean_ms + off_ms)
            )  # fmt: skip
    return judged_by(
        f"adds {found.response.mean_ms:.3f} ms to a response and {found.release.mean_ms:.3f} ms "
        f"to a release; [timing] of {stated.date} says {1e3 * stated.response_mean_s:.3f} and "
        f"{1e3 * stated.release_mean_s:.3f} ms",
        measured,
    )


def _apart_ms(one: Way, other: Way) -> float:
    """How far apart two measurements of the same mean may lie."""
    u_ms = math.hypot(*(way.sd_ms / math.sqrt(way.n) for way in (one, other)))
    return max(TIMED_WITHIN * u_ms, TIMED_LEAST_MS)


def _expected(trip: Trip, *provoked: str) -> None:
    """Raises UnexpectedTripError unless the step provokes this trip."""
    if trip.rule not in provoked:
        raise UnexpectedTripError(
            f"Not the trip that this step provokes: {trip.rule}. {trip.message} It stays latched; "
            "find out why, then `rig clear`."
        )


def _cleared(lab: Lab, trip: Trip, ask: str, *provoked: str) -> None:
    """A person clears the provoked trip, or nothing goes on."""
    _expected(trip, *provoked)
    if not lab.hands.ready("Clear the trip", f"{ask} The trip was expected; it is cleared now."):
        raise StillTrippedError("The trip that was provoked was not cleared: `rig clear`.")
    lab.clear()


def _known(lab: Lab) -> Found:
    recording = whole(lab.known_pressure(KNOWN_ON_S))
    if isinstance(recording, str):
        return said(False, recording)
    reference_kpa = lab.reference_kpa
    if reference_kpa is None:
        return Found(LEFT_OUT, "no reference gauge")
    read_kpa = measures.pressure_on_kpa(recording)
    off_kpa = max(_accuracy_kpa(lab), KNOWN_SHARE * reference_kpa)
    return judged_by(
        f"reads {read_kpa:.1f} kPa where the reference shows {reference_kpa:.1f} kPa",
        [value("reading at a known pressure", read_kpa, "kPa",
               least=reference_kpa - off_kpa, most=reference_kpa + off_kpa)],
    )  # fmt: skip


def _answers(lab: Lab) -> Found:
    recording = whole(lab.known_pressure(KNOWN_ON_S))
    if isinstance(recording, str):
        return said(False, recording)
    windows = stroke_windows(recording)
    edges = recording.edges.get("switch")
    rest = int(switch_closed(lab)) == 1
    answered = 0
    for on, off in zip(windows.on_ns.tolist(), windows.off_ns.tolist(), strict=True):
        if edges is None or off >= NEVER:
            continue
        inside = edges.level[(edges.t_ns > on) & (edges.t_ns < off)]
        closed = len(inside) > 0 and int(inside[-1]) == recording.switch_closed_level
        answered += len(inside) > 0 and closed != rest
    return judged_by(
        f"changed in {answered} of {len(windows)} strokes",
        [Measured(name="strokes answered", value=answered, unit="", least=len(windows))],
    )


def _virtual(lab: Lab) -> str:
    return "in virtual time there is no process to be late, stopped or killed" if lab.fast else ""


def _no_serial_gauge(lab: Lab) -> str:
    if lab.setup.gauge is None and lab.setup.pressure_source is not None:
        return "the pressure comes from a converter, which is read as fast as it goes"
    return no_gauge(lab)


def _no_heartbeat(lab: Lab) -> str:
    return no_readback(lab) if lab.setup.heartbeat is not None else "no [heartbeat] wired"


def _no_timing(lab: Lab) -> str:
    if lab.setup.timing is not None:
        return ""
    return (
        "no [timing] in the setup: the rig's own times are assumed; "
        "`rig calibrate SETUP --timing` measures them"
    )


STEPS = (
    Step("relay", f"Relay, {OPERATIONS} operations", "lamp", LAMP,
         "From each command to the first read-back edge, and to the last of its bounce.",
         "delays and bounce within relay.operate_delay and relay.release_delay",
         "State the delays the relay really has, or replace it.", _relay, no_readback),
    Step("noise", "Switch quiet while the relay works", "lamp", "",
         "Edges of the switch in the same run.", "none",
         "Look for a chafed or loose wire, a screen that is not connected, or a second ground "
         "point.", _noise),
    Step("zero", "Zero of the gauge", "lamp", "", "Readings in the same run, no pressure.",
         "within the gauge's accuracy; 2 % of its expected range where none is stated",
         "Let the pressure off; then set the gauge's zero, or calibrate it.", _zero, no_gauge),
    Step("rate", "Rate of the gauge", "lamp", "", "Intervals of readings in the same run.",
         "within 20 % of its period; no gap as long as limits.gauge_stale",
         "Correct gauge.period, or look for readings that are lost.", _rate, _no_serial_gauge),
    Step("late", "Loop under load", "lamp", "", f"{LOADED_OPERATIONS} operations with every "
         "processor busy: how late commands come.", "at most half of limits.loop_late",
         "Take other work off this computer, or widen limits.loop_late.", _late, _virtual),
    Step("fuse", "Open fuse is seen", "lamp", f"Pull the fuse. {ON_NOW}",
         "A run is tried: with feed side supply it has to trip, with feed side ground the "
         "preflight has to refuse it.", "tripped, or refused",
         "Check the read-back's wire and limits.readback_delay.", _fuse, no_readback),
    Step("kill", "Bench killed while the relay is on", "lamp", LAMP,
         "The bench's process is killed (SIGKILL); the guard has to take the line.",
         "within the guard time and 500 ms, and dead afterwards",
         "Do not use the rig. Look for another program on the relay's line.", _kill, _virtual,
         ends=True),
    Step("heartbeat", "Heartbeat's drop-out time", "lamp", "",
         "The loop is stopped (SIGSTOP) while the relay is on; the read-back's edge tells when it "
         "fell.", "before the guard would act",
         "Check the heartbeat circuit: hardware/README.md.", _heartbeat,
         lambda lab: _no_heartbeat(lab) or _virtual(lab)),
    Step("timing", "Rig's own times", "lamp", LOOP_READY,
         f"{TIMED_STROKES} strokes with the load side led into the switch input, as for `rig "
         "calibrate --timing`: what the rig adds to a time.",
         "as [timing] of the setup says, within three standard uncertainties or 0.02 ms",
         "Is the loop wired as the help page on calibration says? Then measure [timing] anew: `rig "
         "calibrate SETUP --timing`.", _timing, _no_timing),
    Step("unit", "Gauge at a known pressure", "coil",
         COIL_READY,
         f"The mean reading in the second half of {KNOWN_ON_S:g} s strokes, against the second "
         "gauge.", "within 5 % or the gauge's accuracy",
         "Check unit, decimal and channel of the gauge in the setup.", _known, no_gauge),
    Step("answers", "Switch follows the pressure", "coil", "", "Edges of the switch in these "
         "strokes.", "it changes in each stroke",
         "Is the pressure above the switch's, and can it fall again (drain open)? Then check "
         "valve, passage and switch.", _answers),
)  # fmt: skip
