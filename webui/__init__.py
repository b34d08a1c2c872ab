# SPDX-License-Identifier: MIT
"""The page: the run log and one run with its traces, read in a browser on the bench or a phone.

It only reads. Nothing here can energise a coil, clear a trip or change a run. The application is
made by `webui.app.create_app`, served by `webui.serving`.
"""
