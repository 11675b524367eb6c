"""Array aliases and the one exception of the kernels."""

from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from scipy import sparse

Floats: TypeAlias = npt.NDArray[np.floating[Any]]
Ints: TypeAlias = npt.NDArray[np.signedinteger[Any]]
Bools: TypeAlias = npt.NDArray[np.bool_]
# The kernels keep their sparse matrices as CSR. Pages read these aliases too: they load no scipy.
if TYPE_CHECKING:
    Csr: TypeAlias = sparse.csr_array[Any, Any]
else:
    Csr = Any


class InputError(ValueError):
    """Input that cannot be used: ``path`` says where it stands, ``reason`` what is so."""

    def __init__(self, path: str, reason: str) -> None:
        super().__init__(f"{path}: {reason}" if path else reason)
        self.path = path
        self.reason = reason
