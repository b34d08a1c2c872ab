# SPDX-License-Identifier: MIT
"""The JSON interface against its own description, and the examples of its help page."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
import schemathesis
from flask.testing import FlaskClient
from hypothesis import HealthCheck, given, settings

from rig.config.sheet.model import KINDS
from rig.core import places
from rig.core.records import SOURCES
from rig.runlog.search import NO_RESULT, ORDERS
from rig.runlog.tables import STATUSES
from webui import words
from webui.app import create_app
from webui.live.files import Files
from webui.live.hub import Hub

ROOT = Path(__file__).parents[2]
EXAMPLES = re.findall(r"^    GET (/\S+)$", (ROOT / "webui/help/api.md").read_text(), re.M)
CHOICES = {
    "/api/runs": {
        "verdict": (*words.VERDICTS, NO_RESULT), "source": SOURCES, "status": STATUSES,
        "kind": KINDS, "order": ORDERS,
    },
    "/api/runs/{run_id}/overlay": {"way": ("on", "off")},
    "/api/compare": {"sort": ("response_ms", "release_ms", "verdict", "given")},
}  # fmt: skip
MANY, SOME = 400, 25


def test_every_json_view_is_described(client: FlaskClient) -> None:
    document = client.get("/api/openapi.json").json
    assert document is not None and document["openapi"] == "3.1.0"
    views = {str(rule.rule) for rule in client.application.url_map.iter_rules()}
    paths = {
        re.sub(r"<(?:[^:<>]*:)?([a-z_]+)>", r"{\1}", v) for v in views if v.startswith("/api/")
    }
    assert set(document["paths"]) == paths and len(paths) >= 8
    for path in document["paths"].values():
        for operation in path.values():
            assert operation["summary"] and operation["operationId"]


def test_closed_choices_are_named_in_the_document(client: FlaskClient) -> None:
    document = client.get("/api/openapi.json").json
    assert document is not None
    for address, choices in CHOICES.items():
        asked = document["paths"][address]["get"]["parameters"]
        schemas = {one["name"]: one["schema"] for one in asked}
        for name, values in choices.items():
            kinds = schemas[name].get("anyOf", [schemas[name]])
            named = [value for kind in kinds for value in kind.get("enum", [])]
            assert set(named) == set(values), (address, name)


@pytest.mark.parametrize("address", EXAMPLES)
def test_the_examples_of_the_help_page(
    written: Callable[..., int], log_path: Path, tmp_path: Path, address: str
) -> None:
    for _ in range(2):  # the examples compare runs 1 and 2
        written(strokes=3)
    hub = Hub(places.state_dir(), Files([ROOT / "demo"], [], tmp_path))
    client = create_app({"RUN_LOG": log_path, "HUB": hub}).test_client()
    answer = client.get(address)
    assert answer.status_code == 200 and answer.is_json, answer.text


def test_there_are_examples() -> None:
    assert len(EXAMPLES) >= 9


def test_no_question_makes_a_fault_of_the_program(
    written: Callable[..., int], log_path: Path, full_study: bool
) -> None:
    """schemathesis draws questions from the description, sound and unsound ones."""
    written(strokes=3, missed=(2,))
    written(strokes=2, source="board", status="tripped", trip=True)
    app = create_app({"RUN_LOG": log_path})
    app.config["PROPAGATE_EXCEPTIONS"] = False
    schema = schemathesis.openapi.from_wsgi("/api/openapi.json", app)
    asked = 0
    for found in schema.get_all_operations():
        operation = found.ok()

        @settings(
            max_examples=MANY if full_study else SOME,
            deadline=None,
            database=None,
            suppress_health_check=list(HealthCheck),
        )
        @given(case=operation.as_strategy())
        def ask(case) -> None:
            nonlocal asked
            asked += 1
            answer = case.call()
            assert answer.status_code < 500, (case.path, answer.status_code, answer.text[:300])

        ask()
    assert asked > 50
