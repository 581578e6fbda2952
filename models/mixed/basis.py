"""The vectors that one block of the lower levels carries: no more than tell something in it.

A column of the fixed effects that is the same in all leaves of a block acts as the intercept does there, and one that
is the same within each parent acts as the parent's own effect.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from models.mixed.leaf_sums import LeafSums

FEW = 500  # leaves looked at before all
Rows = list[tuple[np.ndarray, np.ndarray]]  # per component: places in the basis, values (places, nodes)
OwnRows = list[tuple[slice, np.ndarray]]  # the same where the places lie together


@dataclass(frozen=True)
class Basis:
    """The vectors of one block: intercepts, columns that vary between parents only, other columns, the readings.

    full (size + 1, p + 1): what each fixed effect is in this basis, [X y] = basis full. shared, own: the second and
    third kind, by component, with a value per parent and per leaf; the intercepts lead among the shared. first: place
    of the first of the third kind.
    """

    full: np.ndarray
    shared: Rows
    own: OwnRows
    first: int

    @property
    def constant(self) -> np.ndarray:
        """What of the intercepts in `full` stands for columns that are constant: (q, p + 1)."""
        return self.full[: len(self.shared)] - np.eye(len(self.shared), self.full.shape[1])

    @property
    def size(self) -> int:
        return len(self.full) - 1

    def carried(self, own: slice) -> slice:
        """Places of some of the third kind among these."""
        return slice(own.start - self.first, own.stop - self.first)

    def of_leaves(self, some: np.ndarray) -> Basis:
        return replace(self, own=[(places, rows.take(some, axis=1)) for places, rows in self.own])


def basis_of(leaf: LeafSums, here: slice, parent: np.ndarray | None, starts: np.ndarray | None) -> Basis:
    """parent: of each leaf, as a position within the block, and starts: its first leaf; None where parents are not
    in the block."""
    q, p = leaf.q, leaf.p
    n = here.stop - here.start
    n_home = n if starts is None else len(starts)
    shared: list[list[tuple[int, np.ndarray]]] = [[(k, np.ones(n_home))] for k in range(q)]
    own: list[list[tuple[int, np.ndarray]]] = [[] for _ in range(q)]
    constant = []
    for j, (k, values) in enumerate(leaf.columns):
        if values is None:
            continue
        x = values[here]
        if n == 0 or (x == x[0]).all():
            constant.append((j, k, float(x[0]) if n else 0.0))
        elif starts is not None and parent is not None and of_parents(x, starts, parent):
            shared[k].append((j, x[starts]))
        else:
            own[k].append((j, x))
    order = list(range(q))
    order += [j for rows in shared for j, _ in rows[1:]]
    first = len(order)
    order += [j for rows in own for j, _ in rows]
    place = {j: at for at, j in enumerate(order)}
    full = np.zeros((len(order) + 1, p + 1))
    full[range(len(order)), order] = 1.0
    full[-1, p] = 1.0
    for j, k, value in constant:
        full[k, j] = value

    def stacked(kinds: list[list[tuple[int, np.ndarray]]], width: int) -> Rows:
        out = []
        for rows in kinds:
            values = np.empty((len(rows), width))
            for row, (_, x) in zip(values, rows, strict=True):
                row[:] = x
            out.append((np.array([place[j] for j, _ in rows], dtype=int), values))
        return out

    ends = np.cumsum([first, *(len(rows) for rows in own)]).tolist()
    of_leaves = [(slice(*at), values) for at, (_, values) in zip(pairwise(ends), stacked(own, n), strict=True)]
    return Basis(full, stacked(shared, n_home), of_leaves, first)


def of_parents(x: np.ndarray, starts: np.ndarray, parent: np.ndarray) -> bool:
    """Whether all leaves of each parent have the same value; most columns that differ do so soon."""
    few = parent[:FEW]
    if not (x[starts[: few[-1] + 1]][few] == x[:FEW]).all():
        return False
    return bool((x[starts][parent] == x).all())
