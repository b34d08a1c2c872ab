# SPDX-License-Identifier: MIT
"""Parts of a lesson besides the stroke itself: followers, guesses, runs worth showing."""
