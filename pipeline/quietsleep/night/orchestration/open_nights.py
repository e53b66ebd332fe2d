"""The nights at work in this process, by name.

Tasks are given the name of their night, not an open database. The orchestrator may copy a flow and
all that it names from process to process; a module it only refers to, so there is one such table.
"""

from __future__ import annotations

from quietsleep.night.night import Night

BY_NAME: dict[str, Night] = {}
