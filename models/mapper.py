"""Whoever gets pieces of work done: this process, helpers beside it, or a cluster."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol, TypeVar

T = TypeVar("T")
R = TypeVar("R")


class Mapper(Protocol):
    """Whoever gets pieces of work done: function of every piece, in their order.

    function is importable by name and pure, so that a piece may be done again elsewhere; pieces can be pickled.
    """

    def __call__(self, function: Callable[[T], R], pieces: Sequence[T], /) -> list[R]: ...


def here(function: Callable[[T], R], pieces: Sequence[T]) -> list[R]:
    """The mapper of one process."""
    return [function(piece) for piece in pieces]
