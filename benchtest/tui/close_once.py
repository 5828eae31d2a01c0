"""Screens that are left once, however many keys come at once."""

from __future__ import annotations

from typing import ClassVar, TypeVar

from textual.await_complete import AwaitComplete
from textual.binding import Binding, BindingType
from textual.command import CommandList, CommandPalette
from textual.screen import ModalScreen, Screen
from textual.widgets import OptionList

from benchtest.tui.literal_text import LiteralMenu

Result = TypeVar("Result")


class OnceScreen(Screen[Result]):
    """A screen that leaves only itself.

    The library removes whatever screen is on top, so that the second of two keys that were typed
    together would close the screen below: the prop would stay lit with no key to darken it.
    """

    HAS_UNIT: ClassVar = False
    """A unit is on the bench, and may be lit, while this screen is open."""

    @property
    def is_on_top(self) -> bool:
        """True if keys are meant for this screen."""
        return self.is_mounted and bool(self.app.screen_stack) and self.app.screen is self

    def put_dark(self) -> None:
        """Put out the light of this screen's unit."""

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Take keys while this screen is complete and on top; others were typed too early."""
        return self.is_on_top

    def dismiss(self, result: Result | None = None) -> AwaitComplete:
        """Leave this screen; do nothing where it has been left or another is on top of it."""
        return super().dismiss(result) if self.is_on_top else AwaitComplete()


class _OverABench(OnceScreen[Result]):
    """A window that may stand over a lit prop: the key that darkens it works there too."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("f9", "put_dark", show=False, priority=True)]

    def action_put_dark(self) -> None:
        """Put out the light of the unit on the bench, if there is one."""
        for screen in self.app.screen_stack:
            if isinstance(screen, OnceScreen):
                screen.put_dark()


# the library takes styles from the first base alone
class Window(ModalScreen[Result], _OverABench[Result]):
    """A small window on top of a screen."""


class Palette(CommandPalette, _OverABench[None]):
    """The command palette."""

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        return self.is_on_top and (
            action != "command_list" or _has_room(self.query_one(CommandList))
        )


class Options(LiteralMenu):
    """A list to choose from."""

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        return _has_room(self)


def _has_room(options: OptionList) -> bool:
    """Return True if the list has lines; the library fails at a page key in an empty one."""
    return options.scrollable_content_region.area > 0
