"""The page about the API: a request is tried on it, as oneself, under the site's own policy for scripts."""

import pytest

from accounts.models import Apiary
from tests.browser.conftest import Open
from tests.browser.world import JourneyWorld

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def test_what_is_asked_is_answered_on_the_page(world: JourneyWorld, seat: Open) -> None:
    one = seat("member1@example.org")

    def tried(about: str, method: str, path: str, body: str = "") -> str:
        one.goto_path("/api/")
        one.main.get_by_role("link", name=about, exact=True).click()
        one.page.wait_for_url(f"**?about={about}")
        one.said.clear()
        form = one.page.locator(f'form[data-method="{method}"][data-path="{path}"]')
        form.locator("xpath=..").locator("summary").click()
        if body:
            form.locator("textarea[name=body]").fill(body)
        form.get_by_role("button").click()
        answer = form.locator("output textarea")
        answer.wait_for()
        return answer.input_value()

    read = tried("me", "GET", "/api/v1/me/")
    assert read.startswith("200")
    assert '"roles": []' in read
    assert one.said == []
    member = Apiary.objects.filter(member__persons__email="member1@example.org").values_list("member", flat=True)[0]
    made = tried("apiaries", "POST", "/api/v1/apiaries/", f'{{"name": "Brook", "member": {member}}}')
    assert made.startswith("201")
    assert Apiary.objects.filter(name="Brook", member=member).exists()
