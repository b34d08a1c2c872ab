# SPDX-License-Identifier: MIT
"""The test report: one run on one sheet of paper, the same from the page and the command line."""
