"""Making and removing the practice season: whole or not at all, and nothing of it stays."""

import datetime as dt
import io

import pytest
from django.apps import apps
from django.core.management import call_command

from accounts.models import AuditEntry, Cooperative, KeptMail, Person
from accounts.refusals import Refusal
from breeding.models import Queen
from scheduling.models import Season
from scheduling.services.practice.make import practice_make
from scheduling.services.practice.remove import practice_remove
from tests.factories import CooperativeFactory, MemberPersonFactory, PersonFactory, ScoreFactory

pytestmark = pytest.mark.django_db

NOW = dt.datetime(2026, 6, 9, 8, 0, tzinfo=dt.UTC)


def test_it_is_made_whole_or_not_at_all(monkeypatch: pytest.MonkeyPatch) -> None:
    def breaks(*args: object, **kwargs: object) -> None:
        raise RuntimeError("no sun")

    monkeypatch.setattr("scheduling.services.practice.make.tell_requests", breaks)
    with pytest.raises(RuntimeError, match="no sun"):
        practice_make(size="small", now=NOW)
    assert not Cooperative.objects.exists()
    assert not Person.objects.exists()


def test_where_a_cooperative_is_nothing_is_made_and_it_says_so() -> None:
    CooperativeFactory(name="Upper valley")
    said = io.StringIO()
    call_command("practice", stdout=said)
    assert said.getvalue() == "Upper valley is here, so no practice season was made.\n"
    assert Cooperative.objects.count() == 1
    with pytest.raises(Refusal, match="a cooperative already"):
        practice_make(now=NOW)


def test_a_real_cooperative_is_never_removed() -> None:
    real = CooperativeFactory(name="Upper valley")
    with pytest.raises(Refusal, match="real cooperative"):
        practice_remove(real, by=None, now=NOW)
    assert Cooperative.objects.count() == 1


@pytest.mark.parametrize("moment", ["2027-01-01T00:20:00+01:00"])
def test_around_new_year_it_is_made_as_well_and_removing_leaves_only_what_is_others(moment: str) -> None:
    out = io.StringIO()
    call_command("practice", size="small", now=dt.datetime.fromisoformat(moment), stdout=out)
    assert "27 batches, 11 drone sources, 25 bench days" in out.getvalue()
    assert "correlate by 0." in out.getvalue()
    again = io.StringIO()
    call_command("practice", stdout=again)
    assert "nothing was changed" in again.getvalue()
    season = Season.objects.get()
    assert season.starts_on < dt.date(2027, 1, 1) < season.ends_on
    assert season.year == 2026

    mine = ScoreFactory(colony__apiary__member__cooperative=CooperativeFactory(name="Upper valley"))
    guest = PersonFactory(email="guest@example.net")
    MemberPersonFactory(member=mine.colony.apiary.member, person=guest)
    MemberPersonFactory(member=Cooperative.objects.get(is_practice=True).members.first(), person=guest)
    KeptMail.objects.create(to="coordinator@example.org", subject="Plan 1", text="", message_id="1")
    before_mine = Queen.objects.filter(cooperative__is_practice=False).count()
    practice_remove(Cooperative.objects.get(is_practice=True), by=None, now=NOW)
    left = {
        model._meta.label: model._default_manager.count()
        for app in ("accounts", "breeding", "scheduling")
        for model in apps.get_app_config(app).get_models()
        if model._default_manager.exists()
    }
    assert left["breeding.Queen"] == before_mine
    assert Person.objects.get() == guest
    assert AuditEntry.objects.get().action == "practice.remove"
    # Marks of lots are the database's: what is kept of sessions that are gone is found stale by them.
    assert not {label for label in left if label.startswith("scheduling.")} - {"scheduling.LotMark"}
    assert not KeptMail.objects.exists()
