# SPDX-License-Identifier: MIT
"""Writes the tables of the help page anew from the knowledge.

python3 tests/diagnosis/write_help.py
"""

from __future__ import annotations

import re
from pathlib import Path

from rig.diagnosis.knowledge.loading import load_knowledge
from rig.diagnosis.knowledge.tables import causes_table, checks_table, findings_table

PAGE = Path(__file__).parents[2] / "webui/help/diagnosis.md"
TABLES = {"check": checks_table, "finding": findings_table, "cause": causes_table}


def with_tables(text: str) -> str:
    """`text` with the table that begins with each head replaced by one from the knowledge."""
    known = load_knowledge()
    for head, table in TABLES.items():
        wanted = table(known)
        text = re.sub(rf"(?m)^\| {head} \|.*(\n\|.*)*", lambda _, new=wanted: new, text)
    return text


if __name__ == "__main__":
    PAGE.write_text(with_tables(PAGE.read_text()))
