"""Base classes of screens and windows that close only themselves, and only once."""

from __future__ import annotations

from typing import ClassVar, TypeVar

from textual.await_complete import AwaitComplete
from textual.binding import Binding, BindingType
from textual.command import CommandList, CommandPalette
from textual.screen import ModalScreen, Screen
from textual.widgets import OptionList

from benchtest.tui.literal_text import LiteralMenu

Result = TypeVar("Result")


class CloseOnceScreen(Screen[Result]):
    """A screen that closes only itself.

    The library closes the top screen, so the second of two keys typed together would close the
    screen below: the prop would stay lit without a key to make it dark.
    """

    HAS_UNIT: ClassVar = False
    """A unit is on the bench, and may be lit, while this screen is open."""

    @property
    def is_on_top(self) -> bool:
        """True if this screen gets the keys."""
        return self.is_mounted and bool(self.app.screen_stack) and self.app.screen is self

    def put_dark(self) -> None:
        """Make this screen's unit dark."""

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Accept keys while this screen is complete and on top; others were typed too early."""
        return self.is_on_top

    def dismiss(self, result: Result | None = None) -> AwaitComplete:
        """Close this screen; do nothing if it has been closed or is covered by another."""
        return super().dismiss(result) if self.is_on_top else AwaitComplete()


class _DarkKeyScreen(CloseOnceScreen[Result]):
    """A window that may cover the bench screen: the key for dark works there too."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("f9", "put_dark", show=False, priority=True)]

    def action_put_dark(self) -> None:
        """Make the unit on the bench dark, if there is one."""
        for screen in self.app.screen_stack:
            if isinstance(screen, CloseOnceScreen):
                screen.put_dark()


# the library takes styles only from the first base
class Window(ModalScreen[Result], _DarkKeyScreen[Result]):
    """A small window on top of a screen."""


class Palette(CommandPalette, _DarkKeyScreen[None]):
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
    """Return True if the list has lines; in an empty one the library fails at a page key."""
    return options.scrollable_content_region.area > 0
