"""The parts in Chromium: looks, widths, sizes, and what the small modules do."""

from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

SIZES = """[...document.querySelectorAll('a, button, input, select, textarea, summary')]
  .filter(one => one.checkVisibility() && !one.closest('.skip'))
  .map(one => [one, (one.closest('label') ?? one).getBoundingClientRect()])
  .filter(([, box]) => box.width < 44 || box.height < 44)
  .map(([one, box]) => `${one.tagName} ${one.textContent.trim().slice(0, 30)} ${box.width}×${box.height}`)"""


@pytest.fixture
def address(browser: Browser, live_server: Any, settings: Any) -> Iterator[str]:
    settings.ROOT_URLCONF = "tests.browser.parts_urls"
    yield str(live_server.url)
    for context in browser.contexts:  # a page that is left open goes on working while the next test runs
        context.close()


def opened(browser: Browser, address: str, *, width: int = 1280, **options: Any) -> Page:
    page = browser.new_context(viewport={"width": width, "height": 900}, **options).new_page()
    page.goto(address)
    return page


@pytest.mark.parametrize("width", [320, 390, 768, 1280])
@pytest.mark.parametrize("where", ["/", "/?bench=1"])
def test_no_page_scrolls_sideways_and_every_target_is_large_enough(
    browser: Browser, address: str, width: int, where: str
) -> None:
    page = opened(browser, address + where, width=width)
    assert page.evaluate("document.documentElement.scrollWidth") == width
    assert page.evaluate(SIZES) == []


def test_main_taps_of_the_bench_are_96_px(browser: Browser, address: str) -> None:
    page = opened(browser, address + "/?bench=1", width=1180)
    heights = [box["height"] for tap in page.locator(".tap").all() if (box := tap.bounding_box())]
    assert len(heights) == 7
    assert min(heights) >= 96


def test_nothing_is_refused_by_the_content_policy_and_no_other_host_is_asked(browser: Browser, address: str) -> None:
    page = browser.new_page()
    said: list[str] = []
    asked: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    page.goto(address)
    page.wait_for_load_state("networkidle")
    assert said == []
    assert [url for url in asked if not url.startswith(address)] == []
    assert {url.rsplit("/", 1)[1] for url in asked if "/static/js/" in url} == {
        *("look-first.js", "look.js", "menu.js", "stepper.js", "toast.js", "form.js", "draft.js", "tables.js"),
        "search.js",
        "named.js",
    }


def test_sun_is_one_tap_stays_on_the_device_and_goes_with_the_next_tap(browser: Browser, address: str) -> None:
    page = opened(browser, address)
    sun = page.locator("[data-look-toggle]")
    ground = page.locator("html")
    expect(ground).to_have_css("background-color", "rgb(238, 241, 236)")
    sun.click()
    expect(ground).to_have_css("background-color", "rgb(255, 255, 255)")
    page.reload()
    expect(ground).to_have_css("background-color", "rgb(255, 255, 255)")
    expect(sun).to_have_attribute("aria-pressed", "true")
    sun.click()
    expect(ground).to_have_css("background-color", "rgb(238, 241, 236)")


@pytest.mark.parametrize("forced", ["", "day", "night"])
def test_the_look_follows_the_device_unless_chosen(browser: Browser, address: str, forced: str) -> None:
    page = opened(browser, address, color_scheme="dark")
    page.locator(".menu:has([data-look-set]) > summary").click()
    page.locator(f'[data-look-set="{forced}"]').click()
    shown = "rgb(238, 241, 236)" if forced == "day" else "rgb(16, 25, 23)"
    expect(page.locator("html")).to_have_css("background-color", shown)


def test_esc_closes_the_menu_and_gives_the_focus_back(browser: Browser, address: str) -> None:
    page = opened(browser, address)
    summary = page.locator(".menu > summary").first
    summary.focus()
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    expect(page.locator("details.menu").first).to_have_attribute("open", "")
    page.keyboard.press("Escape")
    expect(page.locator("details.menu").first).not_to_have_attribute("open", "")
    expect(summary).to_be_focused()


