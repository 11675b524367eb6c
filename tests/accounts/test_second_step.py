"""The second step at sign-in: codes that work once, passkeys, recovery codes, who needs one and until when."""

import base64
import datetime as dt
from collections.abc import Callable
from typing import Any

import pytest
from allauth.mfa.models import Authenticator
from allauth.mfa.totp.internal.auth import format_hotp_value, hotp_value
from django.contrib.auth import SESSION_KEY
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from accounts.models import AuditEntry, KeptMail, Person
from accounts.queries.second_step import second_step_of
from accounts.refusals import Refusal
from accounts.services.second_step import (
    app_add,
    code_check,
    codes_make,
    second_step_remove,
    second_step_reset,
    second_step_take_off,
)
from tests.accounts.conftest import House
from tests.factories import NOW, PASSWORD, PersonFactory

pytestmark = pytest.mark.django_db

SIGN_IN, SECOND = reverse("accounts:sign_in"), reverse("accounts:sign_in_second")
SECRET = base64.b32encode(b"12345678901234567890").decode()  # the test vector of RFC 6238, appendix B
SETTINGS = {"name": "owner", "phone": "", "time_zone": "", "language": "en-gb"}
WRONG = "This code is not right, or was used already."


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> list[dt.datetime]:
    """A clock that the test moves."""
    now = [timezone.now()]
    monkeypatch.setattr("accounts.http.timezone.now", lambda: now[0])
    return now


