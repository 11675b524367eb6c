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
# name, whose device, size, address; the bench is the session that is open now.
PICTURES = [
    ("today", "coordinator", DESK, "/"),
    ("board", "coordinator", DESK, "/board/"),
    ("lines", "coordinator", DESK, "/lines/?who=all"),
    ("bench", "operator", DESK, "bench"),
    ("today-phone", "member2", PHONE, "/"),
    ("lines-phone", "member2", PHONE, "/lines/"),
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
            page.goto(site + address)
            if name == "bench":
                gas_anew(page)
            page.wait_for_load_state("networkidle")
            page.screenshot(path=str(HERE / f"{name}.png"))
            page.context.close()
        chromium.close()


def sign_in(page: Page, site: str, who: str) -> None:
    page.goto(f"{site}/sign-in/")
    page.locator("#id_email").fill(f"{who}@example.org")
    page.locator("#id_password").fill(PASSWORD)
    page.locator("main button[type=submit]").click()
    page.wait_for_url(f"{site}/")


def running_session(page: Page, site: str) -> str:
    page.goto(f"{site}/bench/")
    return str(page.locator("main a[href^='/bench/']").first.get_attribute("href"))


def gas_anew(page: Page) -> None:
    """The practice gas runs since the season was made; a picture shall show what a bench looks like."""
    clock = page.locator("co2-clock")
    if clock.count():
        page.locator("[data-key=KeyC]").click()
        page.get_by_text("CO2 off").wait_for()
        page.locator("[data-key=KeyC]").click()
        page.locator("co2-clock", has_text="0:02").wait_for()


if __name__ == "__main__":
    main(sys.argv[1].rstrip("/"))
