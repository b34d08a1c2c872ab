# SPDX-License-Identifier: MIT
"""Test-rig controller for solenoid actuation and switch timing."""

__version__ = "0.1.0"