def code_at(moment: dt.datetime) -> str:
    return str(format_hotp_value(hotp_value(SECRET, int(moment.timestamp()) // 30)))


def set_up(person: Person, now: dt.datetime) -> list[str]:
    return app_add(person, secret=SECRET, code=code_at(now), cooperative=None, now=now)


def refused(act: Callable[[], Any]) -> str:
    with pytest.raises(Refusal) as info:
        act()
    return info.value.rule


def who(client: Client) -> str | None:
    return client.session.get(SESSION_KEY)


def password(client: Client, email: str = "owner@example.org", **more: Any) -> Any:
    return client.post(SIGN_IN, {"email": email, "password": PASSWORD, **more})


@pytest.mark.parametrize(("second", "expected"), [(59, "287082"), (1111111109, "081804"), (20000000000, "353130")])
def test_codes_are_those_of_the_standard(second: int, expected: str) -> None:
    assert code_at(dt.datetime.fromtimestamp(second, dt.UTC)) == expected


def test_the_password_alone_signs_nobody_in_who_has_a_second_step(house: House, clock: list[dt.datetime]) -> None:
    set_up(house["owner"], clock[0] - dt.timedelta(minutes=5))
    client = Client()
    answer = password(client, next="/apiaries/")
    assert (answer["Location"], who(client)) == (SECOND, None)
    assert client.get("/apiaries/")["Location"].startswith(SIGN_IN)
    wrong = client.post(SECOND, {"code": "000000"})
    assert WRONG in wrong.content.decode()
    assert who(client) is None
    right = client.post(SECOND, {"code": code_at(clock[0])})
    assert (right["Location"], who(client)) == ("/apiaries/", str(house["owner"].pk))


def test_without_one_the_password_is_enough(house: House, clock: list[dt.datetime]) -> None:
    client = Client()
    assert (password(client)["Location"], who(client)) == ("/", str(house["owner"].pk))


def test_the_way_by_a_link_for_a_new_password_asks_for_the_second_step_too(
    house: House, clock: list[dt.datetime]
) -> None:
    from accounts.services.passwords import password_link

    set_up(house["owner"], clock[0] - dt.timedelta(minutes=5))
    client = Client()
    path = "/" + password_link(house["owner"]).split("/", 3)[3]
    answer = client.post(client.get(path)["Location"], {"password": "swarm in the plum tree"})
    assert (answer["Location"], who(client)) == (SECOND, None)


def test_the_half_way_is_over_after_ten_minutes_or_a_change_of_password(house: House, clock: list[dt.datetime]) -> None:
    set_up(house["owner"], clock[0] - dt.timedelta(minutes=5))
    late, changed = Client(), Client()
    password(late)
    password(changed)
    house["owner"].set_password("swarm in the plum tree")
    house["owner"].save()
    assert changed.post(SECOND, {"code": code_at(clock[0])})["Location"] == SIGN_IN
    password(late)
    late.post(SIGN_IN, {"email": "owner@example.org", "password": "swarm in the plum tree"})
    clock[0] += dt.timedelta(minutes=11)
    assert late.post(SECOND, {"code": code_at(clock[0])})["Location"] == SIGN_IN
    assert who(late) is who(changed) is None


def test_a_code_works_once_and_an_older_one_no_more(house: House) -> None:
    person = house["owner"]
    set_up(person, NOW)
    later = NOW + dt.timedelta(minutes=2)
    assert refused(lambda: code_check(person, code_at(NOW), devices={}, now=NOW)) == "code_wrong"
    code_check(person, code_at(later), devices={}, now=later)
    assert refused(lambda: code_check(person, code_at(later), devices={}, now=later)) == "code_wrong"
    before = later - dt.timedelta(seconds=30)
    assert refused(lambda: code_check(person, code_at(before), devices={}, now=later)) == "code_wrong"


def test_the_same_code_would_work_twice_were_its_step_not_kept(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """The control: without the row's memory the code is taken again."""
    set_up(house["owner"], NOW)
    monkeypatch.setattr(Authenticator, "save", lambda row, **kwargs: None)
    later = NOW + dt.timedelta(minutes=2)
    for _ in range(2):
        code_check(house["owner"], code_at(later), devices={}, now=later)


@pytest.mark.parametrize(("seconds", "good"), [(-30, True), (0, True), (29, True), (-61, False), (61, False)])
def test_a_clock_that_is_half_a_minute_off_is_forgiven(house: House, seconds: int, good: bool) -> None:
    set_up(house["owner"], NOW - dt.timedelta(hours=1))
    code = code_at(NOW + dt.timedelta(seconds=seconds))
    if good:
        code_check(house["owner"], code, devices={}, now=NOW)
    else:
        assert refused(lambda: code_check(house["owner"], code, devices={}, now=NOW)) == "code_wrong"


def test_guesses_of_codes_are_slowed_down_and_a_known_device_waits_for_its_own_alone(house: House) -> None:
    person = house["owner"]
    set_up(person, NOW - dt.timedelta(hours=1))
    rules = [
        refused(
            lambda second=second: code_check(  # type: ignore[misc]
                person, "000000", devices={}, now=NOW + dt.timedelta(seconds=second)
            )
        )
        for second in range(100)
    ]
    assert rules[:5] == ["code_wrong"] * 5
    assert rules.count("code_wrong") <= 12
    end = NOW + dt.timedelta(seconds=100)
    assert refused(lambda: code_check(person, code_at(end), devices={}, now=end)) == "slowed_down"
    code_check(person, code_at(end), devices={person.pk: "own device"}, now=end)


def test_ten_recovery_codes_work_once_each_and_new_ones_replace_them(house: House) -> None:
    person = house["owner"]
    codes = set_up(person, NOW)
    assert len(set(codes)) == 10
    code_check(person, codes[3], devices={}, now=NOW)
    assert refused(lambda: code_check(person, codes[3], devices={}, now=NOW)) == "code_wrong"
    code_check(person, codes[4].replace(" ", ""), devices={}, now=NOW)
    assert second_step_of(person).codes_left == 8
    new = codes_make(person, cooperative=None, now=NOW)
    assert set(new) & set(codes) == set()
    assert refused(lambda: code_check(person, codes[5], devices={}, now=NOW)) == "code_wrong"


def test_secrets_do_not_stand_in_the_database_as_they_are(house: House) -> None:
    codes = set_up(house["owner"], NOW)
    kept = str(list(Authenticator.objects.values_list("data", flat=True)))
    assert SECRET not in kept
    assert not any(code.replace(" ", "") in kept for code in codes)


def test_another_key_of_the_installation_makes_codes_wrong_and_breaks_nothing(
    house: House, settings: Any, caplog: pytest.LogCaptureFixture
) -> None:
    set_up(house["owner"], NOW)
    settings.SECRET_KEY = "another-" + "1" * 50
    later = NOW + dt.timedelta(minutes=2)
    assert refused(lambda: code_check(house["owner"], code_at(later), devices={}, now=later)) == "code_wrong"
    assert "cannot be read" in caplog.text
    assert second_step_of(house["owner"]).codes_left == 10


def test_an_app_is_set_up_by_a_code_it_made(client_of: Callable[[str], Client], clock: list[dt.datetime]) -> None:
    client = client_of("owner")
    page = reverse("accounts:second_step_app")
    confirm = client.get(page)["Location"]
    assert "This is not your password" in client.post(confirm, {"current": "guess"}).content.decode()
    assert client.post(confirm, {"current": PASSWORD, "next": page})["Location"] == page
    shown = client.get(page).content.decode()
    secret = client.session["second_step_secret"]
    assert secret[:4] in shown
    assert WRONG in client.post(page, {"code": "000000"}).content.decode()
    assert client.session["second_step_secret"] == secret
    code = format_hotp_value(hotp_value(secret, int(clock[0].timestamp()) // 30))
    done = client.post(page, {"code": code}).content.decode()
    assert "Write these codes down now" in done
    assert [entry.action for entry in AuditEntry.objects.filter(action__startswith="second_step")] == [
        "second_step.app_add"
    ]


def test_the_confirmation_holds_for_ten_minutes(client_of: Callable[[str], Client], clock: list[dt.datetime]) -> None:
    client = client_of("owner")
    client.post(reverse("accounts:confirm"), {"current": PASSWORD})
    page = reverse("accounts:recovery_codes")
    assert client.get(page).status_code == 200
    clock[0] += dt.timedelta(minutes=11)
    assert client.get(page)["Location"].startswith(reverse("accounts:confirm"))


def test_removing_the_last_takes_the_recovery_codes_along_and_twice_is_once(house: House) -> None:
    person = house["owner"]
    set_up(person, NOW)
    pk = Authenticator.objects.get(user=person, type="totp").pk
    for _ in range(2):
        second_step_remove(person, pk=pk, cooperative=house.cooperative, now=NOW)
    assert not Authenticator.objects.exists()
    assert AuditEntry.objects.filter(action="second_step.app_remove").count() == 1


def test_somebody_elses_is_not_removed(house: House) -> None:
    set_up(house["owner"], NOW)
    pk = Authenticator.objects.get(user=house["owner"], type="totp").pk
    second_step_remove(house["stranger"], pk=pk, cooperative=house.cooperative, now=NOW)
    assert Authenticator.objects.filter(pk=pk).exists()


def test_each_change_is_told_by_mail(house: House, settings: Any, django_capture_on_commit_callbacks: Any) -> None:
    settings.EMAIL_BACKEND = "accounts.mail.KeptMailBackend"
    with django_capture_on_commit_callbacks(execute=True):
        set_up(house["owner"], NOW)
    assert list(KeptMail.objects.values_list("to", "subject")) == [
        ("owner@example.org", "Your sign-in at Broodtide was changed")
    ]


def test_the_coordinator_takes_it_off_their_own_people_and_nobody_elses(house: House) -> None:
    by, home = house["coordinator"], house.cooperative
    for name in ("owner", "coordinator"):
        set_up(house[name], NOW)
    second_step_reset(house["owner"], cooperative=home, by=by, now=NOW)
    assert not second_step_of(house["owner"]).is_set_up
    assert refused(lambda: second_step_reset(by, cooperative=home, by=by, now=NOW)) == "reset_self"
    Person.objects.filter(pk=house["breeder"].pk).update(is_staff=True)
    house["breeder"].refresh_from_db()
    assert refused(lambda: second_step_reset(house["breeder"], cooperative=home, by=by, now=NOW)) == "reset_not_yours"
    assert second_step_of(by).is_set_up


def test_whoever_looks_after_the_installation_takes_it_off_by_a_command(house: House, capsys: Any) -> None:
    set_up(house["coordinator"], NOW)
    call_command("second_step_reset", "COORDINATOR@example.org")
    call_command("second_step_reset", "coordinator@example.org")
    assert not Authenticator.objects.exists()
    assert capsys.readouterr().out.splitlines() == [
        "coordinator signs in with the password alone until a second step is set up again.",
        "coordinator has no second step. Nothing was changed.",
    ]
    with pytest.raises(CommandError, match=r"Nobody signs in as x@example\.org"):
        call_command("second_step_reset", "x@example.org")


def told(days: float, now: dt.datetime) -> None:
    """As if everybody who was told had been told that long ago."""
    Person.objects.exclude(second_step_asked_at=None).update(second_step_asked_at=now - dt.timedelta(days=days))


class TestWhoNeedsOne:
    """Coordinators have fourteen days from the first sign-in at which they were told; then it comes before all else."""

    def test_members_are_never_asked(self, house: House, clock: list[dt.datetime]) -> None:
        client = Client()
        password(client)
        clock[0] += dt.timedelta(days=13)
        assert client.get(reverse("accounts:apiaries")).status_code == 200
        assert Person.objects.get(pk=house["owner"].pk).second_step_asked_at is None

    def test_coordinators_work_on_for_fourteen_days(self, house: House, clock: list[dt.datetime]) -> None:
        client = Client()
        password(client, "coordinator@example.org")
        page = reverse("accounts:second_step")
        assert "Coordinators need one: set it up until" in client.get(page).content.decode()
        told(13.9, clock[0])
        assert "You need a second step for signing in" in client.get(reverse("accounts:members")).content.decode()
        told(14, clock[0])
        assert client.get(reverse("accounts:members"))["Location"] == page
        assert client.get("/")["Location"] == page
        refused = client.get("/api/v1/me/")
        assert (refused.status_code, refused["Content-Type"]) == (403, "application/problem+json")
        assert "Set one up now" in client.get(page).content.decode()

    def test_with_one_everything_is_there_again(self, house: House, clock: list[dt.datetime]) -> None:
        client = Client()
        password(client, "coordinator@example.org")
        told(14, clock[0])
        client.post(reverse("accounts:confirm"), {"current": PASSWORD})
        assert client.get(reverse("accounts:second_step_app")).status_code == 200
        set_up(house["coordinator"], clock[0])
        page = client.get(reverse("accounts:members"))
        assert (page.status_code, "You need a second step" in page.content.decode()) == (200, False)

    def test_the_way_out_stays_open(self, house: House, clock: list[dt.datetime]) -> None:
        client = Client()
        password(client, "coordinator@example.org")
        told(14, clock[0])
        assert client.post(reverse("accounts:sign_out"))["Location"] == SIGN_IN

    def test_signing_in_again_gives_no_new_days(self, house: House, clock: list[dt.datetime]) -> None:
        password(Client(), "coordinator@example.org")
        first = Person.objects.get(pk=house["coordinator"].pk).second_step_asked_at
        clock[0] += dt.timedelta(days=15)
        client = Client()
        password(client, "coordinator@example.org")
        assert client.get("/")["Location"] == reverse("accounts:second_step")
        assert Person.objects.get(pk=house["coordinator"].pk).second_step_asked_at == first

    def test_whoever_is_no_coordinator_any_more_is_let_alone(self, house: House, clock: list[dt.datetime]) -> None:
        client = Client()
        password(client, "other-cooperative@example.org")
        told(14, clock[0])
        assert client.get(reverse("accounts:apiaries"))["Location"] == reverse("accounts:second_step")
        house["other cooperative"].role_grants.all().delete()
        assert client.get(reverse("accounts:apiaries")).status_code == 200

    def test_in_the_practice_season_nobody_is_asked(self, house: House, clock: list[dt.datetime]) -> None:
        house.cooperative.is_practice = True
        house.cooperative.save(update_fields=["is_practice"])
        client = Client()
        password(client, "coordinator@example.org")
        clock[0] += dt.timedelta(days=13)
        assert client.get(reverse("accounts:members")).status_code == 200
        assert Person.objects.get(pk=house["coordinator"].pk).second_step_asked_at is None

    def test_the_administrations_people_need_one_too(self, clock: list[dt.datetime]) -> None:
        keeper = PersonFactory(email="keeper@example.org", is_staff=True, is_superuser=True)
        client = Client()
        password(client, "keeper@example.org")
        clock[0] += dt.timedelta(hours=11)
        assert client.get("/admin/").status_code == 200
        Person.objects.filter(pk=keeper.pk).update(second_step_asked_at=clock[0] - dt.timedelta(days=14))
        assert client.get("/admin/")["Location"] == reverse("accounts:second_step")

    def test_after_it_was_taken_off_the_days_begin_anew(self, house: House, clock: list[dt.datetime]) -> None:
        person = house["coordinator"]
        Person.objects.filter(pk=person.pk).update(second_step_asked_at=clock[0] - dt.timedelta(days=30))
        set_up(person, clock[0])
        assert second_step_take_off(person, cooperative=None, by=None, now=clock[0])
        client = Client()
        password(client, "coordinator@example.org")
        assert client.get(reverse("accounts:members")).status_code == 200
        assert Person.objects.get(pk=person.pk).second_step_asked_at == clock[0]


class TestUserName:
    def test_it_signs_in_like_the_address_whatever_its_case(self, house: House, clock: list[dt.datetime]) -> None:
        Person.objects.filter(pk=house["owner"].pk).update(user_name="Ada.Fell")
        client = Client()
        assert password(client, " ada.fell ").status_code == 302
        assert who(client) == str(house["owner"].pk)

    def test_an_empty_name_signs_nobody_in(self, house: House, clock: list[dt.datetime]) -> None:
        assert password(Client(), "").status_code == 200

    def test_both_names_share_one_bucket(self, house: House, clock: list[dt.datetime]) -> None:
        Person.objects.filter(pk=house["owner"].pk).update(user_name="ada")
        for number in range(6):
            Client().post(SIGN_IN, {"email": ["ada", "owner@example.org"][number % 2], "password": "guess"})
        slowed = "the next one has to wait"
        assert all(slowed in password(Client(), name).content.decode() for name in ("ada", "owner@example.org"))

    @pytest.mark.parametrize(
        ("name", "text"),
        [("ab", "Use 3 to 40 letters"), ("a@b.example", "Use 3 to 40 letters"), ("TAKEN", "Somebody else")],
    )
    def test_what_no_user_name_can_be(
        self, house: House, client_of: Callable[[str], Client], name: str, text: str
    ) -> None:
        Person.objects.filter(pk=house["stranger"].pk).update(user_name="taken")
        page = client_of("owner").post(reverse("accounts:settings"), {**SETTINGS, "user_name": name})
        assert text in page.content.decode()
        assert Person.objects.get(pk=house["owner"].pk).user_name == ""

    def test_its_owner_chooses_it(self, house: House, client_of: Callable[[str], Client]) -> None:
        client_of("owner").post(reverse("accounts:settings"), {**SETTINGS, "user_name": "ada"})
        assert Person.objects.get(pk=house["owner"].pk).user_name == "ada"
