"""Every page of every role, at every width and in every look: nothing a person could trip over."""

import datetime as dt
import os
import re
from collections import Counter
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from django.conf import settings
from django.test import Client
from django.urls import Resolver404, resolve
from django.utils import timezone
from playwright.sync_api import Browser

from scheduling.services.practice.make import practice_make
from tests.browser.conftest import semen_batches_open
from tests.browser.pages import ANONYMOUS, NO_PAGES, ROLES, Pages, routes
from tests.browser.printing import print_faults
from tests.browser.weight import Weights

HERE = Path(__file__).parent
SCRIPTS = (HERE / "vendor" / "axe.min.js").read_text() + (HERE / "proof.js").read_text()
NOW = dt.datetime(2026, 6, 9, 8, 0, tzinfo=dt.UTC)
HALVES = (0, 1)
CHANGING = re.compile(r'csrfmiddlewaretoken" value="[^"]*"|nonce="[^"]*"|[0-9a-f]{8}-[0-9a-f-]{27}')


@pytest.mark.browser
@pytest.mark.skipif(os.environ.get("BROODTIDE_WALK") != "all", reason="takes minutes: BROODTIDE_WALK=all runs it")
@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("half", HALVES)
def test_every_page_of_every_role(
    browser: Browser, live_server: Any, own_transactions: None, monkeypatch: pytest.MonkeyPatch, half: int
) -> None:
    monkeypatch.setattr(timezone, "now", lambda: NOW)
    practice_make(size="small", seconds=0.5, now=NOW)
    pages = Pages(NOW)
    addresses = pages.addresses()
    mine = {name: found for place, (name, found) in enumerate(sorted(addresses.items())) if place % len(HALVES) == half}
    walk = Walk(browser, str(live_server.url))
    for role in ROLES:
        walk.sign_in(pages.by[role])
        for name, found in mine.items():
            for address in found:
                walk.prove(role, name, address)
        if role == "coordinator" and half == 0:
            walk.wrong += print_faults(walk.page, walk.site, pages)
        walk.page.context.close()
    walk.sign_in(None)
    for name in ANONYMOUS:
        for address in mine.get(name, []):
            walk.prove("anonymous", name, address)
    walk.page.context.close()
    semen_batches_open()
    assert not walk.wrong, "\n".join(walk.wrong)
    assert walk.pages_of.keys() == {*ROLES, *(["anonymous"] if mine.keys() & set(ANONYMOUS) else [])}
    assert walk.unopened(mine) == set()


class Walk:
    """Loads each page once; what another role saw with the same words in it is not looked at again."""

    def __init__(self, browser: Browser, site: str) -> None:
        self.browser, self.site = browser, site
        self.wrong: list[str] = []
        self.seen: set[str] = set()
        self.pages_of: Counter[str] = Counter()
        self.statuses: dict[str, set[int]] = {}
        self.asked: list[str] = []
        self.said: list[str] = []
        self.weights = Weights()

    def sign_in(self, person: Any) -> None:
        context = self.browser.new_context(
            viewport={"width": 1280, "height": 900}, reduced_motion="reduce", service_workers="block"
        )
        self.is_shell_seen = False
        self.client = Client()
        if person is not None:
            self.client.force_login(person)
            cookie = self.client.cookies[settings.SESSION_COOKIE_NAME]
            context.add_cookies([{"name": settings.SESSION_COOKIE_NAME, "value": cookie.value, "url": self.site}])
        self.page = context.new_page()
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.on("console", lambda one: self.heard(one.type, one.text))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))

    def heard(self, kind: str, text: str) -> None:
        if kind in ("error", "warning") and "Service Worker registration blocked" not in text:  # blocked by this test
            self.said.append(text)

    def prove(self, role: str, name: str, address: str) -> None:
        answer = self.client.get(address, HTTP_ACCEPT_ENCODING="gzip")
        self.statuses.setdefault(name, set()).add(answer.status_code)
        if answer.status_code != 200 or "text/html" not in answer["Content-Type"]:
            return
        words = CHANGING.sub("", self.client.get(address).content.decode().partition("<main")[2])
        if words in self.seen:
            return
        self.seen.add(words)
        self.pages_of[role] += 1
        found = self.faults(address, html=len(answer.content))
        self.wrong += [f"{role} {address} {fault}" for fault in found]

    def faults(self, address: str, *, html: int) -> list[str]:
        page = self.page
        # Bars and menus are the same on every page of a role: their colours on a phone are looked at once.
        more = () if self.is_shell_seen else ("night", "sun")
        self.is_shell_seen = True
        self.asked.clear()
        self.said.clear()
        page.set_viewport_size({"width": 1280, "height": 900})
        answer = page.goto(self.site + address, wait_until="load")
        assert answer is not None
        page.evaluate(SCRIPTS)
        found = [f"status {answer.status}"] if answer.status != 200 else []
        found += [f"led to {page.url}"] if page.url != self.site + address else []
        found += [*self.run("headings"), *self.run("large"), *self.looks("night", "sun")]
        for width in (768, 390):
            page.set_viewport_size({"width": width, "height": 844})
            found += [f"at {width}: {fault}" for fault in self.looks(*more)]
        found += [f"at 390: {fault}" for fault in self.run("focus")]
        page.set_viewport_size({"width": 320, "height": 700})
        found += [f"at 320: {fault}" for fault in self.run("sideways")]
        found += self.said
        found += [f"asks another host: {url}" for url in self.asked if not url.startswith((self.site, "data:"))]
        found += [f"dead end: {link}" for link in self.page.evaluate("proof.links()") if not self.leads_somewhere(link)]
        found += self.weights.faults(html, [urlsplit(url).path for url in self.asked])
        return found

    def looks(self, *looks: str) -> list[str]:
        """The rules by day at every width; of the other looks only what they change, the colours."""
        found = [*self.run("sideways"), *self.run("targets")]
        for look in ("day", *looks):
            self.run("look", look)
            found += [f"by {look}: {fault}" for fault in self.run("axe", look != "day")]
        return found

    def run(self, what: str, argument: object = None) -> list[str]:
        return list(self.page.evaluate(f"argument => proof.{what}(argument)", argument))

    def leads_somewhere(self, link: str) -> bool:
        if not link.startswith(self.site):
            return link.startswith(("mailto:", "tel:"))
        try:
            resolve(urlsplit(link).path)
        except Resolver404:
            return False
        return True

    def unopened(self, names: dict[str, list[str]]) -> set[str]:
        """Pages that nobody could open: neither a page for somebody nor an act, a file or a link that leads on."""
        return {name for name in names if not self.statuses.get(name, set()) & {200, 302, 405}}


def test_every_name_without_a_page_is_a_route() -> None:
    assert {route.name for route in routes()} >= NO_PAGES
