"""Members, persons, roles, apiaries: what is refused, what is written down, and that asking twice changes nothing."""

import datetime as dt
import re
import threading
from collections.abc import Callable
from typing import Any

import pytest
from django.core.mail import EmailMessage
from django.db import connections
from django.test import Client
from django.urls import reverse

from accounts.models import Apiary, AuditEntry, Member, MemberPerson, Person, Role, RoleGrant
from accounts.refusals import Refusal
from accounts.services import roles as roles_module
from accounts.services.apiaries import apiary_add, apiary_change, apiary_close, apiary_reopen
from accounts.services.members import member_add, member_change, member_leave, member_person_remove, member_return
from accounts.services.passwords import password_link_ask
from accounts.services.people import person_add, person_change, person_email_change, person_link_make
from accounts.services.roles import role_grant, role_withdraw, roles_set
from tests.accounts.conftest import House
from tests.factories import (
    NOW,
    PASSWORD,
    CooperativeFactory,
    MemberPersonFactory,
    PersonFactory,
    RoleGrantFactory,
)

pytestmark = pytest.mark.django_db

NEW_PASSWORD = "swarm in the plum tree"


def _actions() -> list[str]:
    return list(AuditEntry.objects.order_by("pk").values_list("action", flat=True))


def _rule(call: Callable[[], Any]) -> tuple[str, str | None]:
    with pytest.raises(Refusal) as info:
        call()
    return info.value.rule, info.value.field


class TestMembers:
    def test_a_member_is_added_with_its_audit_row(self, house: House) -> None:
        by = house["coordinator"]
        member = member_add(house.cooperative, name="  Crag   End ", by=by, now=NOW)
        entry = AuditEntry.objects.get()
        assert member.name == "Crag End"
        assert (entry.action, entry.by, entry.after) == ("member.add", by, {"name": "Crag End"})

    @pytest.mark.parametrize(
        ("name", "rule"), [("", "name_missing"), ("fellSIDE", "name_taken"), ("x" * 121, "too_long")]
    )
    def test_a_name_that_will_not_do_is_refused_beside_its_field(self, house: House, name: str, rule: str) -> None:
        assert _rule(lambda: member_add(house.cooperative, name=name, by=None, now=NOW)) == (rule, "name")
        assert _actions() == []

    def test_the_same_name_is_free_in_another_cooperative(self, house: House) -> None:
        member_add(CooperativeFactory(), name="Fellside", by=None, now=NOW)
        assert Member.objects.filter(name="Fellside").count() == 2

    def test_changes_are_kept_with_what_stood_before_and_saying_it_again_changes_nothing(self, house: House) -> None:
        for _ in range(2):
            member_change(house.member, name="Fellfoot", deputy=house["breeder"], by=None, now=NOW)
        entry = AuditEntry.objects.get()
        assert entry.before == {"name": "Fellside", "deputy": ""}
        assert entry.after == {"name": "Fellfoot", "deputy": "breeder"}

    def test_a_deputy_is_of_the_cooperative(self, house: House) -> None:
        deputy = house["other cooperative"]
        refused = _rule(lambda: member_change(house.member, name="Fellside", deputy=deputy, by=None, now=NOW))
        assert refused == ("other_cooperative", "deputy")

    def test_a_member_leaves_once_and_may_come_back(self, house: House) -> None:
        for _ in range(2):
            member_leave(house.member, left_on=NOW.date(), by=None, now=NOW)
        member_return(house.member, by=None, now=NOW)
        assert _actions() == ["member.leave", "member.return"]
        assert Member.objects.get(pk=house.member.pk).left_on is None

    def test_nobody_leaves_tomorrow(self, house: House) -> None:
        tomorrow = NOW.date() + dt.timedelta(days=1)
        assert _rule(lambda: member_leave(house.member, left_on=tomorrow, by=None, now=NOW)) == ("not_later", "left_on")

    def test_today_is_the_cooperatives_day(self, house: House) -> None:
        late = dt.datetime(2026, 6, 9, 22, 30, tzinfo=dt.UTC)  # the 10th in Berlin
        assert member_leave(house.member, left_on=dt.date(2026, 6, 10), by=None, now=late).left_on is not None

    def test_a_person_stops_acting_for_a_member_once(self, house: House) -> None:
        for _ in range(2):
            member_person_remove(house.member, person=house["owner"], by=None, now=NOW)
        assert _actions() == ["member.person_remove"]
        assert [person.name for person in house.member.persons.all()] == ["colleague"]


