"""Queens side by side: values with their errors, likely places, kinship; and views that a person saves."""

import re
from collections.abc import Callable

import pytest
from django.test import Client
from django.urls import reverse

from accounts.access import Viewer, viewer_of
from accounts.models import AuditEntry, SavedView
from breeding.models import Merit
from breeding.queries.compare import compared
from breeding.queries.kinship import kinship_between
from tests.breeding.bred import Bred, breed
from tests.breeding.conftest import Stock
from tests.factories import NOW, PersonFactory, RoleGrantFactory

pytestmark = pytest.mark.django_db
ClientOf = Callable[[str], Client]
COMPARE, STANDING = "/standing/compare/", "/standing/"


@pytest.fixture
def bred(stock: Stock) -> Bred:
    return breed(stock.owner, trait=stock.traits["gentleness"])


def viewer(bred: Bred) -> Viewer:
    person = PersonFactory()
    RoleGrantFactory(person=person, cooperative=bred.run.cooperative, role="breeder")
    found = viewer_of(person)
    assert found is not None
    return found


def page_of(client: Client, *queens: int) -> str:
    response = client.get(COMPARE, {"queen": queens})
    assert response.status_code == 200
    return response.content.decode()


def test_queens_stand_in_the_order_in_which_they_were_asked_for(bred: Bred) -> None:
    pks = [bred.daughters[3].pk, bred.founders[0].pk, bred.daughters[3].pk, 999_999]
    found = compared(viewer(bred), bred.run, pks)
    assert found is not None
    assert [merit.queen.label for merit in found.merits] == ["D3", "F0"]
    [(trait, values)] = found.traits
    assert trait == bred.trait
    assert [value.queen_id for value in values if value] == [bred.daughters[3].pk, bred.founders[0].pk]


def test_kinship_of_relatives_is_what_the_textbooks_say(bred: Bred) -> None:
    """Mother and daughter 1/4; half-sisters through unrelated drones 1/8; unrelated founders 0. By hand: half of the
    relationship of Wright (1922, doi:10.1086/279872), which in a daughter is the chance of two genes alike by descent.
    """
    mother, daughter, sister = bred.founders[0], bred.daughters[0], bred.daughters[4]
    table = kinship_between([mother.pk, daughter.pk, sister.pk, bred.founders[1].pk])
    assert table[0][1:] == pytest.approx([0.25, 0.25, 0.0])
    assert table[1][2] == pytest.approx(0.125, abs=0.03)  # a dozen drones of the open mating, some of them shared
    assert table[1][2] > 0.125
    assert table == [list(column) for column in zip(*table, strict=True)]


def test_the_page_says_whether_the_first_is_surely_ahead(bred: Bred, client_of: ClientOf) -> None:
    first, second = bred.daughters[7], bred.daughters[0]
    overlapping = page_of(client_of("owner"), first.pk, second.pk)
    assert "D7 has the highest merit, but the likely places overlap" in overlapping
    Merit.objects.filter(queen=first).update(place_worst=2)
    Merit.objects.filter(queen=second).update(place_best=3)
    assert "D7 is surely ahead in merit" in page_of(client_of("owner"), first.pk, second.pk)


def test_values_stand_with_their_error_unit_and_sureness(bred: Bred, client_of: ClientOf) -> None:
    text = re.sub(r"\s+", " ", page_of(client_of("colleague"), bred.daughters[7].pk, bred.daughters[6].pk))
    assert "<b>+1.2 ± 0.5</b>" in text
    assert "+6.00 ± 1.00" in text  # 5 × 1.2, in points
    assert f'{bred.trait} <span class="muted small">{bred.trait.unit}</span>' in text
    assert "1–12 of 12" in text
    assert text.count("fair") >= 4
    assert "Kinship between them" in text


def test_more_than_four_are_cut_and_fewer_than_two_asked_for(bred: Bred, client_of: ClientOf) -> None:
    client = client_of("owner")
    many = page_of(client, *[queen.pk for queen in bred.daughters[:6]])
    assert "Only the first four are shown." in many
    assert f"/stock/queens/{bred.daughters[3].pk}/" in many
    assert f"/stock/queens/{bred.daughters[4].pk}/" not in many
    assert "Tick two to four queens to compare them" in page_of(client)
    alone = page_of(client, bred.daughters[0].pk)
    assert "Tick two to four queens to compare them" in alone
    assert "Kinship between them" not in alone
    assert client.get(COMPARE, {"queen": ["x", "9" * 30]}).status_code == 200


def test_queens_of_another_cooperative_are_not_compared(bred: Bred, client_of: ClientOf) -> None:
    text = page_of(client_of("other cooperative"), bred.daughters[0].pk, bred.daughters[1].pk)
    assert "D0" not in re.sub(r'value="[^"]*"', "", text)


