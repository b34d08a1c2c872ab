# SPDX-License-Identifier: MIT
"""A class exercise: the instructor's pages, the students' pages, and the runs that wait."""
