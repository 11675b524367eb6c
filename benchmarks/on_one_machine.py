"""The program as it runs on one machine, in a folder of its own, with Chromium before it."""

import datetime as dt
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

ROOT = Path(__file__).resolve().parent.parent
Made = TypeVar("Made")


@contextmanager
def served(make: Callable[[], Made], port: int) -> Iterator[tuple[str, Made]]:
    """A new SQLite cooperative, furnished by `make`, until the end of the block: its address, what was made.

    Settings of this process are those of the server from then on. SystemExit where it does not start.
    """
    with tempfile.TemporaryDirectory() as folder:
        os.environ |= {
            "BROODTIDE_DATA_DIR": folder,
            "BROODTIDE_STATIC_ROOT": f"{folder}/static",
            "DJANGO_SETTINGS_MODULE": "config.settings",
            "BROODTIDE_LOG_LEVEL": "ERROR",
        }
        os.environ.pop("BROODTIDE_DATABASE_URL", None)
        import django

        django.setup()
        from django.core.management import call_command

        call_command("migrate", verbosity=0)
        call_command("collectstatic", interactive=False, verbosity=0)
        made = make()
        command = [sys.executable, "manage.py", "run_embedded", "--port", str(port), "--empty"]
        server = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True)
        try:
            _wait_for(server)
            yield f"http://127.0.0.1:{port}", made
        finally:
            server.terminate()
            server.wait(30)


def _wait_for(server: "subprocess.Popen[str]") -> None:
    assert server.stdout is not None
    for line in server.stdout:
        if "http://" in line:
            return
    raise SystemExit("the server ended before it was ready")


@contextmanager
def signed_in(site: str, email: str, password: str, *, width: int, height: int) -> Iterator[tuple[Any, Any, Any]]:
    """Browser, context and page of a person. Says when, and how busy the machine is."""
    from playwright.sync_api import sync_playwright

    print(f"{dt.datetime.now(dt.UTC):%Y-%m-%d %H:%M} load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        context = browser.new_context(viewport={"width": width, "height": height})
        page = context.new_page()
        page.goto(f"{site}/sign-in/")
        page.fill("main [name=email]", email)
        page.fill("main [name=password]", password)
        page.locator("main form button").first.click()
        page.wait_for_url(lambda url: "sign-in" not in url)
        yield browser, context, page
        browser.close()
