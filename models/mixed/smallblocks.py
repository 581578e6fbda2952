"""Many small symmetric matrices at once: one contiguous vector per matrix entry, the nodes along it.

A batch of n symmetric q x q matrices is stored packed, shape (q (q + 1) / 2, n), row `slot(i, j)`. Written out entry by
entry, every operation is a vector operation over nodes, which for q = 2 to 6 beats batched LAPACK by far.
"""

from __future__ import annotations

from functools import cache

import numpy as np


@cache
def slots(q: int) -> np.ndarray:
    """Row of entry (i, j) in packed storage, shape (q, q)."""
    table = np.zeros((q, q), dtype=int)
    for i in range(q):
        for j in range(i + 1):
            table[i, j] = table[j, i] = i * (i + 1) // 2 + j
    table.flags.writeable = False  # one for all callers
    return table


@cache
def triangle(q: int) -> tuple[np.ndarray, np.ndarray]:
    """Rows i and columns j of the entries in the order of packed storage."""
    rows, cols = np.tril_indices(q)
    rows.flags.writeable = cols.flags.writeable = False
    return rows, cols


def pack(full: np.ndarray) -> np.ndarray:
    """(n, q, q) symmetric matrices into packed storage."""
    q = full.shape[-1]
    return np.stack([full[..., i, j] for i in range(q) for j in range(i + 1)])


def unpack(packed: np.ndarray, q: int) -> np.ndarray:
    """Packed storage back to (n, q, q)."""
    at = slots(q)
    return np.moveaxis(packed[at], -1, 0)


def dot(terms: list[tuple[np.ndarray | float, np.ndarray]], like: np.ndarray) -> np.ndarray:
    """Sum of products of vectors (or of a number and a vector); zeros like `like` when there is none."""
    total: np.ndarray | None = None
    for a, b in terms:
        if isinstance(a, float):
            if a == 0.0:
                continue
            product = b * a
        else:
            product = a * b
        if total is None:
            total = product
        else:
            total += product
    return np.zeros_like(like) if total is None else total


