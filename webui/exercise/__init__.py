# SPDX-License-Identifier: MIT
"""Class exercise: the instructor's pages, the students' pages, and the queue of runs."""
