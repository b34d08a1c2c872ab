# SPDX-License-Identifier: MIT
"""From findings to causes: which part is at fault, what to check next, what cannot be told
apart."""
