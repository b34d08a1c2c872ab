# SPDX-License-Identifier: MIT
"""The id of a message in the JSON of a run (rig.core.message_ids makes them)."""

from typing import Annotated

from pydantic import Field

MessageId = Annotated[
    str,
    Field(
        pattern=r"^[a-z]+\.[a-z0-9-]+$",
        description="Never changes, while the sentence beside it may; all are listed in the help, "
        "under Messages and their ids",
    ),
]
