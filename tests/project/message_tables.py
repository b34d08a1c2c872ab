# SPDX-License-Identifier: MIT
"""Writes webui/help/messages.md and the rules' table of webui/help/interlock.md anew from the code.

    python tests/project/message_tables.py

It refuses to lose an id: other programs compare them. One that goes stands in GONE, with the
reason.
"""

from __future__ import annotations

import ast
import re
import textwrap
from collections.abc import Iterator
from pathlib import Path

from rig.analysis.coil import coil_state
from rig.analysis.measure import hold, marks
from rig.analysis.verdict import shown_in_run
from rig.bench.interlock.registry import RULES
from rig.core import preflight, records
from rig.core.message_ids import message_id
from rig.diagnosis.knowledge.loading import load_knowledge
from rig.diagnosis.knowledge.model import NONE_OF_THESE, SOUND
from rig.io import sampler
from rig.io.gauges import channels, polled, streaming
from rig.recorder import recorder

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "webui/help/messages.md"
INTERLOCK = ROOT / "webui/help/interlock.md"
SHAPE = re.compile(r"[a-z]+\.[a-z0-9]+(-[a-z0-9]+)*")
GONE: dict[str, str] = {}
"""Ids that no release gives any more: why, and since when."""

CONDITIONS = (
    streaming.GAUGE_LOST, streaming.GAUGE_BACK, channels.FRAME_REJECTED, polled.NO_ANSWER,
    polled.NOT_SENT, polled.LATE, sampler.CONVERTER_LOST, sampler.CONVERTER_BACK, recorder.BEHIND,
    records.STOPPED_EARLY,
)  # fmt: skip
"""Kinds of conditions that become marks of the strokes they fall into."""

KINDS = {
    "trip": "The rules of the interlock, and what the guard latches; "
    "[what each needs, and when it acts](interlock.md).",
    "advice": "What to do before any other check. That after a trip has the name of its rule.",
    "preflight": "What is checked before the first stroke.",
    "mark": "What makes a number or a run doubtful or special.",
    "link": "What a run shows of the chain in front of the valve.",
    "coil": "What the coil's current says.",
    "finding": "What a run can show; [in words](diagnosis.md).",
    "check": "What a person looks at or measures by hand; [in words](diagnosis.md).",
    "cause": "What can be at fault; [in words](diagnosis.md). `repair.` and the same name: what "
    "mends it.",
    "caution": "Cautions about a setup or a sheet.",
    "refusal": "Why something was not done: the message's own id, else that of its kind of error "
    "(file, usage, start, hardware, storage, broken-off, coil-live, internal-fault).",
    "fault": "What the page could not do.",
}
"""By kind, what its messages are."""


def sources() -> Iterator[ast.AST]:
    """Every node of our own source text."""
    for folder in ("rig", "webui"):
        for path in sorted((ROOT / folder).rglob("*.py")):
            yield from ast.walk(ast.parse(path.read_text(encoding="utf-8")))


def written_out() -> set[str]:
    """Ids that stand in the source as a text of their own."""
    texts = (
        node.value
        for node in sources()
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    )
    kinds = {"advice", "caution", "refusal", "fault"}
    found = {text for text in texts if SHAPE.fullmatch(text) and text.split(".")[0] in kinds}
    return found - {"fault.html"}  # a template


def faults() -> Iterator[str]:
    """The ids of the page's faults that are made of their titles, numbers left out."""
    for node in sources():
        if not isinstance(node, ast.Call) or getattr(node.func, "id", "") != "PageFault":
            continue
        if len(node.args) == 4:
            for title in _texts(node.args[1]):
                yield message_id("fault", re.sub(r"\d+", "", title))


def _texts(node: ast.expr) -> Iterator[str]:
    if isinstance(node, ast.IfExp):
        yield from _texts(node.body)
        yield from _texts(node.orelse)
    elif isinstance(node, ast.Constant):
        yield str(node.value)
    elif isinstance(node, ast.JoinedStr):
        yield "".join(str(part.value) for part in node.values if isinstance(part, ast.Constant))


