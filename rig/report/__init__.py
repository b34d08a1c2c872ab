# SPDX-License-Identifier: MIT
"""The test report: one run on one sheet of paper, identical from the page and the command line."""
