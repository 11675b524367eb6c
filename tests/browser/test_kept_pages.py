"""What a device keeps of a page that it loaded before its worker was there."""

import pytest
from django.urls import reverse

from accounts.models import Person
from accounts.practice import PRACTICE_PASSWORD
from tests.browser.conftest import Open
from tests.factories import MemberPersonFactory, PersonFactory

pytestmark = [
    pytest.mark.browser,
    pytest.mark.django_db(transaction=True),
    pytest.mark.usefixtures("own_transactions"),
]

EMAIL = "ada@example.org"
KEPT = """async () => {
    const pages = await Promise.all((await caches.keys()).map(async (name) => (await caches.open(name)).keys()));
    return pages.flat().map((page) => new URL(page.url).pathname);
}"""
#: The worker is ready when the test says so.
HELD_BACK = """
    const ready = new Promise((resolve) => { window.workerIsReady = resolve; });
    Object.defineProperty(navigator.serviceWorker, "ready", { get: () => ready });
"""


@pytest.fixture(autouse=True)
def person() -> Person:
    one: Person = PersonFactory.create(name="Ada", email=EMAIL, password=PRACTICE_PASSWORD)
    MemberPersonFactory(person=one)
    return one


def test_a_page_with_a_secret_is_not_kept(seat: Open) -> None:
    one = seat(EMAIL)
    one.goto("accounts:second_step_app")
    one.page.wait_for_selector("html[data-page-kept]", state="attached")
    assert reverse("accounts:second_step_app") not in one.page.evaluate(KEPT)


@pytest.mark.parametrize("is_left", [False, True])
def test_a_page_that_is_being_left_is_not_asked_for_again(seat: Open, is_left: bool) -> None:
    one = seat(EMAIL)
    one.page.add_init_script(HELD_BACK)
    one.page.route("**/sw.js", lambda route: route.abort())
    one.page.evaluate(
        "navigator.serviceWorker.getRegistrations().then((all) => Promise.all(all.map((it) => it.unregister())))"
    )
    one.goto("accounts:settings")
    if is_left:
        one.page.evaluate("dispatchEvent(new Event('beforeunload'))")
    one.page.evaluate("workerIsReady()")
    one.page.wait_for_selector("html[data-page-kept]", state="attached")
    assert (reverse("accounts:settings") in one.page.evaluate(KEPT)) is not is_left
