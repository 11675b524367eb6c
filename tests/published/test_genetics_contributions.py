"""Optimum contributions on the worked example: three ceilings, two paths.

Figures worked out for this project; the closed form is that of Meuwissen (1997), 10.2527/1997.754934x.
"""

import numpy as np
import pytest

from breeding.genetics.file_format import answer, read_request
from tests.breeding.genetics.files import worked

DAMS, DRONES = ["A", "B", "Q1", "Q2", "R"], ["A", "B", "P1", "P2", "Q2"]
TABLE = [
    (0.14, 0.92097, {"B": 0.8376, "Q2": 0.1624}, {"B": 0.1540, "P1": 0.2308, "P2": 0.1182, "Q2": 0.4969}),
    (0.18, 1.14825, {"B": 0.4819, "Q2": 0.5181}, {"B": 0.4673, "P1": 0.1007, "P2": 0.0744, "Q2": 0.3576}),
    (0.25, 1.42608, {"B": 0.0531, "Q2": 0.9469}, {"B": 0.8252, "Q2": 0.1748}),
]


@pytest.fixture(scope="module")
def curve():
    asked = worked(
        contributions={"dam_path": DAMS, "drone_path": DRONES, "max_coancestry": [0.1, 0.14, 0.18, 0.25]},
        values=True,
        relationship=[*(f"W:{q}" for q in DAMS), *DRONES],
    )
    return answer(read_request(asked)).document


@pytest.mark.parametrize(("row", "theta", "gain", "dams", "drones"), [(i + 1, *r) for i, r in enumerate(TABLE)])
def test_gain_and_contributions(curve, row, theta, gain, dams, drones):
    found = curve["contributions"]["solutions"][row]
    assert found["status"] == "optimal"
    assert found["max_coancestry"] == theta
    assert found["gain"] == pytest.approx(gain, abs=6e-6)
    assert found["dam_path"] == pytest.approx({q: dams.get(q, 0.0) for q in DAMS}, abs=6e-5)
    assert found["drone_path"] == pytest.approx({q: drones.get(q, 0.0) for q in DRONES}, abs=6e-5)


def test_minimum_coancestry_and_a_ceiling_below_it(curve):
    assert curve["contributions"]["min_coancestry"] == pytest.approx(0.102857, abs=5e-7)
    below = curve["contributions"]["solutions"][0]
    assert (below["status"], below["gain"], below["dam_path"]) == ("infeasible", None, {})
    assert below["drone_path"] == {}


def test_equal_use(curve):
    A = np.array(curve["relationship"]["A"])
    z = np.full(10, 0.1)
    assert 0.5 * z @ A @ z == pytest.approx(0.136583, abs=5e-7)
    units = curve["values"]["units"]
    c = [*(units[f"W:{q}"]["honey"]["sum"] for q in DAMS), *(units[q]["honey"]["sum"] for q in DRONES)]
    assert z @ c == pytest.approx(0.09409, abs=5e-6)
