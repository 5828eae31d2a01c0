"""Prompt of `benchtest new`: one question at a time, repeated until the answer is valid."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, TypeVar

from benchtest.errors import InputError

Answer = TypeVar("Answer")


HINT = "Enter accepts the answer in brackets, ? explains, Ctrl-C quits without writing."


@dataclass(frozen=True)
class Question(Generic[Answer]):
    """One question.

    Attributes:
        option: command-line option that gives the same answer.
        text: the question.
        default: answer that Enter accepts.
        read: parses an answer; raises an `InputError` that contains what is valid.
        help: explanation that `?` prints.
    """

    option: str
    text: str
    default: str
    read: Callable[[str], Answer]
    help: str = ""


class Prompt:
    """Source of answers: options first, then the user or the defaults."""

    def __init__(self, *, use_defaults: bool) -> None:
        """Choose who answers.

        Args:
            use_defaults: True asks nothing and accepts the default of every question.
        """
        self.use_defaults = use_defaults
        self.has_asked = False

    def ask(self, question: Question[Answer], given: str | None = None) -> Answer:
        """Return the answer to a question.

        Args:
            question: the question.
            given: answer from an option, None if the option is missing.

        Raises:
            InputError: the option's answer is invalid, or input has ended.
        """
        if given is not None or self.use_defaults:
            try:
                return question.read(question.default if given is None else given)
            except InputError as error:
                raise InputError(f"{question.option}: {error}") from None
        while True:
            answer = self._read_line(question)
            if answer == "?":
                self.note(f"  {question.help or 'No further help.'}")
                continue
            try:
                return question.read(answer or question.default)
            except InputError as error:
                self.note(f"  {as_sentence(str(error))}")

    def note(self, text: str) -> None:
        """Print something to know before the next question."""
        if not self.use_defaults:
            print(text, file=sys.stderr)

    def _read_line(self, question: Question[Answer]) -> str:
        if not self.has_asked:
            self.has_asked = True
            with contextlib.suppress(ImportError):
                import readline  # noqa: F401  arrow keys edit the answer
            self.note(HINT)
        try:
            return _input(f"{question.text} [{question.default}]: ").strip()
        except EOFError:
            print(file=sys.stderr)
            raise InputError(
                f'no answer to "{question.text}"; give {question.option}, or --yes for the '
                "defaults of all further questions"
            ) from None
        except KeyboardInterrupt:
            print(file=sys.stderr)  # the shell's prompt starts on a new line
            raise


def as_sentence(message: str) -> str:
    """Return an error message, which continues the name of an option, as a sentence of its own.

    >>> as_sentence('is "14"; use the letters RGB')
    '"14" is not valid; use the letters RGB.'
    >>> as_sentence("names strand 1 twice")
    'The answer names strand 1 twice.'
    """
    if message.startswith('is "'):
        quoted, quote, advice = message.removeprefix("is ").partition('"; ')
        if quote:
            return f'{quoted}" is not valid; {advice}.'
    return f"The answer {message}." if message[:1].islower() else f"{message}."


def _input(prompt: str) -> str:
    """Return a typed line. The prompt stays off standard output, which is for the result."""
    if sys.stdin.isatty() and sys.stdout.isatty():
        return input(prompt)
    with contextlib.redirect_stdout(sys.stderr):
        return input(prompt)
