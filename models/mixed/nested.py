"""Nested groups of readings in general: rows with labels, as the tree wants them. For any linear mixed model on a
tree."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.mixed.lower_levels import Column, LeafSums


@dataclass(frozen=True)
class Nested:
    """Rows grouped into leaves. leaf_of_row: the leaf of each row; parents: per level but the highest; labels: per
    level, from the leaf up, the labels of each node (as rows of label codes, highest level first)."""

    leaf_of_row: np.ndarray
    parents: list[np.ndarray]
    labels: list[np.ndarray]


def nest(groups: Sequence[np.ndarray]) -> Nested:
    """groups: label arrays of the rows, the highest level first; a label need be unique only within its parent."""
    codes = np.column_stack([np.unique(np.asarray(g), return_inverse=True)[1] for g in groups])
    order = np.lexsort(codes.T[::-1])
    ordered = codes[order]
    new = np.zeros(len(order), dtype=bool)
    nodes, first_rows = [], []
    for level in range(codes.shape[1]):
        new[0] = True
        new[1:] |= ordered[1:, level] != ordered[:-1, level]
        nodes.append(np.cumsum(new) - 1)
        first_rows.append(np.flatnonzero(new))
    leaf_of_row = np.empty(len(order), dtype=np.int64)
    leaf_of_row[order] = nodes[-1]
    parents = [nodes[k - 1][first_rows[k]] for k in range(codes.shape[1] - 1, 0, -1)]
    labels = [ordered[first_rows[k], : k + 1] for k in range(codes.shape[1] - 1, -1, -1)]
    return Nested(leaf_of_row, parents, labels)


def leaf_sums(nested: Nested, z: np.ndarray, y: np.ndarray, columns: Sequence[tuple[int, np.ndarray]] = ()) -> LeafSums:
    """Sums of the rows. z: (rows, q), what the effects multiply; columns: further fixed effects as (component, value
    per row), the value the same for all rows of a leaf."""
    leaf, n, q = nested.leaf_of_row, len(nested.labels[0]), z.shape[1]
    s = np.stack([np.bincount(leaf, z[:, i] * z[:, j], n) for i in range(q) for j in range(i + 1)])
    by = np.stack([np.bincount(leaf, z[:, i] * y, n) for i in range(q)])
    first = np.empty(n, dtype=np.int64)
    first[leaf[::-1]] = np.arange(len(leaf))[::-1]
    own: list[Column] = [(k, None) for k in range(q)]
    for component, x in columns:
        if not np.allclose(x, x[first][leaf]):
            raise ValueError("a fixed effect must be the same for all rows of a leaf; group the rows more finely")
        own.append((component, np.asarray(x, dtype=float)[first]))
    return LeafSums(s, by, float(y @ y), float(len(y)), tuple(own))
