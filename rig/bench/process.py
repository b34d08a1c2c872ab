# SPDX-License-Identifier: MIT
"""The bench as a separate process: plan on standard input, orders and tellings on a socket.

It runs in its own session, so that Ctrl-Z and a closed terminal do not stop it with the desk. The
plan holds resolved numbers (rig.config.files.resolved): pint is never loaded here.
"""

from __future__ import annotations

import contextlib
import gc
import json
import signal
import socket
import sys
import time
from collections.abc import Callable
from pathlib import Path

from rig.bench.bench import Bench
from rig.bench.coil_keeping import CoilKeeping
from rig.bench.notify import Notifier
from rig.bench.operator_link import DeskLink
from rig.bench.states import State
from rig.bench.streams import SocketSink
from rig.config.files.resolved import setup_from_plan, sheet_from_plan
from rig.config.setup.model import Setup
from rig.config.sheet.model import Sheet
from rig.core import messages, state_file
from rig.core.errors import (
    EXIT_COIL_LIVE,
    EXIT_INTERNAL,
    STILL_LIVE,
    BrokenOffError,
    CoilLiveError,
    HardwareError,
    RefusedError,
    RigError,
)
from rig.core.json_values import JsonObject
from rig.core.ports import Hardware
from rig.core.records import OFF_STATES, End

OpenHardware = Callable[[Setup, int | None], Hardware]
HAND_OVER_S = 5.0
"""How long the bench waits for the recorder to take the last records."""


def main(open_hardware: OpenHardware, operator_fd: int, records_fd: int) -> int:
    """Read the plan (one JSON line) and serve until the run has ended; returns an exit status.

    `open_hardware` chooses board or simulated (rig.compose).
    """
    line = sys.stdin.buffer.readline()
    operator = socket.socket(fileno=operator_fd)
    records = socket.socket(fileno=records_fd)
    if not line:  # the desk closed without sending a plan
        return 0
    plan: JsonObject = json.loads(line)
    link = DeskLink(operator)
    try:
        return _serve(plan, open_hardware, link, records)
    except RigError as error:
        fault = error.exit_code == EXIT_INTERNAL
        link.send(messages.tell("refused", why=str(error), exit_code=error.exit_code, fault=fault))
        return error.exit_code
    except Exception as error:  # noqa: BLE001 - the coil is off; the desk must hear why
        link.send(
            messages.tell(
                "refused", why=f"{type(error).__name__}: {error}", exit_code=7, fault=True
            )
        )
        return 7
    finally:
        link.close()


def _serve(
    plan: JsonObject, open_hardware: OpenHardware, link: DeskLink, records: socket.socket
) -> int:
    setup = setup_from_plan(plan["setup"])
    sheet = sheet_from_plan(plan["sheet"], setup)
    state = Path(plan["state"])
    lock = state_file.RigLock(state)
    owner = state_file.this_process(plan["socket"])
    try:
        link.listen(Path(plan["socket"]))  # only now: another bench may use this path
        rig = _rig(state, setup, owner, plan)
        coil = CoilKeeping(state, setup)
        new = state_file.claim(state, rig)
        try:
            coil.begin()
            hardware = open_hardware(setup, plan.get("seed"))
        except Exception:  # the line is claimed last: it was never claimed, or was given back low
            coil.put_back()
            state_file.give_up(state, owner, new=new)
            raise
        try:
            code = _operate(setup, sheet, hardware, link, records, coil)
        finally:
            hardware.close()
            # the coil is off and the line given back: failing to note that on disk is no lost bench
            with contextlib.suppress(OSError, RigError):
                if coil.trip is not None:  # desk and recorder, if alive, latch it sooner
                    state_file.write_latch(state, coil.trip, time.time(), rig)
            with contextlib.suppress(OSError, RigError):
                state_file.release(state, owner)
        with contextlib.suppress(OSError, RigError):
            coil.keep()  # after a run that broke off, the file stays open: assume the worst
        return code
    finally:
        lock.close()


