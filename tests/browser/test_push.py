"""Messages on a device, in a real browser: the service worker shows them as they should be."""

from typing import Any

import pytest

from tests.browser.conftest import Open
from tests.browser.world import JourneyWorld

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

REGISTER = "navigator.serviceWorker.register('/sw.js').then(() => navigator.serviceWorker.ready).then(() => true)"
SHOWN = """navigator.serviceWorker.ready.then(one => one.getNotifications())
  .then(all => all.map(one => [one.tag, one.title, one.body, one.data.url]))"""
BECOME = f"""async ([number, body]) => {{
  for (let tries = 0; tries < 200; tries++) {{
    const all = await {SHOWN};
    if (all.length === number && all.some(one => one[2] === body)) return true;
    await new Promise(resolve => setTimeout(resolve, 50));
  }}
  return false;
}}"""


def test_a_message_takes_the_place_of_the_earlier_one_and_leads_nowhere_else(world: JourneyWorld, seat: Open) -> None:
    one = seat("member1@example.org")
    one.page.context.grant_permissions(["notifications"], origin=one.site)
    one.goto("accounts:devices")
    assert one.page.evaluate(REGISTER)
    worker = one.page.context.new_cdp_session(one.page)
    known: list[Any] = []
    worker.on("ServiceWorker.workerRegistrationUpdated", lambda event: known.extend(event["registrations"]))
    worker.send("ServiceWorker.enable")
    one.page.evaluate(REGISTER)
    assert known

    def deliver(data: str, *, shown: int, body: str) -> None:
        to = {"origin": one.site, "registrationId": known[-1]["registrationId"], "data": data}
        worker.send("ServiceWorker.deliverPushMessage", to)
        assert one.page.evaluate(BECOME, [shown, body])

    deliver('{"title": "Broodtide", "body": "First.", "tag": "a", "url": "/reminders/"}', shown=1, body="First.")
    deliver('{"title": "Broodtide", "body": "2", "tag": "a", "url": "//else.example/"}', shown=1, body="2")
    assert one.page.evaluate(SHOWN) == [["a", "Broodtide", "2", "/reminders/"]]
    deliver("not ours", shown=2, body="")
