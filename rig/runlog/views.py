# SPDX-License-Identifier: MIT
"""Views: what was asked of the list of runs, kept under a name."""

from __future__ import annotations

from typing import NamedTuple

from sqlalchemy import func, select
from sqlalchemy.dialects.sqlite import insert

from rig.core.errors import UsageError
from rig.runlog.store import RunLog
from rig.runlog.tables import views

LONGEST_NAME, MOST = 40, 50


class View(NamedTuple):
    """`question` as in the page's address."""

    name: str
    question: str


def kept(log: RunLog) -> list[View]:
    """All of them, in order of name."""
    with log._reading() as connection:
        rows = connection.execute(select(views.c.name, views.c.question).order_by(views.c.name))
        return [View(*row) for row in rows]


def keep(log: RunLog, name: str, question: str) -> None:
    """Keep a view, replacing one of the same name. Raises UsageError."""
    name = " ".join(name.split())
    if not name or len(name) > LONGEST_NAME or not name.isprintable():
        raise UsageError(f"A view's name has 1 to {LONGEST_NAME} characters that can be printed.")
    with log._writing() as connection:
        others = select(func.count()).select_from(views).where(views.c.name != name)
        if connection.execute(others).scalar_one() >= MOST:
            raise UsageError(f"There are {MOST} views, as many as are kept. Forget one first.")
        made = insert(views).values(name=name, question=question)
        connection.execute(
            made.on_conflict_do_update(index_elements=["name"], set_={"question": question})
        )


def forget(log: RunLog, name: str) -> None:
    """Forget a view; does nothing if there is none of this name."""
    with log._writing() as connection:
        connection.execute(views.delete().where(views.c.name == name))
