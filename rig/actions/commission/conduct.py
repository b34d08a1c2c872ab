# SPDX-License-Identifier: MIT
"""Commission a rig: every step of the registry, in order, into a dated record."""

from __future__ import annotations

import contextlib
import datetime
import time
from collections.abc import Callable, Mapping
from typing import Any

from rig.actions.commission import at_rest, energised
from rig.actions.commission.hands import Hands
from rig.actions.commission.lab import ON_NOW, Lab, LeftOutError, StillTrippedError, StoppedError
from rig.actions.commission.record import FAILED, LEFT_OUT, Record, StepResult, rig_of, save
from rig.actions.commission.step import Found, Step, not_tried
from rig.actions.conduct_run import SOFTWARE
from rig.config.dated import months_after
from rig.config.files.loading import LoadedSetup
from rig.config.setup.wired import wired_hash
from rig.core.errors import CoilLiveError, RigError, StorageError

STEPS: tuple[Step, ...] = (*at_rest.STEPS, *energised.STEPS)
"""In order of execution."""


def commission(
    loaded: LoadedSetup,
    hands: Hands,
    options: Mapping[str, Any],
    told: Callable[[StepResult], None],
) -> Record:
    """Do every step; `told` gets each. `options`: by, fast, seed, months.

    The record is stored before the first step and after each one, as not finished: however this
    ends, an older record does not stand for what was found. After a step that failed or was left
    out, later stages are not tried: no lamp on a rig whose inputs read wrong, no coil before the
    lamp was right. After a failed step with `ends`, nothing more is tried.
    """
    lab = Lab(loaded, hands, options)
    utc_s = time.time()
    day = datetime.datetime.fromtimestamp(utc_s, datetime.UTC).date()
    made = Record(
        rig=rig_of(lab.setup), setup_name=loaded.path, setup_hash=loaded.hash,
        wired_hash=wired_hash(lab.setup), source=lab.source, utc_s=utc_s, date=day,
        due=months_after(day, options["months"]), by=options["by"], software=SOFTWARE, steps=(),
        finished=False,
    )  # fmt: skip
    save(made)
    stopped = ""
    for step in STEPS:
        stopped = stopped or _against(step, made.steps)
        live: CoilLiveError | None = None
        try:
            found = not_tried(stopped) if stopped else _do(step, lab)
        except StillTrippedError as error:
            found = Found(FAILED, str(error))
            stopped = "the trip of an earlier step stands"
        except CoilLiveError as error:
            found, live = Found(FAILED, str(error)), error
        result = StepResult(
            id=step.id, title=step.title, how=step.how, limit=step.limit, result=found.result,
            words=found.words, measured=found.measured, runs=lab.take_runs(),
            remedy=step.remedy if found.result == FAILED else "",
        )  # fmt: skip
        made = made.model_copy(update={"steps": (*made.steps, result), "source": lab.source})
        # a full disk must not hide a live coil
        with contextlib.suppress(*([StorageError] if live else [])):
            save(made)
        told(result)
        if live is not None:
            raise live
    made = made.model_copy(update={"finished": True})
    save(made)
    return made


def _against(step: Step, done: tuple[StepResult, ...]) -> str:
    """Why an earlier step prevents this one; empty if none does."""
    for one, earlier in zip(done, STEPS, strict=False):
        if one.result == FAILED and (earlier.stage != step.stage or earlier.ends):
            return f'"{one.title}" failed: fix that first'
        if one.result == LEFT_OUT and earlier.stage != step.stage:
            return f'"{one.title}" was left out: it comes first'
    return ""


def _do(step: Step, lab: Lab) -> Found:
    nothing = step.needs(lab)
    if nothing:
        return not_tried(nothing)
    if step.ask and not lab.hands.ready(step.title, step.ask):
        return Found(LEFT_OUT, "left out")
    lab.asked = ON_NOW in step.ask
    try:
        return step.measure(lab)
    except LeftOutError as error:
        return Found(LEFT_OUT, str(error))
    except (StillTrippedError, StoppedError, CoilLiveError):
        raise
    except RigError as error:
        return Found(FAILED, str(error))
