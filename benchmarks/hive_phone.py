"""A member's phone at the hives, in Chromium, against the program as it runs on one machine.

    OMP_NUM_THREADS=1 python -m benchmarks.hive_phone [--entries 500]

Prints how long entries that were kept without a network (scores, one an entry) take until the server has confirmed them
all. Measured, not asserted. Needs Chromium and the packages of the tests.
"""

import argparse
import datetime as dt
import os
import subprocess
import sys
import tempfile
import time

from benchmarks.bench_tablet import ROOT, wait_for

KEEP = """async ({ colonies, days, wanted, url }) => {
  const { keeper } = await import(url);
  let kept = 0;
  for (const on of days)
    for (const colony of colonies)
      for (const trait of ["gentleness", "calmness"]) {
        if (kept === wanted) return kept;
        await keeper.keep("score", { colony, trait, on, value: "3" });
        kept += 1;
      }
  return kept;
}"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--entries", type=int, default=500)
    parser.add_argument("--port", type=int, default=8792)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        environment = {
            **os.environ,
            "BROODTIDE_DATA_DIR": folder,
            "BROODTIDE_STATIC_ROOT": f"{folder}/static",
            "DJANGO_SETTINGS_MODULE": "config.settings",
            "BROODTIDE_LOG_LEVEL": "ERROR",
        }
        environment.pop("BROODTIDE_DATABASE_URL", None)
        os.environ.update(environment)
        os.environ.pop("BROODTIDE_DATABASE_URL", None)
        import django

        django.setup()
        from django.core.management import call_command

        call_command("migrate", verbosity=0)
        call_command("collectstatic", interactive=False, verbosity=0)
        email, password, colonies = apiary_made()
        command = [sys.executable, "manage.py", "run_embedded", "--port", str(chosen.port), "--empty"]
        server = subprocess.Popen(command, cwd=ROOT, env=environment, stdout=subprocess.PIPE, text=True)
        try:
            wait_for(server)
            measure(f"http://127.0.0.1:{chosen.port}", email, password, colonies, chosen.entries)
        finally:
            server.terminate()
            server.wait(30)


def apiary_made() -> tuple[str, str, list[int]]:
    """Fifty headed colonies of one member."""
    from tests.factories import PASSWORD, ColonyFactory, HeadingFactory, TraitFactory
    from tests.scheduling.world import make_world

    world = make_world()
    for key in ("gentleness", "calmness"):
        TraitFactory(cooperative=world.cooperative, key=key)
    colonies = [ColonyFactory(apiary=world.apiary) for _ in range(50)]
    for colony in colonies:
        HeadingFactory(colony=colony, since=dt.date(2025, 8, 1), queen__owner=world.member)
    return world.owner.email, PASSWORD, [colony.pk for colony in colonies]


def measure(site: str, email: str, password: str, colonies: list[int], entries: int) -> None:
    from playwright.sync_api import sync_playwright

    print(f"{dt.datetime.now(dt.UTC):%Y-%m-%d %H:%M} load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        context = browser.new_context(viewport={"width": 390, "height": 844})
        page = context.new_page()
        page.goto(f"{site}/sign-in/")
        page.fill("main [name=email]", email)
        page.fill("main [name=password]", password)
        page.locator("main form button").first.click()
        page.wait_for_url(lambda url: "sign-in" not in url)
        page.goto(f"{site}/stock/score-sheet/")
        page.wait_for_selector("html[data-sheet-ready]", state="attached")
        context.set_offline(True)
        url = page.locator("script[src*='offline/page.']").get_attribute("src")
        days = [(dt.date(2026, 4, 1) + dt.timedelta(days=number)).isoformat() for number in range(30)]
        kept = page.evaluate(KEEP, {"colonies": colonies, "days": days, "wanted": entries, "url": url})
        began = time.monotonic()
        context.set_offline(False)
        page.evaluate("dispatchEvent(new Event('online'))")
        page.wait_for_selector("#sent[data-status=sent][data-unsent='0']", timeout=240_000, state="attached")
        print(f"{kept} scores kept without a network: sent and confirmed after {time.monotonic() - began:.1f} s")
        browser.close()


if __name__ == "__main__":
    main()