def _rig(
    state: Path, setup: Setup, owner: state_file.Owner, plan: JsonObject
) -> state_file.RigState:
    """What the state file will hold. Raises RefusedError if a trip is latched."""
    before = state_file.latch_dead_owner(state)
    if before is not None and before.trip is not None:
        raise RefusedError(latched_words(before), id_="refusal.tripped")
    rig = state_file.rig_name(setup.backend, setup.chip, setup.relay.line)
    return state_file.RigState(
        rig, setup.backend, setup.chip, setup.relay.line, plan["setup"], owner
    )


def latched_words(state: state_file.RigState) -> str:
    """The message for a person who starts a rig with a latched trip."""
    trip = state.trip
    rule, message = (trip.rule, trip.message) if trip is not None else ("", "")
    return (
        f"The rig is tripped: {rule}.\n{message}\n"
        "It stays off until a person has found the cause and cleared the trip: with "
        "`rig clear`, or on the page's bench under How to clear it."
    )


def _operate(
    setup: Setup,
    sheet: Sheet,
    hardware: Hardware,
    link: DeskLink,
    records: socket.socket,
    coil: CoilKeeping,
) -> int:
    notifier = Notifier()
    try:
        return _serve_bench(setup, sheet, hardware, link, records, notifier, coil)
    finally:
        notifier.stopping()  # from here the watchdog no longer counts
        notifier.close()


def _serve_bench(
    setup: Setup,
    sheet: Sheet,
    hardware: Hardware,
    link: DeskLink,
    records: socket.socket,
    notifier: Notifier,
    coil: CoilKeeping,
) -> int:
    bench = Bench(setup, hardware, link, notifier.feed, coil.carried)
    coil.watch(bench.interlock)

    def stop(number: int, _frame: object) -> None:
        bench.orders.stop_why = bench.orders.stop_why or f"signal {signal.Signals(number).name}"

    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGQUIT, signal.SIGTSTP):
        signal.signal(number, stop)
    gc.collect()
    gc.freeze()
    found = bench.preflight(sheet.base_pressure_min_kpa, sheet)
    link.send(messages.tell("preflight", **found._replace(checks=list(found.checks))._asdict()))
    if found.refused:
        return 6 if found.coil_live else 4
    notifier.ready()
    sink = SocketSink(records)
    end: End | None = None
    while bench.orders.stop_why is None and end is None:
        bench.idle()
        for order in bench.orders.waiting:
            end = _obey(bench, order, sheet, sink, link) or end
        bench.orders.waiting.clear()
    if end is None:
        end = bench.leave(sink)
        coil.ended(end)
        live = end.off == OFF_STATES[2]
        why = f"Not started: {bench.orders.stop_why}." + f" {CoilLiveError(STILL_LIVE)}" * live
        link.send(messages.tell("refused", why=why, exit_code=EXIT_COIL_LIVE if live else 3))
        link.flush()
        sink.close(HAND_OVER_S)
        return EXIT_COIL_LIVE if live else 3
    notifier.stopping()
    coil.ended(end)
    ended = messages.tell("ended", **end._asdict())
    link.send(ended)
    link.flush()

    def answer() -> None:
        """Tell anyone who orders a stop during the handover of the last records how the run
        ended."""
        if link.poll():
            link.send(ended)
        link.flush()

    sink.close(HAND_OVER_S, answer)
    return 0


def _obey(
    bench: Bench, order: messages.Order, sheet: Sheet, sink: SocketSink, link: DeskLink
) -> End | None:
    def flush() -> None:
        sink.flush()
        link.flush()

    try:
        if order.order == "arm":
            bench.arm(from_page=order.why == "page")
            link.send(messages.tell("state", state=str(State.ARMED)))
        elif order.order == "start":
            return bench.run(sheet, sink, flush)
    except RefusedError as error:
        link.send(messages.tell("refused", why=str(error), exit_code=error.exit_code))
    except HardwareError as error:
        if bench.states.state is not State.FAULT:
            raise
        # not "nothing was energised": the run had begun
        raise BrokenOffError(f"The run broke off: {error}") from error
    return None
