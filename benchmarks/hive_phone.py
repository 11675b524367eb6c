"""A member's phone at the hives, in Chromium, against the program as it runs on one machine.

    OMP_NUM_THREADS=1 python -m benchmarks.hive_phone [--entries 500]

Prints how long entries that were kept without a network (scores, one an entry) take until the server has confirmed them
all. Measured, not asserted. Needs Chromium and the packages of the tests.
"""

import argparse
import datetime as dt
import time

from benchmarks.on_one_machine import served, signed_in

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
    with served(apiary_made, chosen.port) as (site, (email, password, colonies)):
        measure(site, email, password, colonies, chosen.entries)


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
    with signed_in(site, email, password, width=390, height=844) as (_browser, context, page):
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


if __name__ == "__main__":
    main()
