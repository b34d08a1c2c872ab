# SPDX-License-Identifier: MIT
"""Whether an answer is what its model says, no key more and none less."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel


def is_described(model: type[BaseModel], answer: Any) -> None:
    """Fails where a key is missing, of another type, or not named by the model."""
    found = model.model_validate(answer)  # a key that the model does not name is lost here
    kept = found.model_dump(by_alias=True, exclude_unset=True)
    assert kept == answer, {key: value for key, value in answer.items() if kept.get(key) != value}
