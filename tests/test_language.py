"""Docstrings, comments, messages and test names use plain technical English."""

from __future__ import annotations

import ast
import io
import re
import tokenize
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

WORDS = {
    r"mend(?:s|ed|ing)?": "repair",
    r"anew": "again",
    r"beside": "next to, with",
    r"parted by": "separated by",
    r"taken for": "assumed, mistaken for",
    r"takes? .{1,30} for": "mistake for",
    r"lest": "so that ... not",
    r"whoever|whatever|nobody|somebody|anybody": "the user, no one, a person",
    r"at the most": "at most",
    r"deeds?": "action",
    r"starv(?:es?|ed|ing)": "undervoltage, saturated",
    r"footings?": "conditional evidence",
    r"bent": "nonlinear",
    r"(?<!there )is none|(?<!there )are none": "is not, are not",
    r"what came of|what is left of|of whom": "a noun",
    r"gone on with|goes on with": "resume, continue",
}
"""Words of a private English, with the plain word to write instead."""

OF_THINGS = {
    r"says?|said": "is, has, contains, shows, states",
    r"tells?|told|telling": "show, inform, distinguish",
}
"""Verbs of speech: only people speak. Not allowed in docstrings and comments."""

FIRST_WORDS = re.compile(r"(?:What|How|Whatever|Whoever|Where|Whether|When|Who|Why|Which)\b")


def _program() -> list[Path]:
    return sorted((ROOT / "benchtest").rglob("*.py"))


def _tests() -> list[Path]:
    """Return every file of the tests but this one, which quotes the words."""
    return sorted(set((ROOT / "tests").rglob("*.py")) - {Path(__file__)})


def _docstrings(tree: ast.Module) -> list[tuple[int, str]]:
    """Return line and text of every docstring, those after constants too."""
    return [
        (node.lineno, node.value.value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Expr)
        and isinstance(node.value, ast.Constant)
        and isinstance(node.value.value, str)
    ]


def _comments(text: str) -> list[tuple[int, str]]:
    tokens = tokenize.generate_tokens(io.StringIO(text).readline)
    return [(token.start[0], token.string) for token in tokens if token.type == tokenize.COMMENT]


def _messages(tree: ast.Module) -> list[tuple[int, str]]:
    return [
        (node.lineno, node.value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    ]


def _test_names(tree: ast.Module) -> list[tuple[int, str]]:
    """Return line and name of every test, the name as words."""
    return [
        (node.lineno, node.name.replace("_", " "))
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        and node.name.startswith("test_")
    ]


def _found(places: list[tuple[int, str]], words: dict[str, str], file: Path) -> list[str]:
    return [
        f"{file.relative_to(ROOT)}:{line}: {match[0]!r}; write: {better}"
        for line, text in places
        for word, better in words.items()
        for match in [re.search(rf"\b(?:{word})\b", text, re.IGNORECASE)]
        if match
    ]


def test_words_are_plain() -> None:
    """No docstring, comment or message uses a word of the list."""
    wrong = []
    for file in _program():
        text = file.read_text("utf-8")
        tree = ast.parse(text)
        prose = _docstrings(tree) + _comments(text)
        wrong += _found(prose, OF_THINGS, file)
        wrong += _found(_messages(tree) + _comments(text), WORDS, file)
    assert not wrong, "\n".join(wrong)


def test_words_of_the_tests_are_plain() -> None:
    """No docstring, comment or test name in the tests uses a word of the lists."""
    wrong = []
    for file in _tests():
        text = file.read_text("utf-8")
        tree = ast.parse(text)
        prose = _docstrings(tree) + _comments(text) + _test_names(tree)
        wrong += _found(prose, WORDS | OF_THINGS, file)
    assert not wrong, "\n".join(wrong)


def test_no_docstring_or_test_name_begins_with_a_question_word() -> None:
    wrong = []
    for file in _program() + _tests():
        tree = ast.parse(file.read_text("utf-8"))
        names = [(line, name.removeprefix("test ").title()) for line, name in _test_names(tree)]
        wrong += [
            f"{file.relative_to(ROOT)}:{line}: {text.strip().splitlines()[0]}"
            for line, text in _docstrings(tree) + names
            if FIRST_WORDS.match(text.strip())
        ]
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize(
    "line",
    [
        '"""What it says."""',
        "x = 1  # mended anew",
        'raise ValueError("it is none")',
        "def test_a_mended_joint() -> None: ...",
    ],
)
def test_each_list_finds_its_example(line: str) -> None:
    """Each list finds an example of its own."""
    tree = ast.parse(line)
    file = ROOT / "example.py"
    found = _found(_docstrings(tree) + _comments(line), OF_THINGS, file)
    found += _found(_messages(tree) + _comments(line) + _test_names(tree), WORDS, file)
    assert found