class TestRoles:
    def test_a_role_is_given_once_and_withdrawn_once(self, house: House) -> None:
        for call in (role_grant, role_grant, role_withdraw, role_withdraw):
            call(house["owner"], role=Role.OPERATOR, cooperative=house.cooperative, by=house["coordinator"], now=NOW)
        assert _actions() == ["role.grant", "role.withdraw"]
        assert not house["owner"].role_grants.exists()

    def test_the_last_coordinator_stays(self, house: House) -> None:
        RoleGrantFactory(cooperative=house.cooperative, person=PersonFactory(is_active=False), role=Role.COORDINATOR)
        refused = _rule(lambda: roles_set(house["coordinator"], roles=[Role.BREEDER], cooperative=house.cooperative,
                                          by=None, now=NOW))  # fmt: skip
        assert refused == ("last_coordinator", "roles")
        assert list(house["coordinator"].role_grants.values_list("role", flat=True)) == ["coordinator"]
        assert _actions() == []

    def test_with_a_second_coordinator_the_first_may_go(self, house: House) -> None:
        role_grant(house["owner"], role=Role.COORDINATOR, cooperative=house.cooperative, by=None, now=NOW)
        role_withdraw(house["coordinator"], role=Role.COORDINATOR, cooperative=house.cooperative, by=None, now=NOW)
        holders = RoleGrant.objects.filter(cooperative=house.cooperative, role=Role.COORDINATOR)
        assert [grant.person.name for grant in holders] == ["owner"]


class TestPersons:
    def test_somebody_new_gets_a_link_by_mail_and_no_password_yet(
        self, house: House, mailoutbox: list[EmailMessage], django_capture_on_commit_callbacks: Any
    ) -> None:
        with django_capture_on_commit_callbacks(execute=True):
            added = person_add(
                house.cooperative,
                name="Ada Fell",
                email="Ada@Example.org",
                member=house.member,
                roles=[Role.BREEDER],
                by=house["coordinator"],
                now=NOW,
            )
        (mail,) = mailoutbox
        assert (added.person.email, added.person.has_usable_password()) == ("Ada@example.org", False)
        assert mail.to == ["Ada@example.org"]
        assert added.link is not None
        assert added.link in mail.body
        assert _actions() == ["person.add", "member.person_add", "role.grant"]

    def test_somebody_known_keeps_name_and_password_and_gets_no_link(self, house: House) -> None:
        known = house["other cooperative"]
        added = person_add(
            house.cooperative, name="Another", email=known.email.upper(), member=house.member, by=None, now=NOW
        )
        assert (added.person, added.link) == (known, None)
        known.refresh_from_db()
        assert (known.name, known.check_password(PASSWORD)) == ("other cooperative", True)

    def test_adding_twice_changes_nothing(self, house: House) -> None:
        for _ in range(2):
            person_add(house.cooperative, name="x", email="owner@example.org", member=house.member, by=None, now=NOW)
        assert _actions() == []
        assert MemberPerson.objects.filter(member=house.member).count() == 2

    @pytest.mark.parametrize(
        ("changes", "refused"),
        [
            ({"name": " "}, ("name_missing", "name")),
            ({"email": "no address"}, ("email_form", "email")),
            ({"member": None}, ("belongs_nowhere", "member")),
        ],
    )
    def test_refusals_leave_nothing_behind(
        self, house: House, changes: dict[str, Any], refused: tuple[str, str]
    ) -> None:
        before = Person.objects.count()
        values = {"name": "Ada", "email": "ada@example.org", "member": house.member, **changes}
        assert _rule(lambda: person_add(house.cooperative, **values, by=None, now=NOW)) == refused
        assert Person.objects.count() == before

    def test_nobody_is_added_to_a_member_that_left(self, house: House) -> None:
        member_leave(house.member, left_on=NOW.date(), by=None, now=NOW)
        house.member.refresh_from_db()
        added = lambda: person_add(  # noqa: E731
            house.cooperative, name="Ada", email="ada@example.org", member=house.member, by=None, now=NOW
        )
        assert _rule(added) == ("member_left", "member")

    def test_a_coordinator_makes_no_link_for_somebody_known_elsewhere_nor_for_the_administration(
        self, house: House
    ) -> None:
        MemberPersonFactory(member=house.member, person=house["other cooperative"])
        Person.objects.filter(pk=house["breeder"].pk).update(is_staff=True)
        for who in ("other cooperative", "breeder"):
            person = Person.objects.get(pk=house[who].pk)
            refused = _rule(lambda: person_link_make(person, cooperative=house.cooperative, by=None, now=NOW))  # noqa: B023
            assert refused == ("link_not_yours", None)
        assert _actions() == []

    def test_own_entry_is_changed_once(self, house: House) -> None:
        for _ in range(2):
            person_change(
                house["owner"], name="Ada", phone="1", time_zone="Europe/Oslo", cooperative=house.cooperative, now=NOW
            )
        assert AuditEntry.objects.get().before == {"name": "owner", "phone": "", "time_zone": ""}

    def test_a_time_zone_that_does_not_exist_is_refused(self, house: House) -> None:
        zone = "Middle/Earth"
        refused = _rule(
            lambda: person_change(house["owner"], name="A", phone="", time_zone=zone, cooperative=None, now=NOW)
        )
        assert refused == ("zone_unknown", "time_zone")

    def test_another_address_needs_the_password_and_tells_the_earlier_one(
        self, house: House, mailoutbox: list[EmailMessage], django_capture_on_commit_callbacks: Any
    ) -> None:
        def change(current: str, email: str) -> Person:
            return person_email_change(house["owner"], email=email, current=current, cooperative=None, now=NOW)

        assert _rule(lambda: change("guess", "ada@example.org")) == ("password_wrong", "current")
        assert _rule(lambda: change(PASSWORD, "Stranger@example.org")) == ("email_taken", "email")
        with django_capture_on_commit_callbacks(execute=True):
            assert change(PASSWORD, "ada@example.org").email == "ada@example.org"
        assert [mail.to for mail in mailoutbox] == [["owner@example.org"]]


