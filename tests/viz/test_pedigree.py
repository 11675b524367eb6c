import pytest

from tests.viz.reading import NS, forbidden_attributes, named_and_described, parsed, texts, with_class
from viz.pedigree import Ancestor, draw_pedigree, known_by_generation

FOUNDER = Ancestor("q1", "Heath <1>", note="2021")
MOTHER = Ancestor("q2", "Heath 7", mother=FOUNDER, link="/queens/2/?a=1&b=2")
DRONES = Ancestor("d3", "drones of Fell 3", "drones", mother=Ancestor("q4", "Fell 3", mother=FOUNDER))
QUEEN = Ancestor("q9", "Rowan 1-11", mother=MOTHER, drones=DRONES)


def test_queens_are_round_and_drones_are_square() -> None:
    root = parsed(draw_pedigree(QUEEN, generations=2, uid="p").svg)
    known_round = [node for node in root.iter(f"{NS}circle") if "unknown" not in node.get("class", "")]
    known_square = [node for node in with_class(root, "ped-drones") if "unknown" not in node.get("class", "")]
    assert len(known_round) == 4  # herself, her mother, the founder, the mother of the drones
    assert len(known_square) == 1


def test_what_is_not_known_is_dashed_and_nothing_stands_behind_it() -> None:
    root = parsed(draw_pedigree(QUEEN, generations=3, uid="p").svg)
    unknown = with_class(root, "unknown")
    assert texts(root).count("not known") == len(unknown)
    # Heath 7's and Fell 3's drones, and both parents of the founder at each of her two places but the last row.
    assert [node.tag for node in with_class(parsed(draw_pedigree(QUEEN, generations=2, uid="p").svg), "unknown")] == [
        f"{NS}rect",
        f"{NS}rect",
    ]


def test_who_stands_there_twice_is_marked_at_both_places() -> None:
    root = parsed(draw_pedigree(QUEEN, generations=3, uid="p").svg)
    assert len(with_class(root, "twice")) == 2
    assert texts(root).count("Heath <1> ●") == 2


def test_parents_stand_above_and_below_their_child_in_the_next_column() -> None:
    root = parsed(draw_pedigree(QUEEN, generations=2, uid="p").svg)
    circles = list(root.iter(f"{NS}circle"))
    herself, mother = circles[0], circles[1]
    drones = next(node for node in with_class(root, "ped-drones") if "unknown" not in node.get("class", ""))
    middle = float(herself.get("cy", ""))
    assert float(mother.get("cx", "")) > float(herself.get("cx", ""))
    assert float(mother.get("cy", "")) < middle < float(drones.get("y", ""))
    assert middle - float(mother.get("cy", "")) == pytest.approx(float(drones.get("y", "")) + 11 - middle)


def test_no_two_symbols_stand_on_each_other() -> None:
    root = parsed(draw_pedigree(QUEEN, generations=5, uid="p").svg)
    spots = [(node.get("cx"), node.get("cy")) for node in root.iter(f"{NS}circle")]
    assert len(set(spots)) == len(spots)


def test_labels_and_links_are_escaped() -> None:
    svg = draw_pedigree(QUEEN, generations=2, uid="p").svg
    assert "Heath &lt;1&gt;" in svg
    assert 'href="/queens/2/?a=1&amp;b=2"' in svg
    assert named_and_described(parsed(svg))
    assert forbidden_attributes(parsed(svg)) == []


def test_the_table_has_everybody_by_generation() -> None:
    rows = draw_pedigree(QUEEN, generations=2, uid="p").table.rows
    assert rows[:3] == (
        ("0", "Rowan 1-11", "queen", "–", "–"),
        ("1", "Heath 7", "queen", "Rowan 1-11", "–"),
        ("1", "drones of Fell 3", "drones", "Rowan 1-11", "–"),
    )
    assert [row[0] for row in rows] == ["0", "1", "1", "2", "2", "2", "2"]


@pytest.mark.parametrize("generations", [1, 6])
def test_other_numbers_of_generations_are_refused(generations: int) -> None:
    with pytest.raises(ValueError, match="2 to 5"):
        draw_pedigree(QUEEN, generations=generations, uid="p")


def test_nobody_stands_behind_herself() -> None:
    loop = Ancestor("q9", "Rowan", mother=Ancestor("q2", "Heath", mother=Ancestor("q9", "Rowan")))
    with pytest.raises(ValueError, match="Rowan stands behind herself"):
        draw_pedigree(loop, generations=3, uid="p")


def test_completeness_is_the_share_of_places_that_are_known() -> None:
    """By hand: both parents; then Heath 7's mother and Fell 3's two places, of which her mother is known."""
    assert known_by_generation(QUEEN, 3) == [1.0, 2 / 4, 1 / 8]
    assert known_by_generation(FOUNDER, 2) == [0.0, 0.0]