def test_the_stepper_keeps_to_its_limits(browser: Browser, address: str) -> None:
    page = opened(browser, address)
    field = page.locator("step-input input")
    less, more = page.get_by_role("button", name="One less"), page.get_by_role("button", name="One more")
    expect(field).to_have_value("9")
    expect(more).to_have_attribute("aria-disabled", "true")
    more.click(force=True)
    expect(field).to_have_value("9")
    for _ in range(9):
        less.click(force=True)
    expect(field).to_have_value("1")


def test_a_form_is_sent_once(browser: Browser, address: str) -> None:
    page = opened(browser, address)
    sent: list[str] = []
    page.on("request", lambda request: sent.append(request.method) if request.method == "POST" else None)
    page.route("**/*", lambda route: None if route.request.method == "POST" else route.continue_())
    page.evaluate(
        """const form = document.querySelector('form[data-once]'); form.requestSubmit(); form.requestSubmit()"""
    )
    page.wait_for_timeout(300)
    assert sent == ["POST"]


def test_a_refused_form_shows_its_errors_first_and_leads_to_the_field(browser: Browser, address: str) -> None:
    page = opened(browser, address)
    expect(page.locator(".errors")).to_be_focused()
    page.get_by_role("link", name="How many virgin queens?").click()
    expect(page.locator("#id_queens")).to_be_focused()
    page.keyboard.press("Control+a")
    page.keyboard.type("9")
    expect(page.locator("#id_queens")).to_have_value("9")


def test_a_toast_leaves_after_20_seconds_but_not_while_focused(browser: Browser, address: str) -> None:
    page = browser.new_page()
    page.clock.install()
    page.goto(address)
    toast = page.locator(".toasts.static .toast")
    toast.evaluate("one => one.dataset.toast = ''")
    page.evaluate("document.querySelector('#toasts').append(document.querySelector('.toasts.static .toast'))")
    page.evaluate("""document.querySelector('#toasts').dispatchEvent(new CustomEvent('htmx:load', {bubbles: true}))""")
    moved = page.locator("#toasts .toast")
    moved.get_by_role("button", name="Undo").focus()
    page.clock.run_for(30_000)
    expect(moved).to_have_count(1)
    page.locator("#id_queens").focus()
    page.clock.run_for(19_000)
    expect(moved).to_have_count(1)
    page.clock.run_for(1_500)
    expect(moved).to_have_count(0)


def test_the_gas_clock_counts_from_timestamps_by_the_server_and_stops(browser: Browser, address: str) -> None:
    page = browser.new_page()
    page.clock.install(time="2026-06-20T10:00:00Z")
    page.goto(address + "/?bench=1")
    clock = page.locator("co2-clock")
    expect(clock).to_have_text("2:41")
    page.evaluate(
        """document.querySelector('.clock-box').innerHTML =
           '<co2-clock data-start="2026-06-20T10:13:00Z" data-server-now="2026-06-20T10:14:00Z"></co2-clock>'"""
    )
    expect(clock).to_have_text("1:00")
    page.clock.run_for(101_000)
    expect(clock).to_have_text("2:41")
    clock.evaluate("one => one.dataset.stop = '2026-06-20T10:15:30Z'")
    expect(clock).to_have_text("2:30")
    page.clock.run_for(60_000)
    expect(clock).to_have_text("2:30")


def test_without_javascript_everything_is_there_but_the_look_switch(browser: Browser, address: str) -> None:
    page = opened(browser, address, java_script_enabled=False)
    expect(page.locator("[data-look-toggle]")).to_be_hidden()
    expect(page.locator("step-input button").first).to_be_hidden()
    expect(page.locator("step-input input")).to_be_visible()
    page.locator(".menu:has([data-look-set]) > summary").click()
    expect(page.get_by_role("button", name="Sign out")).to_be_visible()


def test_focus_is_three_px_of_pollen_inside_three_px_of_ink(browser: Browser, address: str) -> None:
    page = opened(browser, address)
    page.keyboard.press("Tab")
    page.keyboard.press("Shift+Tab")
    page.locator(".brand").focus()
    page.keyboard.press("Tab")
    seen = page.evaluate(
        """(() => { const s = getComputedStyle(document.activeElement);
           return [s.outlineColor, s.outlineWidth, s.outlineOffset, s.boxShadow] })()"""
    )
    assert seen == ["rgb(20, 32, 29)", "3px", "3px", "rgb(244, 196, 48) 0px 0px 0px 3px"]
