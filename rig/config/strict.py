# SPDX-License-Identifier: MIT
"""The base of every file model."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Strict(BaseModel):
    """Unknown keys, coercions, NaN and infinity are refused; nothing changes after loading.

    A file gives the key (the alias: `fuse`), a plan the attribute name (`fuse_a`); in a file the
    attribute name is an unknown key like any other (rig.config.files.reading).
    """

    model_config = ConfigDict(
        extra="forbid", strict=True, frozen=True, allow_inf_nan=False, populate_by_name=True
    )