def test_every_row_of_the_standing_can_be_ticked(bred: Bred, client_of: ClientOf) -> None:
    text = client_of("owner").get(STANDING).content.decode()
    assert text.count('form="compare" name="queen"') == 12
    assert f'id="compare" method="get" action="{COMPARE}"' in text


def saved(client: Client, name: str, query: str, page: str = "standing") -> SavedView:
    response = client.post(reverse("accounts:view_save"), {"page": page, "name": name, "query": query})
    assert response.status_code == 302
    return SavedView.objects.get(name=name, removed_at__isnull=True)


def test_a_saved_view_is_the_address_and_its_owners_alone(bred: Bred, client_of: ClientOf) -> None:
    client = client_of("owner")
    view = saved(client, "Osier, honey", "line=3&tested=1&trait=&page=2")
    assert view.query == "line=3&tested=1"
    shown = client.get(f"{STANDING}?line=3&tested=1").content.decode()
    assert 'href="/standing/?line=3&amp;tested=1" aria-current="page"' in shown
    assert "“Osier, honey” is saved." in shown
    assert "Osier, honey" not in client_of("colleague").get(STANDING).content.decode()
    assert client_of("colleague").post(reverse("accounts:view_remove", args=[view.pk])).status_code == 404
    [entry] = AuditEntry.objects.filter(action="view.save")
    assert (entry.subject_name, entry.after) == (
        "Osier, honey", {"page": "standing", "query": "line=3&tested=1"},
    )  # fmt: skip


def test_the_same_name_again_stands_for_the_new_choice(bred: Bred, client_of: ClientOf) -> None:
    client = client_of("owner")
    first = saved(client, "Mine", "line=3")
    saved(client, "Mine", "line=4")
    first.refresh_from_db()
    assert first.removed_at is not None
    assert [one.query for one in SavedView.objects.filter(removed_at__isnull=True)] == ["line=4"]
    assert saved(client, "Mine", "line=4").pk == SavedView.objects.get(removed_at__isnull=True).pk
    assert AuditEntry.objects.filter(action="view.save").count() == 2


def test_a_removed_view_comes_back_by_undo(bred: Bred, client_of: ClientOf) -> None:
    client = client_of("owner")
    view = saved(client, "Mine", "line=3")
    answer = client.post(reverse("accounts:view_remove", args=[view.pk]), follow=True).content.decode()
    assert f'action="{reverse("accounts:view_restore", args=[view.pk])}"' in answer
    assert not SavedView.objects.filter(removed_at__isnull=True).exists()
    assert client.post(reverse("accounts:view_restore", args=[view.pk])).status_code == 302
    assert SavedView.objects.get(removed_at__isnull=True) == view
    actions = (
        AuditEntry.objects.filter(subject_type="accounts.savedview").order_by("pk").values_list("action", flat=True)
    )
    assert list(actions) == ["view.save", "view.remove", "view.restore"]


def test_a_removed_view_does_not_come_back_beside_its_namesake(bred: Bred, client_of: ClientOf) -> None:
    client = client_of("owner")
    view = saved(client, "Mine", "line=3")
    client.post(reverse("accounts:view_remove", args=[view.pk]))
    saved(client, "mine", "line=4")
    answer = client.post(reverse("accounts:view_restore", args=[view.pk]), follow=True).content.decode()
    assert "There is a view of that name already: Mine." in answer
    assert SavedView.objects.get(removed_at__isnull=True).query == "line=4"


@pytest.mark.parametrize(
    ("name", "query", "page", "said"),
    [
        ("  ", "line=3", "standing", "This field is required."),
        ("Mine", "q=" + "x" * 600, "standing", "This page’s choice cannot be kept"),
        ("Mine", "line=3", "//evil", ""),
    ],
)
def test_a_view_that_cannot_be_kept_is_refused_and_nothing_is_written(
    bred: Bred, client_of: ClientOf, name: str, query: str, page: str, said: str
) -> None:
    response = client_of("owner").post(
        reverse("accounts:view_save"), {"page": page, "name": name, "query": query}, follow=True
    )
    assert said in response.content.decode()
    assert not response.wsgi_request.path.startswith("//")
    assert not SavedView.objects.exists()


def test_thirty_views_of_a_page_are_enough(bred: Bred, client_of: ClientOf) -> None:
    client = client_of("owner")
    first = saved(client, "View 0", "line=0")
    for number in range(1, 30):
        SavedView.objects.create(
            person=first.person, cooperative=first.cooperative, page="standing", name=f"View {number}", made_at=NOW
        )
    answer = client.post(
        reverse("accounts:view_save"), {"page": "standing", "name": "One more", "query": ""}, follow=True
    ).content.decode()
    assert "You have 30 views here. Remove one first." in answer
