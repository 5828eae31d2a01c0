"""Factorizations of sparse and tridiagonal matrices, and connected components of a graph.

LAPACK and SuperLU are SciPy's. The public packages that offer them, `scipy.linalg` and
`scipy.sparse`, also import half of numpy's and SciPy's other modules, which takes longer than
everything else that a command does. The two extension modules need none of that and are loaded by
themselves. Where a version of SciPy keeps them elsewhere, its public functions are used.
"""

from __future__ import annotations

import sys
import threading
from collections import deque
from functools import cache
from importlib.machinery import PathFinder
from importlib.util import module_from_spec
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray, IndexArray

_SUPERLU = "scipy.sparse.linalg._dsolve._superlu"
_LAPACK = "scipy.linalg._flapack"
_ORDERING: Final = "MMD_AT_PLUS_A"
_PIVOT_THRESHOLD: Final = 0.0
"""Ordering and pivots of SuperLU that keep the symmetry of a matrix."""


@cache
def _extension(name: str) -> Any:
    """Load an extension module of SciPy without its packages.

    It is entered in `sys.modules`, so that a later import of its package finds the same module.

    Raises:
        ImportError: this version of SciPy has no such module.
    """
    if name in sys.modules:
        return sys.modules[name]
    import scipy  # on Windows it also names the folder of the libraries that the modules need

    _, *folders, _ = name.split(".")
    spec = PathFinder.find_spec(name, [str(Path(scipy.__path__[0], *folders))])
    if spec is None or spec.loader is None:
        raise ImportError(f"SciPy {scipy.__version__} has no {name}", name=name)
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    sys.modules[name] = module
    return module


@cache
def _lapack() -> Any:
    """Return a module with `dpttrf` and `dpttrs`."""
    try:
        module = _extension(_LAPACK)
        _ = module.dpttrf, module.dpttrs
    except (ImportError, AttributeError):
        from scipy.linalg import lapack as module
    return module


class TridiagonalFactor:
    """A symmetric tridiagonal matrix, factored.

    Attributes:
        definite: False where the matrix is not positive definite.

    Source: LAPACK `pttrf` and `pttrs`, L D Lᵀ.
    """

    def __init__(self, diagonal: FloatArray, off: FloatArray) -> None:
        """Factor.

        Args:
            diagonal: shape (n,), n at least 1.
            off: entries next to it; the last is not used. Shape (n,).
        """
        # LAPACK expects one entry fewer off the diagonal, but at least one
        padded = np.append(off[:-1], 0.0)
        *self._factors, info = _lapack().dpttrf(np.append(diagonal, 1.0), padded)
        self.definite: bool = info == 0

    def solve(self, columns: FloatArray) -> FloatArray:
        """Return the solution for right-hand sides of shape (n, columns)."""
        padded = np.zeros((len(columns) + 1, columns.shape[1]), order="F")
        padded[:-1] = columns
        found, _ = _lapack().dpttrs(*self._factors, padded, overwrite_b=1)
        return np.asarray(found[:-1])


class _Discarded(threading.local):
    """Factors of this thread that other threads have let go of.

    SciPy's SuperLU keeps a list of its memory for each thread, and frees none from another thread:
    what a worker had factored and the screen's thread dropped was never free again.
    """

    def __init__(self) -> None:
        self.factors: deque[Any] = deque()


_discarded = _Discarded()


class SymmetricFactor:
    """A sparse symmetric matrix, factored by SuperLU."""

    def __init__(
        self, size: int, rows: IndexArray, columns: IndexArray, values: FloatArray
    ) -> None:
        """Factor the sum of entries; several may have the same place.

        Args:
            size: rows of the matrix.
            rows: shape (entries,).
            columns: shape (entries,).
            values: shape (entries,).

        Raises:
            RuntimeError: the matrix is singular.
        """
        place, which = np.unique(columns * size + rows, return_inverse=True)
        data: FloatArray = np.zeros(len(place))
        np.add.at(data, which, values)
        indices = (place % size).astype(np.intc)
        starts = np.searchsorted(place, np.arange(size + 1) * size).astype(np.intc)
        self._made_by, self._discarded = threading.get_ident(), _discarded.factors
        self._discarded.clear()
        self._factored = _superlu(size, data, indices, starts)

    def __del__(self) -> None:
        """Leave the factor to its own thread, which frees it before it makes the next one."""
        factored = vars(self).get("_factored")  # None after a singular matrix
        if factored is not None and threading.get_ident() != self._made_by:
            self._discarded.append(factored)

    @property
    def definite(self) -> bool:
        """True where the matrix is positive definite."""
        upper = self._factored.U  # as `_entries`, or as SciPy's matrix
        if not isinstance(upper, tuple):
            return bool((upper.diagonal() > 0.0).all())
        data, indices, starts = upper
        used = slice(starts[-1])  # SuperLU reserves more
        in_column = np.repeat(np.arange(len(starts) - 1), np.diff(starts))
        diagonal = data[used][indices[used] == in_column]
        return len(diagonal) == len(starts) - 1 and bool((diagonal > 0.0).all())

    def solve(self, columns: FloatArray) -> FloatArray:
        """Return the solution for right-hand sides of shape (size,) or (size, columns)."""
        return np.asarray(self._factored.solve(columns))


def _superlu(
    size: int, data: FloatArray, indices: NDArray[np.intc], starts: NDArray[np.intc]
) -> Any:
    """Return the factors of a matrix in compressed columns."""
    options = {"SymmetricMode": True}
    try:
        factor = _extension(_SUPERLU).gstrf
        more = {"ColPerm": _ORDERING, "DiagPivotThresh": _PIVOT_THRESHOLD}
        more |= {"PanelSize": None, "Relax": None}
        return factor(
            size, len(data), data, indices, starts,
            csc_construct_func=_entries, ilu=False, options=options | more,
        )  # fmt: skip
    except (ImportError, AttributeError, TypeError):
        from scipy.sparse import csc_array
        from scipy.sparse.linalg import splu

        matrix = csc_array((data, indices, starts), shape=(size, size))
        return splu(
            matrix, permc_spec=_ORDERING, diag_pivot_thresh=_PIVOT_THRESHOLD, options=options
        )


def _entries(entries: tuple[Any, Any, Any], shape: tuple[int, int]) -> tuple[Any, Any, Any]:
    """Return a factor as its data, row indices and starts of columns."""
    return entries


def connected_components(size: int, tail: IndexArray, head: IndexArray) -> IndexArray:
    """Return a label of each vertex, equal for connected ones, numbered by their first vertex.

    Args:
        size: number of vertices.
        tail: one end of each edge, shape (edges,).
        head: the other end, shape (edges,).

    Returns:
        Shape (size,).
    """
    label = np.arange(size)
    while len(tail):
        # each root takes the smallest root next to it, so that at least half of them vanish
        np.minimum.at(label, np.maximum(tail, head), np.minimum(tail, head))
        while not np.array_equal(label, above := label[label]):
            label = above
        tail, head = label[tail], label[head]
        apart = tail != head
        tail, head = tail[apart], head[apart]
    is_root = label == np.arange(size)
    return np.asarray((np.cumsum(is_root) - 1)[label], dtype=np.intp)
