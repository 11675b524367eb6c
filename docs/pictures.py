"""Pictures of the README and the docs, taken from a running practice season.

BROODTIDE_DATA_DIR=… python manage.py practice && make run PORT=8123
python docs/pictures.py http://127.0.0.1:8123
"""

import sys
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

HERE = Path(__file__).parent / "pictures"
PASSWORD = "drones before noon"  # noqa: S105 - of the practice season, printed at each start
DESK, PHONE = (1280, 860), (390, 844)
# name, whose device, size, address, where to: the session that is open now, or the first link of the page that fits.
PICTURES = [
    ("today", "coordinator", DESK, "/"),
    ("board", "coordinator", DESK, "/board/"),
    ("lines", "coordinator", DESK, "/lines/?who=all"),
    ("balance", "coordinator", DESK, "/balance/"),
    ("bench", "operator", DESK, "bench"),
    ("standing", "breeder", DESK, "/standing/"),
    ("crosses", "breeder", DESK, "/crosses/"),
    ("pedigree", "breeder", DESK, "pedigree"),
    ("today-phone", "member2", PHONE, "/"),
    ("lines-phone", "member2", PHONE, "/lines/"),
    ("book-phone", "member2", PHONE, "/book/"),
]


def main(site: str) -> None:
    HERE.mkdir(exist_ok=True)
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(
            executable_path="/usr/bin/chromium", args=["--no-sandbox", "--disable-gpu"]
        )
        for name, who, (width, height), address in PICTURES:
            page = chromium.new_context(viewport={"width": width, "height": height}).new_page()
            sign_in(page, site, who)
            if address == "bench":
                address = running_session(page, site)
            if address == "pedigree":
                address = pedigree_of_the_first(page, site)
            page.goto(site + address)
            if name == "bench":
                gas_off(page)
            page.wait_for_load_state("networkidle")
            page.screenshot(path=str(HERE / f"{name}.png"))
            page.context.close()
        chromium.close()


def sign_in(page: Page, site: str, who: str) -> None:
    page.goto(f"{site}/sign-in/")
    page.locator("#id_email").fill(f"{who}@example.org")
    page.locator("#id_password").fill(PASSWORD)
    page.locator("main button[type=submit]").first.click()
    page.wait_for_url(f"{site}/")


def running_session(page: Page, site: str) -> str:
    page.goto(f"{site}/bench/")
    return str(page.locator("main a[href^='/bench/']").first.get_attribute("href"))


def pedigree_of_the_first(page: Page, site: str) -> str:
    """Of the queen that stands first in the ranking."""
    page.goto(f"{site}/standing/")
    queen = page.locator("main tbody a[href^='/stock/queens/']").first
    return f"{queen.get_attribute('href')}pedigree/"


def gas_off(page: Page) -> None:
    """Nobody stands at the bench of a practice season: gas that runs since yesterday is stopped."""
    if page.locator("[data-part=gas-on]").is_visible():
        page.locator("[data-key=KeyC]").click()
        page.locator("[data-part=gas-off]").wait_for()


if __name__ == "__main__":
    main(sys.argv[1].rstrip("/"))