def every_id() -> dict[str, list[str]]:
    """The ids of each kind, in their order."""
    knowledge = load_knowledge()
    own = sorted(written_out())
    named = {kind: [one for one in own if one.startswith(f"{kind}.")] for kind in KINDS}
    links = [
        shown_in_run.OIL_TEMPERATURE, shown_in_run.BASE_PRESSURE, shown_in_run.COIL_SUPPLY,
        shown_in_run.COIL, shown_in_run.SWITCH_LINK, shown_in_run.COIL_LIVE,
        shown_in_run.COIL_CURRENT, shown_in_run.REST_STATE, shown_in_run.RELEASED,
        shown_in_run.SWITCH_ANSWER,
    ]  # fmt: skip
    states = [
        coil_state.SOUND, coil_state.NO_CURRENT, coil_state.LOW_OHM, coil_state.HIGH_OHM,
        coil_state.LOW_CURRENT, coil_state.HIGH_CURRENT, coil_state.UNKNOWN,
    ]  # fmt: skip
    assert hold.END_ALONE in marks.IDS
    causes = [*(cause.name for cause in knowledge.causes), SOUND, NONE_OF_THESE]
    found = {
        "trip": [rule.id for rule in RULES],
        "advice": [*named["advice"], *(message_id("advice", rule.name) for rule in RULES)],
        "preflight": [message_id("preflight", name) for name in preflight.NAMES],
        "mark": [*marks.IDS.values(), *map(marks.id_of, CONDITIONS)],
        "link": [message_id("link", name) for name in links],
        "coil": [message_id("coil", state) for state in states],
        "finding": [one.id for one in knowledge.findings.values()],
        "check": [one.id for one in knowledge.checks.values()],
        "cause": [message_id("cause", name) for name in causes],
        "caution": named["caution"],
        "refusal": named["refusal"],
        "fault": sorted({*named["fault"], *faults()}),
    }
    assert list(found) == list(KINDS)
    return found


WORDS = {
    "mark": {one: words for words, one in marks.IDS.items()},
    "trip": {rule.id: rule.name for rule in RULES},
    "preflight": {message_id("preflight", name): name for name in preflight.NAMES},
}
"""Kinds that are listed with their words."""


def page() -> str:
    """The help page."""
    parts = [
        "# Messages and their ids",
        _filled(
            "Each message that a program may want to act on has an id beside its sentence: in the "
            "JSON (`id`, `mark_ids`, `next_check_id`), and on the page (`data-id`). Compare the "
            "id. It never changes; the sentence may be put better at any time. A file's refused "
            "key is `problem.` and the key; a condition of the recording that is not below is "
            "`mark.` and its words."
        ),
    ]
    for kind, ids in every_id().items():
        parts += [f"## {kind.capitalize()}", _filled(KINDS[kind])]
        words = WORDS.get(kind)
        if words is None:
            parts.append(_filled(", ".join(f"`{one}`" for one in ids) + "."))
        else:
            rows = [f"| `{one}` | {words.get(one, _plain(one))} |" for one in ids]
            parts.append("\n".join(["| id | words |", "|---|---|", *rows]))
    return "\n\n".join(parts) + "\n"


def _filled(text: str) -> str:
    return textwrap.fill(text, 108, break_long_words=False, break_on_hyphens=False)


def _plain(one: str) -> str:
    return one.split(".")[1].replace("-", " ")


def rules_table() -> str:
    """The table of the rules for the page on the interlock."""
    rows = [
        f"| {rule.name} | {rule.needs} | {rule.acts} |" for rule in RULES if rule.group != "guard"
    ]
    return "\n".join(["| rule | needs | acts when |", "|---|---|---|", *rows])


def with_rules(text: str) -> str:
    """`text` with its table of rules replaced."""
    return re.sub(r"(?m)^\| rule \|.*(\n\|.*)*", lambda _: rules_table(), text)


def held() -> set[str]:
    """The ids that the help page lists today."""
    return set(re.findall(r"`([a-z]+\.[a-z0-9-]+)`", PAGE.read_text(encoding="utf-8")))


if __name__ == "__main__":
    lost = held() - {one for ids in every_id().values() for one in ids} - set(GONE)
    if lost:
        raise SystemExit(f"Lost: {', '.join(sorted(lost))}. Give them again, or say why in GONE.")
    PAGE.write_text(page(), encoding="utf-8")
    INTERLOCK.write_text(with_rules(INTERLOCK.read_text(encoding="utf-8")), encoding="utf-8")
