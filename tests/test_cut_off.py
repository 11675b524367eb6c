"""No dead ends: an address that somebody cuts shorter, or opens though it only takes what is sent, leads on."""

import pytest
from django.http import HttpRequest, HttpResponse
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver, resolve, reverse

from accounts.http import folder_above
from accounts.models import Role
from accounts.urls.cut_off import Lead, cut_off, folders_of, routes_of, sample_of, stands
from tests.factories import PersonFactory
from tests.scheduling.world import World, make_world

pytestmark = pytest.mark.django_db
OVER = "begin/"  # there is nothing to begin where a cooperative stands
MADE_UP = "There is nothing at this address"


def site() -> URLResolver:
    return get_resolver()


def own() -> list[URLPattern | URLResolver]:
    """Addresses that nobody made of the beginnings of others."""
    return [one for one in site().url_patterns if not str(getattr(one, "name", "")).startswith("cut_")]


def begun() -> list[str]:
    """Every beginning of every address of the site."""
    return sorted({folder for route in routes_of(site().url_patterns) for folder in folders_of(route)})


@pytest.fixture
def world() -> World:
    return make_world()


@pytest.fixture
def coordinator(world: World) -> Client:
    client = Client()
    client.force_login(world.coordinator())
    return client


def test_every_beginning_of_an_address_is_an_address() -> None:
    assert len(begun()) > 80
    assert [folder for folder in begun() if not stands(folder, site())] == []


def test_without_the_made_addresses_most_would_lead_nowhere() -> None:
    """The control of the test above."""
    assert len(cut_off(own(), {})) > 40


@pytest.mark.parametrize("folder", begun())
def test_a_beginning_leads_to_a_page_or_to_a_list_above_it(coordinator: Client, folder: str) -> None:
    response = coordinator.get(sample_of(folder), follow=True)
    assert len(response.redirect_chain) <= 2
    if response.status_code == 404:  # a single thing that is not there; its page names the list
        assert MADE_UP in response.content.decode()
        assert "<" in resolve(response.wsgi_request.path).route or folder == OVER
    elif response.status_code == 405:  # itself the address of an act
        assert not response.redirect_chain
        assert "only takes what a button sends" in response.content.decode()
    else:
        assert response.status_code == 200


@pytest.mark.parametrize(
    ("address", "page"),
    [
        ("/stock/queens/", "breeding:stock"),
        ("/evaluations/", "breeding:standing"),
        ("/variances/jobs/", "breeding:variances"),
        ("/crosses/planned/5/", "breeding:planned_crosses"),
        ("/persons/", "accounts:members"),
        ("/settings/devices/4/", "accounts:devices"),
        ("/cohorts/", "scheduling:sources"),
        ("/batch-queens/", "scheduling:batches"),
        ("/offers/7/", "scheduling:bookings"),
        ("/plan/", "scheduling:board"),
        ("/season/3/settings/", "scheduling:settings"),
        ("/reminders/9/", "scheduling:reminders"),
        ("/calendar/", "scheduling:feeds"),
        ("/trace/sources/", "scheduling:trace"),
    ],
)
def test_a_shortened_address_leads_to_the_list_it_belongs_to(coordinator: Client, address: str, page: str) -> None:
    response = coordinator.get(address, follow=True)
    assert response.redirect_chain == [(reverse(page), 302)]
    assert response.status_code == 200


def test_the_checks_of_a_queen_lead_to_her_card(coordinator: Client, world: World) -> None:
    queen = world.batch(virgins=1, name="Rowan 1").batch_queens.get()
    response = coordinator.get(f"/queens/{queen.pk}/")
    assert response["Location"] == reverse("scheduling:batch_queen", args=[queen.pk])


def test_a_shortened_link_for_a_new_password_leads_there_without_signing_in() -> None:
    assert Client().get("/password/new/MQ/")["Location"] == reverse("accounts:password_reset")


def test_strangers_learn_nothing_from_a_shortened_address(world: World) -> None:
    response = Client().get("/reminders/9/", follow=True)
    assert response.redirect_chain[-1][0] == f"{reverse('accounts:sign_in')}?next=/reminders/"


@pytest.mark.parametrize(
    ("path", "above"),
    [
        ("/batches/99999/", "/batches/"),
        ("/bench/99/lots/4/tally/", "/bench/"),
        ("/reminders/9/done/", "/reminders/"),
        ("/season/3/settings/", "/season/"),
        ("/nothing/here/", "/"),
        ("/", "/"),
    ],
)
def test_the_list_above(path: str, above: str) -> None:
    assert folder_above(path) == above


@pytest.mark.parametrize(
    ("path", "status", "above"),
    [("/batches/99999/", 404, "/batches/"), ("/reminders/9/done/", 405, "/reminders/"), ("/nothing/here/", 404, "")],
)
def test_a_page_about_nothing_names_the_list(coordinator: Client, path: str, status: int, above: str) -> None:
    response = coordinator.get(path)
    page = response.content.decode()
    assert response.status_code == status
    assert ("To the list it belongs to" in page) is bool(above)
    assert f'class="button" href="{above or "/"}"' in page.replace('class="button "', 'class="button"')


def test_an_act_still_says_which_way_it_goes(coordinator: Client) -> None:
    assert coordinator.get("/reminders/9/done/")["Allow"] == "POST"
    assert coordinator.get("/reminders/9/done/", headers={"accept": "application/json"}).content == b""


def test_after_signing_in_an_act_that_was_asked_for_is_explained(world: World) -> None:
    person = PersonFactory()
    person.role_grants.create(cooperative=world.cooperative, role=Role.BREEDER)
    client: Client = Client()
    client.force_login(person)
    assert "Nothing was changed" in client.get("/evaluations/start/").content.decode()


def test_a_view_among_the_leads_is_used_as_it_is() -> None:
    def here(request: HttpRequest) -> HttpResponse:
        return HttpResponse("here")

    leads: dict[str, Lead] = {"offers/": here}
    made = {str(one.pattern): one for one in cut_off(own(), leads)}
    assert made["offers/"].callback is here
