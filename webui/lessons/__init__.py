# SPDX-License-Identifier: MIT
"""What a lesson needs beside one stroke: who follows, what they guess, what is worth showing."""
