"""Factors and components against numpy and SciPy's public functions."""

from __future__ import annotations

import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import psutil
import pytest
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components as components_of_scipy

from benchtest.circuit import sparse_solver
from benchtest.circuit.sparse_solver import (
    SymmetricFactor,
    TridiagonalFactor,
    connected_components,
)
from tests.props import SMALL_FAN

MISSING = "scipy.moved._elsewhere"
"""A module that no version of SciPy has."""


@pytest.fixture(params=["extension modules", "public functions"])
def _source(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    if request.param == "public functions":
        monkeypatch.setattr(sparse_solver, "_SUPERLU", MISSING)
        monkeypatch.setattr(sparse_solver, "_LAPACK", MISSING)
    sparse_solver._lapack.cache_clear()


@pytest.mark.usefixtures("_source")
def test_a_symmetric_matrix_of_summed_entries_is_solved() -> None:
    chance = np.random.default_rng(1)
    for size in (1, 2, 7, 60):
        root = chance.normal(size=(size, size)) * (chance.random((size, size)) < 0.2)
        matrix = root @ root.T + np.eye(size)
        rows, columns = np.nonzero(np.ones((size, size)))
        halves = np.concatenate([matrix.ravel() / 4.0, matrix.ravel() * 0.75])
        factor = SymmetricFactor(size, np.tile(rows, 2), np.tile(columns, 2), halves)
        wanted = np.linalg.solve(matrix, np.eye(size))
        np.testing.assert_allclose(factor.solve(np.eye(size)), wanted, rtol=1e-9, atol=1e-12)
        np.testing.assert_allclose(factor.solve(np.ones(size)), wanted.sum(axis=1), rtol=1e-9)
        assert factor.definite


@pytest.mark.usefixtures("_source")
def test_an_indefinite_matrix_is_recognized() -> None:
    chance = np.random.default_rng(2)
    rows, columns = np.nonzero(np.ones((6, 6)))
    verdicts = []
    for shift in np.linspace(-6.0, 6.0, 25):
        matrix = chance.normal(size=(6, 6))
        matrix = matrix + matrix.T + 2.0 * shift * np.eye(6)
        factor = SymmetricFactor(6, rows, columns, matrix.ravel())
        verdicts.append(factor.definite)
        assert factor.definite == bool(np.linalg.eigvalsh(matrix).min() > 0.0)
    assert len(set(verdicts)) == 2


@pytest.mark.usefixtures("_source")
def test_a_tridiagonal_matrix_is_solved() -> None:
    chance = np.random.default_rng(3)
    for size in (1, 2, 50):
        off = chance.normal(size=size)
        diagonal = 3.0 + np.abs(off) + chance.random(size)
        matrix = np.diag(diagonal) + np.diag(off[:-1], 1) + np.diag(off[:-1], -1)
        columns = chance.normal(size=(size, 3))
        factor = TridiagonalFactor(diagonal, off)
        wanted = np.linalg.solve(matrix, columns)
        np.testing.assert_allclose(factor.solve(columns), wanted, rtol=1e-10)
        assert factor.definite == bool(np.linalg.eigvalsh(matrix).min() > 0.0)
    assert not TridiagonalFactor(np.array([1.0, 1.0]), np.array([2.0, 9.0])).definite


def test_factors_of_a_worker_are_freed_though_another_thread_drops_them() -> None:
    rows, columns = np.nonzero(np.abs(np.subtract.outer(np.arange(300), np.arange(300))) < 2)
    values = np.where(rows == columns, 4.0, -1.0)

    def make() -> list[SymmetricFactor]:
        return [SymmetricFactor(300, rows, columns, values) for _ in range(150)]

    process, resident = psutil.Process(), []
    with ThreadPoolExecutor(1) as worker:
        for _ in range(6):
            worker.submit(make).result().clear()
            resident.append(process.memory_info().rss / 2**20)
    assert resident[-1] - resident[1] < 30.0  # each time 27 MiB stayed, 108 in all


def test_components_are_those_of_scipy() -> None:
    chance = np.random.default_rng(4)
    graphs = [
        (size, *chance.integers(0, size, (2, chance.integers(0, 80))))
        for size in chance.integers(1, 60, 300).tolist()
    ]
    long = chance.permutation(3000)
    graphs += [(3000, long[:-1], long[1:]), (3000, np.arange(2999), np.arange(1, 3000))]
    for size, tail, head in graphs:
        ends = tail.astype(np.int32), head.astype(np.int32)  # SciPy 1.11 labels nothing otherwise
        graph = coo_array((np.ones(len(tail)), ends), shape=(size, size))
        _, wanted = components_of_scipy(graph, directed=False)
        assert np.array_equal(connected_components(size, tail, head), wanted)


LIGHT = """
import sys
from benchtest.cli.main import main
assert main(sys.argv[1:]) == 0
heavy = {"scipy.sparse", "scipy.linalg", "textual", "serial", "psutil", "jinja2"} & set(sys.modules)
assert not heavy, heavy
import numpy, scipy.linalg.lapack, scipy.sparse.linalg  # the same modules, and they work
from benchtest.circuit import sparse_solver as ours
assert scipy.linalg.lapack._flapack is ours._lapack()
lu = scipy.sparse.linalg.splu(scipy.sparse.csc_array([[4.0, 1.0], [1.0, 3.0]]))
assert abs(lu.solve(numpy.array([1.0, 0.0]))[0] - 3.0 / 11.0) < 1e-15
"""


@pytest.mark.parametrize("command", ["predict", "diagnose"])
def test_a_command_loads_only_what_it_needs(command: str, tmp_path: Path) -> None:
    """SciPy's packages would double the time of a whole command."""
    prop = tmp_path / "fan.toml"
    prop.write_text(SMALL_FAN, encoding="utf-8")
    subprocess.run([sys.executable, "-c", LIGHT, command, prop], check=True, capture_output=True)
