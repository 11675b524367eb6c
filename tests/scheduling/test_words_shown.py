"""No page shows a sentence of the engine without putting it into the reader's language."""

import datetime as dt
from unittest import mock

import pytest
from django.test import Client
from django.urls import reverse

from accounts import told
from scheduling.models import DroneCohort, Reminder
from scheduling.planning.words import Words
from scheduling.services.batches import batch_caged
from scheduling.services.cohorts import cohort_observe
from tests.factories import BookingFactory
from tests.scheduling.world import NOW, World

pytestmark = pytest.mark.django_db
DAY = dt.date


@pytest.fixture
def no_english(monkeypatch: pytest.MonkeyPatch) -> None:
    """`str()` of a message is the source's English: here it must never be asked for."""

    def refuse(words: Words) -> str:
        raise AssertionError(f"shown without gettext: {words.msgid}")

    monkeypatch.setattr(Words, "__str__", refuse)
    monkeypatch.setattr(told, "gettext", lambda text: f"‹{text}›")
    monkeypatch.setattr(told, "ngettext", lambda one, many, n: f"‹{one if n == 1 else many}›")


@pytest.mark.usefixtures("no_english")
def test_pages_with_steps_notes_and_deadlines_show_them_translated(world: World) -> None:
    coordinator = world.coordinator()
    late = world.batch(name="Late", grafted_on=DAY(2026, 5, 25))
    world.batch(name="Scattered", virgins=2, sealed_on=DAY(2026, 5, 21), cell_temperature_c="30")
    ready = world.batch(name="Ready", virgins=2)
    session = world.session(DAY(2026, 6, 9))
    BookingFactory(batch=ready, queens=1, state="asked", wished_session=session)
    source = world.source(drones=None)
    cohort = DroneCohort.objects.get(source=source)
    client = Client()
    client.force_login(coordinator)
    pages = [
        reverse("scheduling:batches"),
        reverse("scheduling:batch", args=[late.pk]),
        reverse("scheduling:batch", args=[ready.pk]),
        reverse("scheduling:batch_queen", args=[ready.batch_queens.get(number=1).pk]),
        reverse("scheduling:source", args=[source.pk]),
        reverse("scheduling:cohort", args=[cohort.pk]),
        reverse("scheduling:still") + "?day=2026-06-28&who=all",
        reverse("scheduling:settings"),
        reverse("today"),
    ]
    with mock.patch("accounts.http.timezone.now", return_value=NOW):
        answers = {link: client.get(link) for link in pages}
        data = {
            "member": world.member.pk,
            "mother": world.mother().label,
            "name": "New",
            "wanted_bench_on": "2026-06-28",
        }
        answers["new batch"] = client.post(reverse("scheduling:batch_add"), data)

    assert {answer.status_code for answer in answers.values()} == {200}
    said = {link for link, answer in answers.items() if "‹" in answer.content.decode()}
    assert said >= {*pages[:4], *pages[5:7], "new batch"}


@pytest.mark.usefixtures("no_english")
def test_reminders_are_translated_when_they_are_read(world: World) -> None:
    batch = world.batch()
    batch_caged(batch, caged_on=DAY(2026, 5, 30), by=world.owner, now=NOW)
    cohort_observe(
        DroneCohort.objects.get(source=world.source(drones=None)),
        step="capped_on",
        day=DAY(2026, 5, 8),
        by=world.owner,
        now=NOW,
    )

    whys = Reminder.objects.exclude(why="").values_list("why", flat=True)

    assert whys
    assert all("‹" in str(why) for why in whys)
