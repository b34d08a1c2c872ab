# SPDX-License-Identifier: MIT
"""The plan handed from desk to bench: a setup or sheet as numbers in the unit of their name.

The bench builds its models from it without pint and without the files. With a sheet the cross
checks are repeated: a plan that they refuse energises nothing. A setup alone is not checked, since
it also serves to switch a rig off.
"""

from __future__ import annotations

from collections.abc import Iterable

from pydantic import BaseModel, TypeAdapter, ValidationError

from rig.config.files.loading import checked, sheet_findings
from rig.config.files.problems import Finding, dotted, look_up, show
from rig.config.quantity_types import RESOLVED
from rig.config.setup.model import Setup
from rig.config.setup.rules import SETUP_RULES
from rig.config.sheet.model import Sheet
from rig.config.sheet.rules import PAIR_RULES
from rig.core.errors import FileProblems, Problem
from rig.core.json_values import JsonObject

_SHEET: TypeAdapter[Sheet] = TypeAdapter(Sheet)


def dump(model: BaseModel) -> JsonObject:
    """A setup or sheet as plain JSON-able values: SI floats under the attributes' names."""
    return model.model_dump(mode="json", by_alias=False)


def setup_from_plan(plan: JsonObject) -> Setup:
    """The setup of `dump`. Raises FileProblems if the plan is not one."""
    try:
        return Setup.model_validate(plan, context=RESOLVED)
    except ValidationError as error:
        raise _damaged("setup", error) from error


def sheet_from_plan(plan: JsonObject, setup: Setup | None = None) -> Sheet:
    """The sheet of `dump`. With `setup`, that setup and the pair are checked as well.

    Raises FileProblems.
    """
    try:
        sheet = _SHEET.validate_python(plan, context=RESOLVED)
    except ValidationError as error:
        raise _damaged("sheet", error) from error
    problems = _problems("sheet", plan, sheet_findings(sheet))
    if setup is not None:
        problems += _problems("setup", dump(setup), checked(SETUP_RULES, setup))
        problems += _problems("sheet", plan, checked(PAIR_RULES, setup, sheet))
    if problems:
        raise FileProblems(problems)
    return sheet


def _damaged(name: str, error: ValidationError) -> FileProblems:
    """Not a user's mistake: the plan was not made by `dump`, or by another version."""
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


def _problems(name: str, plan: JsonObject, findings: Iterable[Finding]) -> list[Problem]:
    return [
        Problem(
            f"plan of the {name}", dotted(plan, where), show(look_up(plan, where)), what, remedy
        )
        for where, what, remedy in findings
    ]
