"""Words of the bench screen: what each task is called."""

from __future__ import annotations

from benchtest.session.guidance.next_step import Task

TASKS: dict[Task, str] = {
    "check": "before power",
    "glow": "first light",
    "look": "look",
    "search": "search by halves",
    "caught": "found",
    "walk": "walk",
    "colour": "colours",
    "recolour": "colours",
    "think": "thinking",
    "read": "measure",
    "repair": "repair",
    "wiggle": "wiggle",
    "soak": "soak",
    "sign-off": "sign off",
    "done": "done",
}
UNITS = {"V": "volts", "mV": "millivolts", "Ω": "ohms, or OL", "time": "2h or 90m"}
"""What the field asks for."""
FIELD_UNITS = ("V", "mV", "Ω")
"""Units that stand behind the field while a number is typed."""
