"""Targets of units: kept in their records, and offered at the next start."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from benchtest.drive.target import DriveSettings, parse_target
from benchtest.errors import InputError
from benchtest.input_files import strip_control_chars
from benchtest.records.shelf import Shelf

if TYPE_CHECKING:
    from benchtest.prop.design import Design
    from benchtest.prop.outputs import OutputSetting

VIRTUAL = "virtual"


@dataclass(frozen=True, slots=True)
class TargetQuestion:
    """A question to answer before a unit comes onto the bench."""

    title: str
    words: str
    offered: str
    """Target that Enter takes, as written for `--to`."""


def last_target(shelf: Shelf, tag: str | None = None) -> str | None:
    """Return the target that a unit, or any unit of the bench, was last driven at.

    None if the record has no target that this version can read.
    """
    text = shelf.last_target(tag)
    if text is None:
        return None
    try:
        return str(parse_target(strip_control_chars(text)))
    except InputError:
        return None


def target_question(
    shelf: Shelf, tag: str, asked: str | None, answered: str | None
) -> TargetQuestion | None:
    """Return the question to ask before a unit is driven; None if its target is certain.

    Args:
        shelf: the records.
        tag: the unit.
        asked: target of the command line; None without one.
        answered: target that the user gave for another unit since the program began.
    """
    before = last_target(shelf, tag)
    wanted = asked or answered
    if wanted is None:
        return _where(tag, before, last_target(shelf))
    if before is None:
        return None
    if before != VIRTUAL and wanted == VIRTUAL:
        words = (
            f"{tag} was driven at {before}, so it is a real unit. Readings of a virtual prop would "
            f"mix with those of {tag}. Type {VIRTUAL} to mix them anyway."
        )
        return TargetQuestion(f"{tag} is a real unit", words, before)
    if before == VIRTUAL and wanted != VIRTUAL:
        words = (
            f"The record of {tag} holds readings of a virtual prop. Give a real unit its own tag: "
            "Escape, then n. Enter continues with this record anyway."
        )
        return TargetQuestion(f"{tag} was last a virtual prop", words, wanted)
    if asked is None and before != with_last_settings(shelf, tag, wanted):
        return _where(tag, before, None)
    return None


def with_last_settings(shelf: Shelf, tag: str, text: str) -> str:
    """Return a target with the settings that a unit was last driven with there.

    Args:
        shelf: the records.
        tag: the unit.
        text: the target; settings of its own are kept.
    """
    before, target = last_target(shelf, tag), parse_target(text)
    if before is None or target.settings != DriveSettings():
        return text
    kept = parse_target(before)
    return before if replace(kept, settings=DriveSettings()) == target else text


def _where(tag: str, before: str | None, bench: str | None) -> TargetQuestion | None:
    if before == VIRTUAL:
        return None
    offered = before or bench or VIRTUAL
    words = f"It was last driven at {before}." if before else "Its record names no target yet."
    if offered == VIRTUAL:
        words += " A virtual prop is for trying the program; its readings are not of your unit."
    return TargetQuestion(f"Where is {tag} driven?", words, offered)


def has_no_place(text: str) -> bool:
    """Return True for a target without a place of the prop's channels, which is of one unit."""
    return parse_target(text).settings.output is None


def output_of_suspect(where: str) -> OutputSetting | None:
    """Return the setting by which a prop is driven as its controller is set; None without one.

    >>> print(output_of_suspect("controller slots=512,packed=true"))
    slots=512,packed=true
    >>> output_of_suspect("controller without=3"), output_of_suspect("4A+")
    (None, None)
    """
    from benchtest.prop.notation import CONTROLLER
    from benchtest.prop.outputs import parse_output_setting

    word, _, setting = where.partition(" ")
    if word != CONTROLLER:
        return None
    try:
        return parse_output_setting(setting)
    except InputError:
        return None


def as_controller(text: str, where: str) -> str:
    """Return a target at which a prop is driven by a suspected setting of its controller."""
    target, output = parse_target(text), output_of_suspect(where)
    if output is None:
        return text
    return str(target.with_settings(DriveSettings(output=output.over(target.output))))


def checked_settings(text: str, design: Design) -> str:
    """Return a typed target in the form of `--to`, at which a design fits.

    Raises:
        InputError: not a target, or the prop does not fit there; contains every fault.
    """
    target = parse_target(text.strip()).check_settings()
    if target.settings.output is not None:
        target.output.moved(design)
    return str(target)


def checked_target(text: str) -> str:
    """Return a typed target in the form of `--to`.

    Raises:
        InputError: not a target; contains what to write.
    """
    return str(parse_target(text.strip()).check_settings())
