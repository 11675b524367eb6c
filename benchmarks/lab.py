"""What a person waits for on a slow phone: three pages of the large cooperative, from a program as it is run.

    OMP_NUM_THREADS=1 python -m benchmarks.lab [--times 5] [--throttle 4] [--site http://127.0.0.1:8000]

Starts the web process (gunicorn, built static files, SQLite or whatever the settings name) on the database that holds
a practice season (`manage.py practice --size large`); `--site` takes one that runs already. Chromium's processor is
slowed down, its network is that of slow 4G (150 ms, 1.6 Mbit/s down, 0.75 up). For each page, with an empty cache and
then with a filled one: largest contentful paint, layout shift, and the longest wait of a tap and some keys (INP).
Measured, not asserted.
"""

import argparse
import os
import socket
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, Page, sync_playwright

ROOT = Path(__file__).resolve().parent.parent
PASSWORD = "drones before noon"  # of the practice season, printed at each start
PAGES = (("Today", "member1", "/"), ("Plan board", "coordinator", "/board/"), ("Standing", "breeder", "/standing/"))
SLOW_4G = {"offline": False, "latency": 150, "downloadThroughput": 1_600_000 / 8, "uploadThroughput": 750_000 / 8}
TARGETS = "LCP ≤ 1500 ms, CLS ≤ 0.02, INP ≤ 200 ms"
WATCH = """(() => {
  window.lab = { lcp: 0, cls: 0, inp: 0 };
  const watch = (type, each, more = {}) =>
    new PerformanceObserver((list) => list.getEntries().forEach(each)).observe({ type, buffered: true, ...more });
  watch("largest-contentful-paint", (one) => { lab.lcp = one.startTime; });
  watch("layout-shift", (one) => { if (!one.hadRecentInput) lab.cls += one.value; });
  const longest = (one) => { if (one.interactionId) lab.inp = Math.max(lab.inp, one.duration); };
  watch("event", longest, { durationThreshold: 16 });
})()"""

# Two frames and what they set going: the look follows its button a frame later.
DRAWN = "() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(done))))"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--times", type=int, default=5)
    parser.add_argument("--throttle", type=float, default=4)
    parser.add_argument("--site")
    wanted = parser.parse_args()
    with served(wanted.site) as site, sync_playwright() as playwright:
        chromium = playwright.chromium.launch(
            executable_path="/usr/bin/chromium", args=["--no-sandbox", "--disable-gpu"]
        )
        print(f"processor 1/{wanted.throttle:g}, slow 4G; {TARGETS}; load {os.getloadavg()[0]:.1f}")
        print(f"{'page':<12} {'cache':<7} {'first byte':>10} {'LCP ms':>8} {'CLS':>7} {'INP ms':>8}   (medians)")
        for name, who, path in PAGES:
            cookies = signed_in(chromium, site, who)
            for cache in ("empty", "filled"):
                runs = [visit(chromium, site, path, cookies, cache, wanted.throttle) for _ in range(wanted.times)]
                first, lcp, cls, inp = (
                    statistics.median(run[key] for run in runs) for key in ("ttfb", "lcp", "cls", "inp")
                )
                print(f"{name:<12} {cache:<7} {first:>10.0f} {lcp:>8.0f} {cls:>7.3f} {inp:>8.0f}")
        print(f"load at the end {os.getloadavg()[0]:.1f}")
        chromium.close()


def signed_in(chromium: Browser, site: str, who: str) -> Any:
    context = chromium.new_context()
    page = context.new_page()
    page.goto(f"{site}/sign-in/")
    page.locator("#id_email").fill(f"{who}@example.org")
    page.locator("#id_password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in", exact=True).click()
    page.wait_for_url(f"{site}/")
    cookies = context.cookies()
    context.close()
    return cookies


def visit(chromium: Browser, site: str, path: str, cookies: Any, cache: str, throttle: float) -> dict[str, float]:
    """One page on a phone; a filled cache has seen the page before."""
    context = chromium.new_context(
        viewport={"width": 390, "height": 844}, is_mobile=True, has_touch=True, service_workers="block"
    )
    context.add_cookies(cookies)
    context.add_init_script(WATCH)
    page = context.new_page()
    if cache == "filled":
        page.goto(site + path, wait_until="networkidle")
        page.goto("about:blank")
    tools = context.new_cdp_session(page)
    tools.send("Network.enable")
    tools.send("Network.emulateNetworkConditions", SLOW_4G)
    tools.send("Emulation.setCPUThrottlingRate", {"rate": throttle})
    page.goto(site + path, wait_until="networkidle")
    first = page.evaluate("performance.getEntriesByType('navigation')[0].responseStart")
    lcp = page.evaluate("lab.lcp")
    interact(page)
    found = {**page.evaluate("lab"), "lcp": lcp, "ttfb": first}
    context.close()
    return found


def interact(page: Page) -> None:
    """What can be done without leaving: the look, the menu, Tab through the page, typing where one can type.

    The next tap or key comes when the answer to the one before is seen, as a person's does.
    """
    for _ in range(2):
        page.locator("[data-look-toggle]").first.tap()
        page.evaluate(DRAWN)
    for _ in range(10):
        page.keyboard.press("Tab")
        page.evaluate(DRAWN)
    field = page.locator("main input[type=search], main input[type=text], main input:not([type])").first
    if field.count() and field.is_visible():
        field.tap()
        page.keyboard.type("alder")
    for summary in page.locator("main details:not([open]) > summary").all()[:3]:
        if summary.is_visible():
            summary.tap()
            page.evaluate(DRAWN)
    page.wait_for_timeout(500)


@contextmanager
def served(site: str | None) -> Iterator[str]:
    if site is not None:
        yield site.rstrip("/")
        return
    with tempfile.TemporaryDirectory() as built:
        settings = {**os.environ, "BROODTIDE_STATIC_ROOT": built, "DJANGO_SETTINGS_MODULE": "config.settings"}
        collect = [sys.executable, "manage.py", "collectstatic", "--no-input", "--verbosity", "0"]
        subprocess.run(collect, cwd=ROOT, env=settings, check=True)
        with socket.socket() as spare:
            spare.bind(("127.0.0.1", 0))
            where = f"127.0.0.1:{spare.getsockname()[1]}"
        command = [sys.executable, "-m", "gunicorn", "config.wsgi", "--bind", where, "--threads", "4"]
        process = subprocess.Popen([*command, "--log-level", "warning"], cwd=ROOT, env=settings)
        try:
            wait_for(f"http://{where}/healthz/live", process)
            yield f"http://{where}"
        finally:
            process.terminate()
            process.wait()


def wait_for(url: str, process: "subprocess.Popen[bytes]") -> None:
    for _ in range(600):
        if process.poll() is not None:
            raise SystemExit("The web process ended before it answered.")
        try:
            with urllib.request.urlopen(url, timeout=2):
                return
        except (urllib.error.URLError, OSError):
            time.sleep(0.1)
    raise SystemExit(f"{url} did not answer.")


if __name__ == "__main__":
    main()
