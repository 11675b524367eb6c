"""Classical relationships and regular systems of inbreeding in the honey bee.

Relationships 3/4, 1/2, 1/4: Laidlaw & Page (1984), Genetics 108:985; BEEBOOK queen rearing (0.75 for
daughters of a single-drone queen); a drone is an unsegregated gamete, so drones and queens follow the
X-chromosome rules of Grossman & Eisen (1989), J Hered 80:137. The other fractions are derived from the
definition of identity by descent and were checked in rational arithmetic.
"""

from fractions import Fraction as Fr

import numpy as np
import pytest

from breeding.genetics.nodes import build_nodes
from breeding.genetics.parameters import Components, phenotypic_variance
from breeding.genetics.pedigree import (
    Drone,
    DroneShare,
    Mating,
    OneSource,
    Open,
    Pedigree,
    Pool,
    Queen,
    SingleDrone,
    SisterGroup,
    Station,
)
from breeding.genetics.relationship import mated_queens, relationship_matrix


def a(pedigree, *units):
    return relationship_matrix(build_nodes(pedigree), units)


def single_drone_family():
    """Mother M x drone f: super-sisters S1, S2, brothers as drones b1, b2, S1's daughter N and son n."""
    return Pedigree(
        [Queen("M"), Queen("S1", "M"), Queen("S2", "M"), Queen("N", "S1"), Queen("X"), Queen("XD", "X")],
        {"M": SingleDrone("f"), "S1": SingleDrone("g"), "X": SingleDrone("f")},
        [Drone("f"), Drone("g"), Drone("b1", "M"), Drone("b2", "M"), Drone("n", "S1")],
    )


@pytest.mark.parametrize(
    ("x", "y", "expected"),
    [
        ("M", "S1", Fr(1, 2)),
        ("d:f", "S1", Fr(1)),
        ("M", "d:b1", Fr(1)),
        ("S1", "S2", Fr(3, 4)),
        ("S1", "d:b1", Fr(1, 2)),
        ("d:b1", "d:b2", Fr(1)),
        ("M", "N", Fr(1, 4)),
        ("S2", "N", Fr(3, 8)),
        ("S2", "d:n", Fr(3, 4)),
        ("d:f", "N", Fr(1, 2)),
        ("S1", "XD", Fr(1, 2)),
        ("d:f", "d:f", Fr(2)),
        ("M", "M", Fr(1)),
        ("W:M", "S1", Fr(3, 4)),
    ],
)
def test_classical_pairs(x, y, expected):
    assert a(single_drone_family(), x, y)[0, 1] == pytest.approx(float(expected), abs=1e-15)


@pytest.mark.parametrize(
    ("x", "y", "x_to_y", "y_to_x"),
    [
        ("M", "S1", Fr(1, 2), Fr(1, 2)),
        ("d:f", "S1", Fr(1, 2), Fr(1)),
        ("M", "d:b1", Fr(1), Fr(1, 2)),
        ("S1", "S2", Fr(3, 4), Fr(3, 4)),
        ("S1", "d:b1", Fr(1, 2), Fr(1, 4)),
        ("d:b1", "d:b2", Fr(1, 2), Fr(1, 2)),
        ("S2", "d:n", Fr(3, 4), Fr(3, 8)),
    ],
)
def test_regression_relatedness(x, y, x_to_y, y_to_x):
    """r(X -> Y) = f(X, Y) / f(X, X), the definition of behavioural ecology."""
    A = a(single_drone_family(), x, y)
    assert A[0, 1] / A[0, 0] == pytest.approx(float(x_to_y), abs=1e-15)
    assert A[0, 1] / A[1, 1] == pytest.approx(float(y_to_x), abs=1e-15)


