"""Array aliases and the one exception of the kernels."""

from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt
from scipy import sparse

Floats: TypeAlias = npt.NDArray[np.float64]
Ints: TypeAlias = npt.NDArray[np.int64]
Bools: TypeAlias = npt.NDArray[np.bool_]
# The stubs of scipy know several flavours of sparse arrays; the kernels use CSR and CSC throughout.
Csr: TypeAlias = "sparse.csr_array[Any, Any]"
Csc: TypeAlias = "sparse.csc_array[Any, Any]"


class InputError(ValueError):
    """Input that cannot be used: ``path`` says where it stands, ``reason`` what is so."""

    def __init__(self, path: str, reason: str) -> None:
        super().__init__(f"{path}: {reason}" if path else reason)
        self.path = path
        self.reason = reason
