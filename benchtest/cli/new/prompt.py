"""Questions at a terminal: asked one at a time, in plain words, and asked again until answered."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, TypeVar

from benchtest.errors import InputError

Answer = TypeVar("Answer")


HINT = "Enter takes the answer in brackets, ? says more, Ctrl-C ends and writes nothing."


@dataclass(frozen=True)
class Question(Generic[Answer]):
    """One thing to ask.

    Attributes:
        option: what gives the answer on the command line.
        words: the question.
        usual: the answer that Enter alone gives.
        read: makes a value of the answer; raises an `InputError` that says what would be right.
        more: what `?` is told.
    """

    option: str
    words: str
    usual: str
    read: Callable[[str], Answer]
    more: str = ""


class Dialogue:
    """Finds answers: from options, else from a person, else what is usual."""

    def __init__(self, *, use_defaults: bool) -> None:
        """Begin.

        Args:
            use_defaults: True asks nothing and takes the usual answer to what no option says.
        """
        self.use_defaults = use_defaults
        self.has_asked = False

    def ask(self, question: Question[Answer], given: str | None = None) -> Answer:
        """The answer to a question.

        Args:
            question: what is asked.
            given: the answer, where an option has said it.

        Raises:
            InputError: the option's answer is wrong, or there is nobody to ask.
        """
        if given is not None or self.use_defaults:
            try:
                return question.read(question.usual if given is None else given)
            except InputError as error:
                raise InputError(f"{question.option}: {error}") from None
        while True:
            answer = self._line(question)
            if answer == "?":
                self.say(f"  {question.more or 'There is no more to say about it.'}")
                continue
            try:
                return question.read(answer or question.usual)
            except InputError as error:
                self.say(f"  Not taken: {error}.")

    def say(self, words: str) -> None:
        """Something to know before the next question."""
        if not self.use_defaults:
            print(words, file=sys.stderr)

    def _line(self, question: Question[Answer]) -> str:
        if not self.has_asked:
            self.has_asked = True
            with contextlib.suppress(ImportError):
                import readline  # noqa: F401  arrow keys work in an answer
            self.say(HINT)
        try:
            return _typed(f"{question.words} [{question.usual}]: ").strip()
        except EOFError:
            print(file=sys.stderr)
            raise InputError(
                f'nobody answers "{question.words}"; give {question.option}, or --yes for the '
                "usual answer to all that is left"
            ) from None
        except KeyboardInterrupt:
            print(file=sys.stderr)  # the shell's next line begins a line of its own
            raise


def _typed(prompt: str) -> str:
    """A line typed at the terminal. Standard output is kept for the answer of the command."""
    if sys.stdin.isatty() and sys.stdout.isatty():
        return input(prompt)
    with contextlib.redirect_stdout(sys.stderr):
        return input(prompt)
