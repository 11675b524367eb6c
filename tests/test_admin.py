"""The administration pages of every model open, and what the program alone writes cannot be edited there."""

import pytest
from django.contrib import admin
from django.db import connection
from django.db.models import Model
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from accounts.models import Apiary, AuditEntry, Person
from breeding.models import Colony, Queen, Score
from scheduling.models import BatchQueen, BenchSession, Booking, DroneCount
from tests import factories
from tests.factories import NOW
from tests.test_repository import own_models

pytestmark = pytest.mark.django_db
each_model = pytest.mark.parametrize("model", own_models(), ids=lambda model: model.__name__)


def page(model: type[Model], name: str, *args: object) -> str:
    return reverse(f"admin:{model._meta.app_label}_{model._meta.model_name}_{name}", args=args)


@pytest.fixture
def keeper(client: Client) -> Client:
    client.force_login(Person.objects.create_superuser("keeper@example.org", name="Keeper"))
    return client


@each_model
def test_the_list_of_every_model_opens_and_searches(model: type[Model], keeper: Client) -> None:
    answer = keeper.get(page(model, "changelist"), {"q": "x 1"})
    assert answer.status_code == 200
    assert answer.context["cl"].query == "x 1"


@each_model
def test_adding_is_offered_where_people_write(model: type[Model], keeper: Client) -> None:
    read_only = not admin.site._registry[model].has_change_permission(keeper.get("/admin/").wsgi_request)
    assert keeper.get(page(model, "add")).status_code == (403 if read_only else 200)


FACTORIES = {
    Apiary: factories.ApiaryFactory,
    Queen: factories.QueenFactory,
    Colony: factories.ColonyFactory,
    Score: factories.ScoreFactory,
    BatchQueen: factories.BatchQueenFactory,
    BenchSession: factories.BenchSessionFactory,
    Booking: factories.BookingFactory,
    DroneCount: factories.DroneCountFactory,
}


@pytest.mark.parametrize("model", FACTORIES, ids=lambda model: model.__name__)
def test_a_list_asks_as_much_for_three_rows_as_for_one(model: type[Model], keeper: Client) -> None:
    FACTORIES[model]()
    with CaptureQueriesContext(connection) as for_one:
        keeper.get(page(model, "changelist"))
    for _ in range(2):
        FACTORIES[model]()
    with CaptureQueriesContext(connection) as for_three:
        answer = keeper.get(page(model, "changelist"))
    assert answer.context["cl"].result_count == 3
    assert len(for_three) == len(for_one)


def entry() -> AuditEntry:
    return AuditEntry.objects.create(
        at=NOW, by_name="Ada", action="queen.register", subject_type="queen", subject_id=1, subject_name="Q-1"
    )


def test_an_audit_entry_can_be_read_but_not_changed_nor_removed(keeper: Client) -> None:
    kept = entry()
    assert b"queen.register" in keeper.get(page(AuditEntry, "change", kept.pk)).content
    assert keeper.post(page(AuditEntry, "change", kept.pk), {"action": "nothing"}).status_code == 403
    assert keeper.post(page(AuditEntry, "delete", kept.pk), {"post": "yes"}).status_code == 403
    bulk = {"action": "delete_selected", "_selected_action": [kept.pk], "post": "yes"}
    keeper.post(page(AuditEntry, "changelist"), bulk)
    kept.refresh_from_db()
    assert kept.action == "queen.register"


def test_the_pages_are_for_staff_alone(client: Client) -> None:
    person: Person = factories.PersonFactory.create()
    client.force_login(person)
    answer = client.get(page(Queen, "changelist"))
    assert answer.status_code == 302
    assert answer["Location"].startswith("/admin/login/")
    assert client.get(answer["Location"])["Location"] == "/"


def test_the_administration_has_no_door_of_its_own(client: Client) -> None:
    page = client.get("/admin/login/?next=/admin/breeding/queen/")
    assert (page.status_code, page["Location"]) == (302, "/sign-in/?next=%2Fadmin%2Fbreeding%2Fqueen%2F")
    assert client.post("/admin/login/", {"username": "a@example.org", "password": "guess"}).status_code == 405


def test_a_person_can_be_added_with_an_address_and_a_password(keeper: Client) -> None:
    filled = {
        "email": "new@example.org",
        "name": "New",
        "usable_password": "true",
        "password1": "queen cell 24 hours",
        "password2": "queen cell 24 hours",
    }
    assert keeper.post(page(Person, "add"), filled).status_code == 302
    person = Person.objects.get(email="new@example.org")
    assert person.check_password("queen cell 24 hours")
    assert not person.is_staff
