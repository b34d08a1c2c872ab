# SPDX-License-Identifier: MIT
"""The hidden fault of an exercise: what can be chosen, and what is drawn."""

from __future__ import annotations

import hashlib
import random
from typing import TYPE_CHECKING

from rig.config.plant.fault_names import ALL_OR_NOTHING, OF_A_SERIAL_GAUGE
from rig.core.errors import UsageError

if TYPE_CHECKING:
    from rig.actions.exercise.model import Plan, Seat
    from rig.config.files.loading import LoadedSetup, LoadedSheet
    from rig.config.setup.model import Setup

SEVERITIES = {"slight": 0.4, "plain": 0.7, "gross": 1.0}
"""Words of the form, and how far the fault has progressed."""
STROKES_MOST = 200
LONGEST_S = 600.0


def offered(setup: Setup) -> list[tuple[str, str]]:
    """(part, cause) of every cause possible on this rig that its plant can have, "none" first."""
    from rig.diagnosis.diagnose import wired_in
    from rig.diagnosis.knowledge.loading import load_knowledge
    from rig.diagnosis.posterior import possible

    knowledge = load_knowledge()
    among = possible(knowledge, wired_in(setup))
    if setup.gauge is None:
        among -= OF_A_SERIAL_GAUGE
    found = [(cause.part, cause.name) for cause in knowledge.causes if cause.name in among]
    return [("none", "none"), *found]


def refuse_unfit(setup: LoadedSetup, sheet: LoadedSheet) -> None:
    """Raise UsageError for a setup or a sheet not usable for an exercise: above all, a board."""
    wrong = []
    if setup.setup.backend != "simulated" or setup.setup.simulated is None:
        wrong.append(
            "An exercise is done on simulated rigs only, and never touches a board: choose a setup "
            'with backend = "simulated".'
        )
    one = sheet.sheet
    if one.kind != "strokes":
        wrong.append(f"The sheet is of the kind {one.kind}: choose one of strokes.")
    elif one.strokes > STROKES_MOST or one.strokes * (one.on_time_s + one.rest_s) > LONGEST_S:
        wrong.append(
            f"The sheet is too long for a class: at most {STROKES_MOST} strokes within "
            f"{LONGEST_S / 60:.0f} minutes."
        )
    if wrong:
        raise UsageError("\n".join(wrong))


def drawn_seat(plan: Plan, number: int) -> Seat:
    """The fault for seat `number`. If the plan is for all alike, the same fault, including the
    rig's scatter."""
    from rig.actions.exercise.model import Seat
    from rig.config.files.loading import setup_from_text

    own = f"{plan.seed} {number}" if plan.each_own else f"{plan.seed}"
    dice = random.Random(own)  # noqa: S311 - a rig is drawn, no secret
    causes = [name for _, name in offered(setup_from_text(plan.setup_text, plan.setup_name).setup)]
    cause, severity = dice.choice(causes), dice.choice(list(SEVERITIES.values()))
    cause = plan.cause or cause
    return Seat(
        cause=cause,
        severity=1.0 if cause in ALL_OR_NOTHING else plan.severity or severity,
        seed=dice.randrange(2**31),
        salt=hashlib.sha256(f"salt {own}".encode()).hexdigest(),
    )


def faulty_text(plan: Plan, seat: Seat | None) -> str:
    """The setup's text with the seat's fault instead of its own; no fault without a seat.

    Raises UsageError if it cannot be written into it.
    """
    from rig.config.files.simulated_table import with_faults

    fault = seat.fault if seat is not None else None
    salt = seat.salt if seat is not None else ""
    text = with_faults(plan.setup_text, [fault] if fault is not None else [], salt)
    if text is None:
        raise UsageError(
            f"{plan.setup_name}: the fault cannot be written into it. Write [simulated] on a line "
            "of its own and its keys below it."
        )
    return text
