"""What is equal gets one number: rows of sparse matrices, combinations of codes."""

import numpy as np

from breeding.genetics.types import Csr, Floats, Ints


def codes_of(values: Floats | Ints) -> Ints:
    """Number of each distinct value, (n,)."""
    return np.asarray(np.unique(values, return_inverse=True)[1]).ravel()


def joint_codes(*codes: Ints) -> Ints:
    """Number of each distinct combination, (n,); each code counts from 0."""
    key = codes[0]
    for code in codes[1:]:
        width = int(code.max(initial=0)) + 1
        if width > 1:
            key = codes_of(key.astype(np.int64) * width + code)
    return key


def row_codes(rows: Csr) -> Ints:
    """Number of each distinct row of a CSR with sorted indices and no stored zeros, (n,)."""
    counts = np.diff(rows.indptr).astype(np.int64)
    key = counts
    for position in range(int(counts.max(initial=0))):
        has = np.flatnonzero(counts > position)
        at = rows.indptr[has] + position
        mine = joint_codes(key[has], codes_of(rows.data[at]), rows.indices[at].astype(np.int64))
        if len(has) == len(key):
            key = mine
        else:
            rest = counts <= position
            key = key.copy()
            key[has] = mine + int(key[rest].max(initial=0)) + 1
    return key


def distinct_rows(rows: Csr) -> tuple[Ints, Ints]:
    """First row of each distinct row, and which of them each row equals."""
    _, first, which = np.unique(row_codes(rows), return_index=True, return_inverse=True)
    return first, which
