"""A growing run of numbers: columns that are appended to one row at a time and read as numpy arrays."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


class Track:
    """Rows of `columns` floats; append is amortised O(1), a column is a view, not a copy."""

    def __init__(self, columns: int) -> None:
        self._rows = np.empty((columns, 256))
        self._size = 0

    def __len__(self) -> int:
        return self._size

    def append(self, *row: float) -> None:
        if self._size == self._rows.shape[1]:
            self._rows = np.concatenate([self._rows, np.empty_like(self._rows)], axis=1)
        self._rows[:, self._size] = row
        self._size += 1

    def column(self, index: int, start: int = 0) -> Array:
        """Rows `start`.. of one column, shape (n,)."""
        return self._rows[index, start : self._size]

    def since(self, t_s: float) -> int:
        """Index of the first row whose column 0 (time, rising) is at or after t_s."""
        return int(np.searchsorted(self.column(0), t_s))

    def last(self, index: int) -> float:
        return float(self._rows[index, self._size - 1])
