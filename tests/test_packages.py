"""Public names of the packages."""

from __future__ import annotations

import importlib
from pathlib import Path

import pytest

import benchtest

ROOT = Path(benchtest.__file__).parent
PACKAGES = sorted(
    file.parent.relative_to(ROOT.parent).as_posix().replace("/", ".")
    for file in ROOT.rglob("__init__.py")
    if file.parent != ROOT
)


@pytest.mark.parametrize("name", PACKAGES)
def test_a_package_exports_names_that_exist(name: str) -> None:
    """`__all__` has public names, or all modules of a package that loads none of them."""
    package = importlib.import_module(name)
    folder = Path(str(package.__file__)).parent
    modules = {file.stem for file in folder.glob("*.py")} - {"__init__"}
    modules |= {file.parent.name for file in folder.glob("*/__init__.py")}
    exported = set(package.__all__)
    if exported <= modules:
        assert exported == modules
    else:
        assert all(hasattr(package, one) for one in exported)