def integrate(
    s: np.ndarray, lower: np.ndarray, logdet: bool = True
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Integrate a node's own effect ~ N(0, D), D = L L', out of its information S.

    s: packed S, shape (q (q + 1) / 2, n). lower: L, shape (q, q). logdet: False where it is not wanted.
    Returns packed W S with W = (I + S D)^-1; U and K, shape (q, q, n), with D - D (W S) D = U' U,
    W B = B - K' U B; and log|I + S D| per node, or nothing. Singular S and singular D are fine: with
    M = I + L' S L = R R', U = R^-1 L' and K = U S, nothing is inverted but M, whose eigenvalues are at least 1.
    """
    q = lower.shape[0]
    if q == 2:
        return integrate_pair(s, lower, logdet)
    at = slots(q)
    n = s.shape[1]
    like = s[0]
    sl = [[dot([(float(lower[k, j]), s[at[i, k]]) for k in range(j, q)], like) for j in range(q)] for i in range(q)]
    root = np.zeros((q, q, n))
    inverse_diagonal = np.empty((q, n))
    logs = np.zeros(n if logdet else 0)
    for j in range(q):
        for i in range(j, q):
            entry = dot([(float(lower[k, i]), sl[k][j]) for k in range(i, q)], like)
            if i == j:
                entry = entry + 1.0
            for k in range(j):
                entry -= root[i, k] * root[j, k]
            if i == j:
                np.sqrt(entry, out=root[j, j])
                inverse_diagonal[j] = 1.0 / root[j, j]
                if logdet:
                    logs += np.log(entry)
            else:
                root[i, j] = entry * inverse_diagonal[j]
    u = np.zeros((q, q, n))
    for i in range(q):
        for j in range(q):
            entry = np.full(n, float(lower[j, i])) if j >= i else np.zeros(n)
            for k in range(i):
                entry -= root[i, k] * u[k, j]
            np.multiply(entry, inverse_diagonal[i], out=u[i, j])
    big_k = np.empty((q, q, n))
    for i in range(q):
        for j in range(q):
            big_k[i, j] = dot([(u[i, k], s[at[k, j]]) for k in range(q)], like)
    ws = s.copy()
    for i in range(q):
        for j in range(i + 1):
            ws[at[i, j]] -= dot([(big_k[k, i], big_k[k, j]) for k in range(q)], like)
    return ws, u, big_k, logs


def integrate_pair(
    s: np.ndarray, lower: np.ndarray, logdet: bool = True
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """`integrate` for level and rate, written out."""
    (a, _), (b, c) = lower.tolist()
    s00, s01, s11 = s
    below = s01 * a + s11 * b
    m00 = (s00 * a + s01 * b) * a + below * b + 1.0
    root = 1.0 / np.sqrt(m00)
    cross = below * (c * root)
    left = s11 * (c * c) + 1.0 - cross * cross
    inverse = 1.0 / np.sqrt(left)
    u = np.empty((2, 2, s.shape[1]))
    np.multiply(root, a, out=u[0, 0])
    np.multiply(root, b, out=u[0, 1])
    cross *= inverse
    np.multiply(cross, -u[0, 0], out=u[1, 0])
    np.subtract(c * inverse, cross * u[0, 1], out=u[1, 1])
    k = np.empty_like(u)
    for i in range(2):
        np.add(u[i, 0] * s00, u[i, 1] * s01, out=k[i, 0])
        np.add(u[i, 0] * s01, u[i, 1] * s11, out=k[i, 1])
    ws = np.empty_like(s)
    np.subtract(s00 - k[0, 0] * k[0, 0], k[1, 0] * k[1, 0], out=ws[0])
    np.subtract(s01 - k[0, 0] * k[0, 1], k[1, 0] * k[1, 1], out=ws[1])
    np.subtract(s11 - k[0, 1] * k[0, 1], k[1, 1] * k[1, 1], out=ws[2])
    return ws, u, k, np.log(m00) + np.log(left) if logdet else m00[:0]


def times(u: np.ndarray, b: np.ndarray) -> np.ndarray:
    """U b for (q, q, n) and (q, c, n) or (q, n): the same shape as b."""
    q = u.shape[0]
    out = np.empty_like(b)
    for i in range(q):
        np.multiply(u[i, 0], b[0], out=out[i])
        for k in range(1, q):
            out[i] += u[i, k] * b[k]
    return out


def subtract_transposed(b: np.ndarray, k: np.ndarray, v: np.ndarray) -> np.ndarray:
    """b - K' v for (q, q, n) and (q, c, n) or (q, n)."""
    q = k.shape[0]
    out = b.copy()
    for i in range(q):
        for j in range(q):
            out[i] -= k[j, i] * v[j]
    return out


def symmetric_times(s: np.ndarray, b: np.ndarray) -> np.ndarray:
    """S b for packed S and (q, c, n) or (q, n)."""
    q = b.shape[0]
    at = slots(q)
    out = np.empty_like(b)
    for i in range(q):
        np.multiply(s[at[i, 0]], b[0], out=out[i])
        for k in range(1, q):
            out[i] += s[at[i, k]] * b[k]
    return out


def constant_times(d: np.ndarray, b: np.ndarray) -> np.ndarray:
    """D b for one matrix D (q, q) and (q, c, n) or (q, n)."""
    return np.dot(d, b.reshape(len(b), -1)).reshape(b.shape)


def congruence(s: np.ndarray, c: np.ndarray, q: int) -> np.ndarray:
    """Packed S C S for packed S and packed symmetric C."""
    out = np.empty_like(s)
    if q == 2:  # written out, as all below: for a few thousand nodes the loops cost more than the sums
        (s00, s01, s11), (c00, c01, c11) = s, c
        top, right = sum_of(s00, c00, s01, c01), sum_of(s00, c01, s01, c11)
        low, last = sum_of(s01, c00, s11, c01), sum_of(s01, c01, s11, c11)
        for row, terms in zip(out, ((top, s00, right, s01), (low, s00, last, s01), (low, s01, last, s11)), strict=True):
            sum_of(*terms, out=row)
        return out
    at = slots(q)
    like = s[0]
    sc = [[dot([(s[at[i, k]], c[at[k, j]]) for k in range(q)], like) for j in range(q)] for i in range(q)]
    for i in range(q):
        for j in range(i + 1):
            out[at[i, j]] = dot([(sc[i][k], s[at[k, j]]) for k in range(q)], like)
    return out


def sum_of(a: np.ndarray, b: np.ndarray, c: np.ndarray, d: np.ndarray, out: np.ndarray | None = None) -> np.ndarray:
    """a b + c d."""
    out = np.multiply(a, b, out=out)
    out += c * d
    return out


def gram(u: np.ndarray) -> np.ndarray:
    """Packed U' U for (q, q, n)."""
    q = u.shape[0]
    if q == 2:
        out = np.empty((3, u.shape[2]))
        (a, b), (c, d) = u
        for row, terms in zip(out, ((a, a, c, c), (b, a, d, c), (b, b, d, d)), strict=True):
            sum_of(*terms, out=row)
        return out
    return np.stack([dot([(u[k, i], u[k, j]) for k in range(q)], u[0, 0]) for i in range(q) for j in range(i + 1)])


def sandwich(m: np.ndarray, c: np.ndarray) -> np.ndarray:
    """Packed M C M' for (q, q, n) M and packed symmetric C."""
    q = m.shape[0]
    if q == 2:
        out = np.empty((3, m.shape[2]))
        ((m00, m01), (m10, m11)), (c00, c01, c11) = m, c
        top, right = sum_of(m00, c00, m01, c01), sum_of(m00, c01, m01, c11)
        low, last = sum_of(m10, c00, m11, c01), sum_of(m10, c01, m11, c11)
        for row, terms in zip(out, ((top, m00, right, m01), (low, m00, last, m01), (low, m10, last, m11)), strict=True):
            sum_of(*terms, out=row)
        return out
    at = slots(q)
    like = m[0, 0]
    mc = [[dot([(m[i, k], c[at[k, j]]) for k in range(q)], like) for j in range(q)] for i in range(q)]
    return np.stack([dot([(mc[i][k], m[j, k]) for k in range(q)], like) for i in range(q) for j in range(i + 1)])
