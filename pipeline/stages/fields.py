"""Several small whole numbers in one column: to write a column costs more than to take one apart when it is read."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray


class Fields:
    """Named numbers from 0 up, side by side in the bits of one INTEGER, or BIGINT where it takes that.

    most: the largest number of each name, the first in the lowest bits.   Raises ValueError beyond 63 bits in all.
    """

    def __init__(self, most: Mapping[str, int]) -> None:
        self.bits = {name: max(int(number).bit_length(), 1) for name, number in most.items()}
        self.shifts = {name: sum(list(self.bits.values())[:place]) for place, name in enumerate(self.bits)}
        self.all_bits = sum(self.bits.values())
        if self.all_bits > 63:
            raise ValueError(f"{dict(most)} take {self.all_bits} bits, and a BIGINT has 63. Give them two columns.")

    def packed(self, numbers: Mapping[str, NDArray[Any]]) -> NDArray[Any]:
        """One number (int32, or int64) of those given by name, all of one shape; a name that is not given is 0."""
        dtype = np.int32 if self.all_bits < 32 else np.int64
        whole: NDArray[Any] = np.zeros(np.shape(next(iter(numbers.values()))), dtype)
        for name, number in numbers.items():
            whole |= np.left_shift(number.astype(dtype), self.shifts[name])
        return whole

    def number(self, column: str, name: str) -> str:
        """SQL of one of the numbers."""
        return f"(({column} >> {self.shifts[name]}) & {(1 << self.bits[name]) - 1})::integer"

    def flag(self, column: str, name: str) -> str:
        """SQL of whether a number that is 0 or 1 is 1."""
        return f"({column} & {1 << self.shifts[name]}) <> 0"
