# SPDX-License-Identifier: MIT
"""The web page: the run log, single runs with their traces, and, where `rig serve` was given
setups, the bench that operates a rig through the same desk as the terminal.

`webui.app.create_app` makes the application, `webui.serving` serves it.
"""
