# SPDX-License-Identifier: MIT
"""Whether an answer is what its model says, no key more and none less."""

from __future__ import annotations

from typing import Any

from pydantic import TypeAdapter


def is_described(model: type, answer: Any) -> None:
    """Fails where a key is missing, of another type, or not named by the model."""
    adapter = TypeAdapter(model)
    found = adapter.validate_python(answer)  # a key that the model does not name is lost here
    kept = adapter.dump_python(found, by_alias=True, exclude_unset=True)
    assert kept == answer, {key: value for key, value in answer.items() if kept.get(key) != value}
