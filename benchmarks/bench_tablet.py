"""A tablet at the bench, in Chromium, against the program as it runs on one machine.

    OMP_NUM_THREADS=1 python -m benchmarks.bench_tablet [--taps 200] [--entries 500] [--throttle 4]

Prints the weight of the first visit over the wire, how long a tap takes until it lies on disk and until it is shown
(with the CPU of the tablet throttled), how long entries kept without a network take until the server has confirmed
them all, and how long *What now?* takes. Measured, not asserted. Needs Chromium and the packages of the tests.
"""

import argparse
import statistics
import time
from typing import Any

from benchmarks.on_one_machine import served, signed_in

ACCEPT = {"Accept-Encoding": "gzip, br"}
TAP = """async (wanted) => {
  const figure = document.querySelector("[data-part=usable]");
  const [stored, drawn] = [[], []];
  const pause = () => new Promise((resolve) => setTimeout(resolve, 100)); // ten drones a second is nobody's pace
  for (let number = 0; number < wanted; number += 1) {
    const before = figure.textContent;
    const began = performance.now();
    document.addEventListener("bench:kept", () => stored.push(performance.now() - began), { once: true });
    const shown = new Promise((resolve) => new MutationObserver((_, watcher) => {
      if (figure.textContent === before) return;
      watcher.disconnect();
      resolve(performance.now() - began);
    }).observe(figure, { childList: true, characterData: true, subtree: true }));
    document.body.dispatchEvent(new KeyboardEvent("keydown", { code: "Space", bubbles: true, cancelable: true }));
    drawn.push(await shown);
    await pause();
  }
  return [stored, drawn];
}"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--taps", type=int, default=200)
    parser.add_argument("--entries", type=int, default=500)
    parser.add_argument("--throttle", type=float, default=4)
    parser.add_argument("--port", type=int, default=8791)
    chosen = parser.parse_args()
    with served(session_made, chosen.port) as (site, (session, email, password)):
        measure(site, session, email, password, chosen)


def session_made() -> tuple[int, str, str]:
    """A running session with 24 queens and one source: a full bench day."""
    from accounts.models import Role
    from tests.factories import PASSWORD, RoleGrantFactory
    from tests.scheduling.test_bench import Bench

    bench = Bench(queens=24)
    RoleGrantFactory(person=bench.by, cooperative=bench.session.season.cooperative, role=Role.OPERATOR)
    return bench.session.pk, bench.by.email, PASSWORD


def measure(site: str, session: int, email: str, password: str, chosen: argparse.Namespace) -> None:
    with signed_in(site, email, password, width=1180, height=820) as (browser, context, page):
        print(f"first visit: {weight(browser, context, site, session) / 1000:.0f} kB over the wire")
        page.goto(f"{site}/bench/{session}/")
        page.wait_for_selector("html[data-bench-ready]", state="attached")
        page.evaluate("document.querySelector('[data-part=open-lot]').open = true")
        page.fill("form[data-kind=lot_open] [name=tip]", "T1")
        page.locator("form[data-kind=lot_open] button").click()
        page.wait_for_selector("[data-part=lot-label]:not(:empty)", state="attached")
        client = context.new_cdp_session(page)
        context.set_offline(True)
        client.send("Emulation.setCPUThrottlingRate", {"rate": chosen.throttle})
        found = page.evaluate(TAP, chosen.taps)
        client.send("Emulation.setCPUThrottlingRate", {"rate": 1})
        for what, times in zip(("stored", "shown"), found, strict=True):
            times.sort()
            print(
                f"a tap, CPU throttled {chosen.throttle:g}×, {chosen.taps} taps: {what} after "
                f"{statistics.median(times):.0f} ms (median), {times[int(0.95 * len(times)) - 1]:.0f} ms "
                f"(95th percentile), {times[-1]:.0f} ms at most"
            )
        page.evaluate(TAP, max(0, chosen.entries - chosen.taps - 1))
        began = time.monotonic()
        context.set_offline(False)
        page.evaluate("dispatchEvent(new Event('online'))")
        page.wait_for_selector("#sent[data-status=sent][data-unsent='0']", timeout=120_000, state="attached")
        print(f"{chosen.entries} entries sent and confirmed after {time.monotonic() - began:.1f} s")
        began = time.monotonic()
        page.goto(f"{site}/bench/{session}/what-now/")
        print(f"What now? for 24 queens, the whole page: {time.monotonic() - began:.2f} s")


def weight(browser: Any, visitor: Any, site: str, session: int) -> float:
    """Bytes of every answer, heads included, of a visit by a browser that has nothing yet."""
    context = browser.new_context(viewport={"width": 1180, "height": 820}, storage_state=visitor.storage_state())
    page = context.new_page()
    client = context.new_cdp_session(page)
    client.send("Network.enable")
    received: list[float] = []
    client.on("Network.loadingFinished", lambda event: received.append(float(event["encodedDataLength"])))
    page.goto(f"{site}/bench/{session}/")
    page.wait_for_selector("html[data-bench-ready]", state="attached")
    page.wait_for_load_state("networkidle")
    context.close()
    return sum(received)


if __name__ == "__main__":
    main()
