"""Checks of covariance matrices."""

import numpy as np

from breeding.genetics.types import Floats, InputError


def require_positive_definite(K: Floats, name: str) -> None:
    """Refuse a covariance matrix that is not symmetric or not positive definite."""
    if not np.all(np.isfinite(K)):
        raise InputError(name, "must hold finite numbers only")
    if not np.allclose(K, K.T, rtol=1e-8, atol=1e-12 * float(np.abs(K).max(initial=1.0))):
        raise InputError(name, "must be symmetric")
    smallest = float(np.linalg.eigvalsh(K).min(initial=np.inf))
    if smallest <= 1e-12 * float(np.abs(np.diag(K)).max(initial=0.0)):
        raise InputError(name, f"must be positive definite (smallest eigenvalue {smallest:.3g})")
