# SPDX-License-Identifier: MIT
"""Commissioning records: the list, and one record to read or print."""

from __future__ import annotations

from typing import Annotated, Literal

from flask import Blueprint, Response, render_template, request
from pydantic import BaseModel, ConfigDict, Field

from rig.actions.commission import record
from rig.core.errors import StorageError
from webui.faults import PageFault

blueprint = Blueprint("commission", __name__)


class RecordQuestion(BaseModel):
    """Which record, counted from the newest (0); and in which form."""

    model_config = ConfigDict(extra="forbid")
    record: Annotated[int, Field(ge=0, le=100_000)] = 0
    form: Literal["page", "json"] = "page"


@blueprint.get("/commissioning")
def show() -> str | Response:
    """The records, and one of them; the newest if none is requested."""
    asked = RecordQuestion.model_validate(request.args.to_dict())
    try:
        kept = record.records()
    except StorageError as error:
        raise PageFault(
            409, "A record cannot be read", str(error), "Then reload the page."
        ) from error
    if not kept:
        return render_template("commission.html", kept=[], shown=None)
    if asked.record >= len(kept):
        raise PageFault(404, "There is no such record", f"{len(kept)} are kept.", "Choose another.")
    shown = kept[asked.record]
    if asked.form == "json":
        answer = Response(record.as_json(shown), mimetype="application/json")
        name = f"commissioning-{shown.rig}-{shown.date}.json"
        answer.headers["Content-Disposition"] = f'attachment; filename="{name}"'
        return answer
    return render_template("commission.html", kept=kept, shown=shown, number=asked.record)
