"""Words of the bench screen: tasks, keys and help."""

from __future__ import annotations

from benchtest.evidence.marks import Seen

MARKS: dict[str, Seen] = {
    "d": "dark",
    "m": "dim",
    "w": "warm",
    "c": "wrong-colour",
    "f": "flicker",
    "s": "stuck",
}
TASKS = {
    "look": "LOOK",
    "walk": "WALK",
    "think": "THINK",
    "read": "MEASURE",
    "repair": "REPAIR",
    "sign-off": "SIGN OFF",
    "done": "DONE",
}
KEYS = {
    "look": "space it lights   x it does not\nX all of it stays dark\nup down another strand",
    "walk": "left right move the lit node\nd dark  w warm  m dim  s stuck\n"
    "c wrong colour  f flicker\ncapital: from here on  h ruler\n"
    "Enter done with this strand",
    "think": "",
    "read": "type volts (12.3m: millivolts)\nEnter keeps it  o another one",
    "repair": "r done: log it\n1-9 log another suspect's",
    "sign-off": "Enter sign off",
    "done": "Escape back to the shelf",
}
HELP = """\
space, Page Down   the strand lights as it should
x                  it does not;  X all of it stays dark
up, down           look at another strand
left, right        move the lit node; Home, End to the ends
d w m c f s        mark it dark, warm, dim, wrong colour, ...
D W M C F S        the same from here on, the way data runs
h                  the ruler: 5s blue, 10s white, 50s red
0-9 - .            type a reading; Enter keeps it
o                  take a reading of your own choice
v                  read the virtual prop's meter
r, 1-9             log a repair of the first suspect, or that
n, g               a note; the unit's stage (bare, sealed, ...)
u, Page Up         take back the last step
b, F9              dark, and back; F9 works while typing
Escape             back to the shelf; the session stays
Before you touch a joint: supply off. Do not stare into full
white; warn people who are sensitive to changing light."""
