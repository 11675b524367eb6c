"""Estimates of variances as the job would have kept them."""

from typing import Any

import numpy as np

from accounts.models import Cooperative
from breeding.models import VarianceEstimate
from tests.factories import NOW


def kept(**more: Any) -> dict[str, Any]:
    """What is kept of a trait whose variances could be estimated."""
    return {
        "status": "estimable", "effects": "both", "records": 800, "colonies": 500, "mated": 600, "controlled": 480,
        "phenotypic_sd": [12.0, 0.4], "h2_worker": [0.3, 0.1], "h2_queen": [0.2, 0.08], "correlation": [-0.4, 0.2],
        "h2_colony": [0.4, 0.1], "permanent": None, "loglik": -1000.0, "rounds": 9, "edges": [],
        "tests": [
            {"against": "queen", "statistic": 9.0, "p": 0.006}, {"against": "worker", "statistic": 8.0, "p": 0.01},
        ],
        **more,
    }  # fmt: skip


def made(cooperative: Cooperative, traits: dict[str, Any], **more: Any) -> VarianceEstimate:
    """An estimate as the job would have kept it, with plain matrices."""
    keys = [key for key, found in traits.items() if found["status"] == "estimable"]
    G0 = np.zeros((2 * len(keys), 2 * len(keys)))
    for k, key in enumerate(keys):
        own: dict[str, Any] = {
            "both": [[9.0, -1.0], [-1.0, 4.0]],
            "queen": [[0, 0], [0, 5.0]],
            "worker": [[8.0, 0], [0, 0]],
        }
        G0[2 * k : 2 * k + 2, 2 * k : 2 * k + 2] = own[traits[key]["effects"]]
    matrices = {"traits": keys, "G0": G0.tolist(), "R0": (np.eye(len(keys)) * 7).tolist(),
                "permanent": np.zeros((len(keys), len(keys))).tolist(), **more}  # fmt: skip
    number = VarianceEstimate.objects.filter(cooperative=cooperative).count() + 1
    return VarianceEstimate.objects.create(
        cooperative=cooperative, number=number, made_at=NOW, records_until=NOW.date(), queens=9, records=9,
        traits=traits, matrices=matrices,
    )  # fmt: skip
