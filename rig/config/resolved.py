# SPDX-License-Identifier: MIT
"""The plan handed from desk to bench: a setup or sheet as numbers in the unit of their name.

The bench builds its models from it without pint and without the files. The cross checks are made
once more: a plan that they refuse energises nothing.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from pydantic import BaseModel, TypeAdapter, ValidationError

from rig.config.loading import checked, sheet_findings
from rig.config.quantity_types import RESOLVED
from rig.config.setup import Setup
from rig.config.setup_rules import SETUP_RULES
from rig.config.sheet import Sheet
from rig.config.sheet_rules import PAIR_RULES
from rig.config.wording import Finding, dotted, look_up, show
from rig.core.errors import FileProblems, Problem

_SHEET: TypeAdapter[Sheet] = TypeAdapter(Sheet)


def dump(model: BaseModel) -> dict[str, Any]:
    """A setup or sheet as plain JSON-able values: SI floats under the attributes' names."""
    return model.model_dump(mode="json", by_alias=False)


def setup_from_plan(plan: dict[str, Any]) -> Setup:
    """The setup of `dump`. Raises FileProblems where the plan is not one."""
    try:
        setup = Setup.model_validate(plan, context=RESOLVED)
    except ValidationError as error:
        raise _damaged("setup", error) from error
    _refuse("setup", plan, checked(SETUP_RULES, setup))
    return setup


def sheet_from_plan(plan: dict[str, Any], setup: Setup | None = None) -> Sheet:
    """The sheet of `dump`, checked with its setup where that is given. Raises FileProblems."""
    try:
        sheet = _SHEET.validate_python(plan, context=RESOLVED)
    except ValidationError as error:
        raise _damaged("sheet", error) from error
    pair = [] if setup is None else list(checked(PAIR_RULES, setup, sheet))
    _refuse("sheet", plan, [*sheet_findings(sheet), *pair])
    return sheet


def _damaged(name: str, error: ValidationError) -> FileProblems:
    """Not a person's mistake: the plan was not made by `dump`, or by another version."""
    remedy = "Stop the rig and start it again; both sides must be the same version."
    return FileProblems(
        Problem(
            f"plan of the {name}",
            dotted(None, item["loc"]),
            show(item["input"]),
            str(item["msg"]),
            remedy,
        )
        for item in error.errors(include_url=False)
    )


def _refuse(name: str, plan: dict[str, Any], findings: Iterable[Finding]) -> None:
    problems = [
        Problem(
            f"plan of the {name}", dotted(plan, where), show(look_up(plan, where)), what, remedy
        )
        for where, what, remedy in findings
    ]
    if problems:
        raise FileProblems(problems)
