# SPDX-License-Identifier: MIT
"""The web page: the run log and single runs with their traces, read in a browser on the bench or a
phone.

Read-only. Nothing here can energise a coil, clear a trip or change a run. `webui.app.create_app`
makes the application, `webui.serving` serves it.
"""