class TestApiaries:
    def test_added_changed_closed_and_opened_again_each_once(self, house: House) -> None:
        apiary = apiary_add(house.member, name="Brook", place="by the mill", by=house["owner"], now=NOW)
        for _ in range(2):
            apiary_change(
                apiary, name="Brook", place="by the weir", registration_number="", time_zone="", by=None, now=NOW
            )
            apiary_close(apiary, closed_on=NOW.date(), by=None, now=NOW)
        for _ in range(2):
            apiary_reopen(apiary, by=None, now=NOW)
        assert _actions() == ["apiary.add", "apiary.change", "apiary.close", "apiary.reopen"]
        change = AuditEntry.objects.get(action="apiary.change")
        assert (change.before, change.after) == ({"place": "by the mill"}, {"place": "by the weir"})

    def test_refusals(self, house: House) -> None:
        def add(**values: Any) -> Apiary:
            return apiary_add(house.member, **{"name": "Brook", "by": None, "now": NOW, **values})

        assert _rule(lambda: add(name="ORCHARD")) == ("name_taken", "name")
        assert _rule(lambda: add(time_zone="Mars/Crater")) == ("zone_unknown", "time_zone")
        tomorrow = NOW.date() + dt.timedelta(days=1)
        closing = _rule(lambda: apiary_close(house.apiary, closed_on=tomorrow, by=None, now=NOW))
        assert closing == ("not_later", "closed_on")
        house.member.left_on = NOW.date()
        assert _rule(add) == ("member_left", "member")
        assert Apiary.objects.count() == 1


