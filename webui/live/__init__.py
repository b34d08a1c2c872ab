# SPDX-License-Identifier: MIT
"""The live bench on the page: what it does now, and the orders a person gives it."""
