# SPDX-License-Identifier: MIT
"""Models of answers about several runs overlaid: see webui.api.models."""

from __future__ import annotations

from typing_extensions import TypedDict

from webui.api.models import Overlaid


class RunNamed(TypedDict):
    """A run and its valve."""

    run: int
    valve: str | None


class CompareOverlayAnswer(TypedDict):
    """`ways`: on and off, each with one overlay a run in the order of `runs`."""

    runs: list[RunNamed]
    ways: dict[str, list[Overlaid]]
