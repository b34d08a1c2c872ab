# SPDX-License-Identifier: MIT
"""A mistyped command is answered with the near ones."""

from __future__ import annotations

import pytest

from rig.cli.main import answer


@pytest.mark.parametrize(
    ("typed", "meant"),
    [("analize", "`rig analyse`"), ("rnu", "`rig run`"), ("comapre", "`rig compare`")],
)
def test_did_you_mean(typed, meant, capsys):
    assert answer([typed]) == 2
    assert meant in capsys.readouterr().err


def test_nothing_near_is_guessed(capsys):
    assert answer(["xyzzyq"]) == 2
    assert "Did you mean" not in capsys.readouterr().err