class TestLinks:
    """A first or forgotten password, through the pages."""

    def test_a_new_person_sets_a_password_by_the_link_shown_once_and_is_signed_in(
        self, client_of: Callable[[str], Client], house: House
    ) -> None:
        coordinator = client_of("coordinator")
        ada = person_add(
            house.cooperative, name="Ada Fell", email="ada@example.org", member=house.member, by=None, now=NOW
        ).person
        page = coordinator.post(reverse("accounts:person_link", args=[ada.pk]), follow=True).content.decode()
        link = re.search(r"http://[^<\s]+/password/new/[^<\s]+/", page)
        assert link is not None
        assert "/password/new/" not in coordinator.get(reverse("accounts:person", args=[ada.pk])).content.decode()

        visitor = Client()
        form = visitor.get(link[0], follow=True)
        weak = visitor.post(form.request["PATH_INFO"], {"password": "short"})
        assert "at least 12 characters" in weak.content.decode()
        done = visitor.post(form.request["PATH_INFO"], {"password": NEW_PASSWORD})
        assert (done.status_code, done["Location"]) == (302, "/")
        assert visitor.get(reverse("accounts:settings")).status_code == 200
        again = Client().get(link[0], follow=True).content.decode()
        assert "This link works no more" in again
        assert Person.objects.get(pk=ada.pk).check_password(NEW_PASSWORD)

    def test_a_link_works_for_an_hour(self, house: House, monkeypatch: pytest.MonkeyPatch) -> None:
        from django.contrib.auth.tokens import default_token_generator

        token = default_token_generator.make_token(house["owner"])
        made = default_token_generator._now()
        results = {}
        for minutes in (59, 61):
            monkeypatch.setattr(default_token_generator, "_now", lambda m=minutes: made + dt.timedelta(minutes=m))
            results[minutes] = default_token_generator.check_token(house["owner"], token)
        assert results == {59: True, 61: False}

    def test_the_answer_is_the_same_whether_somebody_goes_by_the_address_or_not(self, house: House) -> None:
        answers = [
            Client().post(reverse("accounts:password_reset"), {"email": email}, follow=True).content.decode()
            for email in ("owner@example.org", "no-one@example.org")
        ]
        token = re.compile(r'name="csrfmiddlewaretoken" value="\w+"')  # another one on every page
        assert token.sub("", answers[0]) == token.sub("", answers[1])

    def test_only_the_owner_is_mailed_also_before_a_first_password_and_not_endlessly(
        self, house: House, mailoutbox: list[EmailMessage], django_capture_on_commit_callbacks: Any
    ) -> None:
        owner = house["owner"]
        owner.set_unusable_password()
        owner.save()
        with django_capture_on_commit_callbacks(execute=True):
            password_link_ask("no-one@example.org", now=NOW, address="10.0.0.1")
            for _ in range(10):
                password_link_ask(" OWNER@example.org", now=NOW, address="10.0.0.1")
        assert [mail.to for mail in mailoutbox] == [["owner@example.org"]] * 3


@pytest.mark.postgres
@pytest.mark.django_db(transaction=True)
class TestTwoCoordinatorsStepDownAtOnce:
    """Each sees the other; without the lock both go and nobody is left."""

    def _race(self, house: House) -> int:
        role_grant(house["owner"], role=Role.COORDINATOR, cooperative=house.cooperative, by=None, now=NOW)
        both_checked = threading.Barrier(2)

        def step_down(who: str) -> None:
            both_checked.wait(10)
            try:
                role_withdraw(house[who], role=Role.COORDINATOR, cooperative=house.cooperative, by=None, now=NOW)
            except Refusal:
                pass  # the answer one of them has to get
            finally:
                connections.close_all()

        threads = [threading.Thread(target=step_down, args=[who]) for who in ("owner", "coordinator")]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        return RoleGrant.objects.filter(cooperative=house.cooperative, role=Role.COORDINATOR).count()

    def test_one_stays(self, house: House) -> None:
        assert self._race(house) == 1

    def test_control_without_the_lock_nobody_stays(self, house: House, monkeypatch: pytest.MonkeyPatch) -> None:
        both_counted = threading.Barrier(2)
        real = roles_module.refuse_last_coordinator

        def slowly(*args: Any) -> None:
            real(*args)
            both_counted.wait(10)

        monkeypatch.setattr(roles_module, "refuse_last_coordinator", slowly)
        monkeypatch.setattr("accounts.models.Cooperative.objects.select_for_update", lambda **_: _NoLock())
        assert self._race(house) == 0


class _NoLock:
    def get(self, **_: object) -> None:
        return None
