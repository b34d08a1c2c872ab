# SPDX-License-Identifier: MIT
"""The registers of valves and jobs as JSON."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Annotated

from flask import Blueprint, Response, jsonify, request
from pydantic import BaseModel, Field

from rig.core.json_values import JsonObject
from rig.core.records import Source
from rig.runlog import register
from rig.runlog.register import JOB, VALVE, Entry, PastRun
from rig.runlog.search import Status
from webui import log
from webui.api.openapi import described
from webui.pages.register import RegisterQuestion, known

blueprint = Blueprint("registerapi", __name__, url_prefix="/api")

Number = "<int(max=2147483647):number>"


class EntriesQuestion(RegisterQuestion):
    """`limit` entries by name that contain `find`, after the name `after`."""

    limit: Annotated[int, Field(ge=1, le=200)] = 60


@dataclass(frozen=True)
class EntryFacts(Entry):
    """A valve (`name` is its tag) or a job; `last` is its newest run, null where there is none.
    `complaint` and `repair` are a job's, empty of a valve."""


class EntriesAnswer(BaseModel):
    """A page of a register. `next_after` asks for the following one; null at the end."""

    entries: list[EntryFacts]
    next_after: str | None


@dataclass(frozen=True)
class PastRunFacts(PastRun):
    """A run of a valve or job; `low_ms` to `high_ms` is the interval of its mean response."""

    source: Source
    status: Status


@dataclass(frozen=True)
class EntryAnswer(EntryFacts):
    """One entry with its runs, the oldest first; of very many only the newest."""

    history: list[PastRunFacts]


def _entries(of: str) -> Response:
    asked = EntriesQuestion.model_validate(request.args.to_dict())
    rows = register.entries(
        log.run_log(), of, after=asked.after, limit=asked.limit + 1, contains=asked.find
    )
    more = rows[asked.limit - 1].name if len(rows) > asked.limit else None
    return jsonify(entries=[asdict(row) for row in rows[: asked.limit]], next_after=more)


def _entry(of: str, number: int) -> Response:
    entry = known(of, number)
    past: list[JsonObject] = [asdict(r) for r in register.history(log.run_log(), of, number)]
    return jsonify(**asdict(entry), history=past)


@blueprint.get("/valves")
@described(EntriesQuestion, EntriesAnswer)
def valves() -> Response:
    """The register of valves by tag."""
    return _entries(VALVE)


@blueprint.get(f"/valves/{Number}")
@described(answer=EntryAnswer)
def valve(number: int) -> Response:
    """One valve and its runs."""
    return _entry(VALVE, number)


@blueprint.get("/jobs")
@described(EntriesQuestion, EntriesAnswer)
def jobs() -> Response:
    """The register of jobs by name."""
    return _entries(JOB)


@blueprint.get(f"/jobs/{Number}")
@described(answer=EntryAnswer)
def job(number: int) -> Response:
    """One job and its runs."""
    return _entry(JOB, number)