def test_sisters_by_different_drones():
    one_source = Pedigree([Queen("M"), Queen("P"), Queen("S1", "M"), Queen("S2", "M")], {"M": OneSource("P", None)})
    assert a(one_source, "S1", "S2")[0, 1] == pytest.approx(1 / 2)
    unrelated = Pedigree([Queen("M"), Queen("S1", "M"), Queen("S2", "M")], {"M": Open(None)})
    assert a(unrelated, "S1", "S2")[0, 1] == pytest.approx(1 / 4)
    twelve = Pedigree([Queen("M"), Queen("S1", "M"), Queen("S2", "M")], {"M": Open(12)})
    assert a(twelve, "S1", "S2")[0, 1] == pytest.approx(7 / 24)


def test_daughters_of_two_queens_by_different_drones_of_one_source():
    pedigree = Pedigree(
        [Queen("M"), Queen("N"), Queen("P"), Queen("m", "M"), Queen("n", "N")],
        {"M": OneSource("P", 5), "N": OneSource("P", 7)},
    )
    assert a(pedigree, "m", "n")[0, 1] == pytest.approx(1 / 4)


@pytest.mark.parametrize(("n", "expected"), [(10, 0.30), (17, 0.25 + 1 / 34), (12, 7 / 24)])
def test_nestmates_of_a_naturally_mated_queen(n, expected):
    """Laidlaw & Page (1984): approaches 1/4 with the number of matings; here 1/4 + 1/(2n)."""
    assert a(Pedigree([Queen("M")], {"M": Open(n)}), "W:M")[0, 0] == pytest.approx(expected)


def sisters_of_an_open_mated_queen(n: int) -> tuple[list[Queen], dict[str, Mating]]:
    return [Queen("C"), *(Queen(f"P{k}", "C") for k in range(n))], {"C": Open(12)}


MATINGS = [
    ("single drone", 2, Fr(3, 4)),
    ("one source, 8 drones", Fr(9, 8), Fr(17, 32)),
    ("one source, very many", 1, Fr(1, 2)),
    ("8 unrelated sources", Fr(3, 16), Fr(19, 64)),
    ("8 recorded sisters", Fr(85, 192), Fr(277, 768)),
    ("station", Fr(1187, 2304), Fr(3491, 9216)),
    ("pool 5:3:2 of sisters", Fr(793, 1200), Fr(1993, 4800)),
    ("open, 12 drones", Fr(1, 6), Fr(7, 24)),
    ("open, very many", 0, Fr(1, 4)),
]


@pytest.mark.parametrize(("kind", "a_bb", "a_ww"), MATINGS)
def test_worker_group_by_kind_of_mating(kind, a_bb, a_ww):
    queens: list[Queen] = [Queen("Q")]
    matings: dict[str, Mating] = {}
    drones: list[Drone] = []
    groups: list[SisterGroup] = []
    match kind:
        case "single drone":
            drones, matings["Q"] = [Drone("d")], SingleDrone("d")
        case "one source, 8 drones":
            queens, matings["Q"] = [*queens, Queen("P")], OneSource("P", 8)
        case "one source, very many":
            queens, matings["Q"] = [*queens, Queen("P")], OneSource("P", None)
        case "8 unrelated sources":
            queens += [Queen(f"P{k}") for k in range(8)]
            matings["Q"] = Pool(tuple(DroneShare(f"P{k}", 1, 2) for k in range(8)))
        case "8 recorded sisters":
            more, matings = sisters_of_an_open_mated_queen(8)
            queens += more
            matings["Q"] = Pool(tuple(DroneShare(f"P{k}", 1, 2) for k in range(8)))
        case "station":
            more, matings = sisters_of_an_open_mated_queen(0)
            queens += more
            groups, matings["Q"] = [SisterGroup("st", "C", 8)], Station("st", 12)
        case "pool 5:3:2 of sisters":
            more, matings = sisters_of_an_open_mated_queen(3)
            queens += more
            matings["Q"] = Pool(tuple(DroneShare(f"P{k}", n, n) for k, n in enumerate([5, 3, 2])))
        case "open, 12 drones":
            matings["Q"] = Open(12)
        case "open, very many":
            matings["Q"] = Open(None)
    pedigree = Pedigree(queens, matings, drones, (), groups)
    A = a(pedigree, "B:Q", "W:Q")
    assert A[0, 0] == pytest.approx(float(a_bb), abs=1e-14)
    assert A[1, 1] == pytest.approx(float(a_ww), abs=1e-14)


