# SPDX-License-Identifier: MIT
"""The start page: the rigs, open work, the last run and today's runs, and what needs attention."""

from __future__ import annotations

import re
import time
from datetime import datetime, timedelta
from pathlib import Path
from typing import NamedTuple

from flask import Blueprint, current_app, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from rig.actions import last_backup
from rig.actions.storage_health import keeping
from rig.core import places
from rig.core.errors import RigError
from rig.runlog import copies, register, search
from rig.runlog.header import PURPOSES
from rig.runlog.register import Entry
from rig.runlog.search import Listed
from rig.runlog.store import RunLog
from webui import helptexts, log
from webui.live import batch, rigs

UNDER_WAY_S = 14 * 86_400
"""A job with a run this recent is under way: jobs are never marked as finished."""
TODAY_SHOWN, TODAY_MOST, JOBS_SHOWN, NEWS_SHOWN = 8, 200, 8, 5
CAUTION = "Caution: "

blueprint = Blueprint("start", __name__)


class Today(NamedTuple):
    """Runs since midnight that judge a valve, newest first: those shown, and how many ended how:
    the verdict ("none" is without a result), or the state of unfinished ones. `more`: there are
    more than were counted."""

    shown: list[Listed]
    ended: dict[str, int]
    more: bool

    @property
    def n(self) -> int:
        """How many were counted."""
        return sum(self.ended.values())


class FromLog(NamedTuple):
    """Summary of the run log. `newest`: the number of its newest run of any purpose; `last`: the
    last one that judges a valve."""

    newest: int
    last: Listed | None
    today: Today
    jobs: list[Entry]


class News(NamedTuple):
    """The newest entry of the what's-new page: its day, and its first points in a few words."""

    day: str
    points: list[str]


@blueprint.get("/")
def page() -> str | Response:
    """The overall state on one page. A query is passed to the run list, which had this address
    before: bookmarks keep working."""
    if request.args:
        return redirect(
            f"{url_for('pages.run_list')}?{request.query_string.decode('ascii', 'replace')}"
        )
    hub = current_app.extensions.get("hub")
    path = Path(current_app.config["RUN_LOG"])
    found, fault = _from_log()
    lines = list(keeping())
    batch_seen, _ = batch.now(path, hub.given.get("valve") if hub else None)
    newest = found.newest if found is not None else 0
    return render_template(
        "start.html",
        rigs=rigs.seen(places.state_dir(), hub),
        can_operate=hub is not None,
        alarm=(hub.snapshot().get("alarm") if hub else None),
        found=found,
        fault=fault,
        batch=batch_seen,
        storage=[line for line in lines if not line.startswith(CAUTION)],
        cautions=[line.removeprefix(CAUTION) for line in lines if line.startswith(CAUTION)],
        backup=last_backup.told(copies.last(path), newest, time.time()),
        news=news((helptexts.FOLDER / "whats-new.md").read_text(encoding="utf-8")),
        under_way_days=UNDER_WAY_S // 86_400,
        drawn_utc_s=time.time(),
    )


def _from_log() -> tuple[FromLog | None, str]:
    """Summary of the log, None if there is none or it has no run; and why it cannot be read."""
    try:
        opened = log.run_log()
        listed, _ = search.find(opened, search.Sought(), 1)
        if not listed:
            return None, ""
        of_valves, _ = search.find(opened, search.Sought(purpose=PURPOSES[0]), 1)
        last = of_valves[0] if of_valves else None
        return FromLog(listed[0].row.id, last, _today(opened), _jobs(opened)), ""
    except log.NoLogYet:
        return None, ""
    except RigError as error:
        return None, str(error)


def _today(opened: RunLog) -> Today:
    today = datetime.now().astimezone().date()
    since_s, until_s = (
        datetime.combine(day, datetime.min.time()).astimezone().timestamp()
        for day in (today, today + timedelta(days=1))
    )
    sought = search.Sought(purpose=PURPOSES[0], since_utc_s=since_s, until_utc_s=until_s)
    listed, more = search.find(opened, sought, TODAY_MOST)
    ended: dict[str, int] = {}
    for row, _ in listed:
        how = row.verdict or "none" if row.status == "finished" else row.status
        ended[how] = ended.get(how, 0) + 1
    return Today(listed[:TODAY_SHOWN], ended, more is not None)


def _jobs(opened: RunLog) -> list[Entry]:
    since_s = time.time() - UNDER_WAY_S
    return register.under_way(opened, register.JOB, since_s, JOBS_SHOWN)


def news(text: str) -> News | None:
    """The newest day on the what's-new help page; None if it has none."""
    parts = re.split(r"^## +(.+)$", text, flags=re.MULTILINE)
    if len(parts) < 3:
        return None
    # heading and first clause; a link leaves its words
    points: list[str] = re.findall(
        r"^- \*\*(.+?\*\*.+?)(?=[.:;](?:\s|$))", parts[2], flags=re.MULTILINE | re.DOTALL
    )
    plain = [re.sub(r"\[(.+?)\]\(.+?\)", r"\1", one.replace("**", "")) for one in points]
    return News(parts[1].strip(), [" ".join(one.split()) for one in plain[:NEWS_SHOWN]])
