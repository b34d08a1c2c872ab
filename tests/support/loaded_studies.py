# SPDX-License-Identifier: MIT
"""The studies of tests/studies as modules, for their short form."""

from __future__ import annotations

import contextlib
import importlib.util
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

STUDIES = Path(__file__).parents[1] / "studies"


@contextlib.contextmanager
def loaded(name: str) -> Iterator[ModuleType]:
    """A study by its file's name, under a name of its own; beside it what it imports is found."""
    sys.path.insert(0, str(STUDIES))
    try:
        known_as = f"{name}_study"
        spec = importlib.util.spec_from_file_location(known_as, STUDIES / f"{name}.py")
        assert spec is not None and spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[known_as] = module
        spec.loader.exec_module(module)
        yield module
    finally:
        sys.path.remove(str(STUDIES))