def successive_inbreeding(matings_of):
    n = 8
    queens = [Queen("q0"), *(Queen(f"q{i}", f"q{i - 1}") for i in range(1, n))]
    return build_nodes(Pedigree(queens, {f"q{i}": matings_of(i) for i in range(n)})).F


def test_half_sisters_and_a_sister_of_a_brother():
    """r(X -> Y) of half sisters is 1/4 both ways; of a sister to her brother 1/2, back 1/4."""
    unrelated = Pedigree([Queen("M"), Queen("S1", "M"), Queen("S2", "M")], {"M": Open(None)}, [Drone("b", "M")])
    A = a(unrelated, "S1", "S2", "d:b")
    assert A[0, 1] / A[0, 0] == A[1, 0] / A[1, 1] == pytest.approx(1 / 4)
    assert (A[0, 2], A[0, 2] / A[0, 0], A[0, 2] / A[2, 2]) == pytest.approx((1 / 2, 1 / 2, 1 / 4))


def test_daughter_by_one_brother_each_generation():
    """0, 0, 1/4, 3/8, 1/2, 19/32, ...; F_t = (1 + 2 F_{t-1} + F_{t-2}) / 4."""
    queens = [Queen("q0"), *(Queen(f"q{i}", f"q{i - 1}") for i in range(1, 8))]
    drones = [Drone("d0"), *(Drone(f"d{i}", f"q{i - 1}") for i in range(1, 8))]
    F = build_nodes(Pedigree(queens, {f"q{i}": SingleDrone(f"d{i}") for i in range(8)}, drones)).F
    np.testing.assert_allclose(F, [0, 0, 1 / 4, 3 / 8, 1 / 2, 19 / 32, 43 / 64, 47 / 64], atol=1e-15)
    np.testing.assert_allclose(F[2:], (1 + 2 * F[1:-1] + F[:-2]) / 4, atol=1e-15)


def test_queen_by_her_own_sons():
    F = successive_inbreeding(lambda i: OneSource(f"q{i}", 3))
    np.testing.assert_allclose(F[:5], [0, 1 / 2, 3 / 4, 7 / 8, 15 / 16], atol=1e-15)
    np.testing.assert_allclose(F[1:], (1 + F[:-1]) / 2, atol=1e-15)


def test_each_generation_by_drones_of_the_founder():
    F = successive_inbreeding(lambda i: OneSource("q0", None) if i else Open(12))
    np.testing.assert_allclose(F[:6], [0, 0, 1 / 4, 3 / 8, 7 / 16, 15 / 32], atol=1e-15)
    np.testing.assert_allclose(F[2:], (F[1:-1] + 1 / 2) / 2, atol=1e-15)  # towards the limit 1/2


def test_phenotypic_variance_by_kind_of_mating():
    components = Components(100.0, -30.0, 60.0, 150.0)
    pedigree = Pedigree(
        [
            Queen("O"),
            Queen("P1", "B"),
            Queen("P2", "B"),
            Queen("B"),
            Queen("A"),
            Queen("Q1", "A"),
            Queen("R", "Q1"),
            Queen("S"),
        ],
        {
            "O": Open(12),
            "B": Open(10),
            "A": Open(12),
            "R": OneSource("A", 8),
            "S": SingleDrone("d"),
            "Q1": Pool((DroneShare("P1", 3, 6), DroneShare("P2", 1, 2))),
        },
        [Drone("d")],
    )
    table = build_nodes(pedigree)
    around = mated_queens(table)
    found = {
        table.queen_ids[q]: phenotypic_variance(
            components, a_ww=around.a_ww[i], a_qw=around.a_qw[i], a_qq=around.a_qq[i]
        )
        for i, q in enumerate(around.queens)
    }
    assert found["O"] == pytest.approx(209.1667, abs=5e-5)
    assert found["Q1"] == pytest.approx(226.5625)
    assert found["S"] == pytest.approx(255.0)
    assert found["R"] == pytest.approx(238.125)
