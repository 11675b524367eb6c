"""What comes out of the printer: the pages that are meant for paper, as Chromium lays them out for A4."""

from django.urls import reverse
from playwright.sync_api import Page

from scheduling.models import Plan
from tests.browser.pages import Pages

A4_WIDTH = 703  # px between margins of 12 mm, at 96 to the inch
ACROSS_WIDTH = 1047  # the same of A4 laid across, between margins of 10 mm: the sheet of the bench
LOOK = """() => {
  const mm = 96 / 25.4, wrong = [], root = document.documentElement;
  const shown = (selector) => [...document.querySelectorAll(selector)].filter((one) => one.checkVisibility());
  const say = (words, found) => { if (found.length) wrong.push(`${words}: ${found.length}`); };
  say("for the screen alone", shown(".top, .bottom, .foot, .toasts, .actions, button, .pager, .filters"));
  const repeats = (one) => getComputedStyle(one).display === "table-header-group";
  say("header rows that do not repeat", shown("thead, .lines-head").filter((one) => !repeats(one)));
  const boxes = (selector) => shown(selector).map((one) => one.getBoundingClientRect());
  const off = (size, wanted) => Math.abs(size - wanted * mm) > 1;
  say("rows below 11 mm", boxes(".sheet tbody tr").filter((box) => box.height < 11 * mm - 0.5));
  say("labels not 62 × 29 mm", boxes(".label").filter((box) => off(box.width, 62) || off(box.height, 29)));
  say("codes below 25 mm", boxes(".label svg").filter((box) => box.width < 25 * mm - 1));
  say("words outside their label", shown(".label").filter((one) => one.scrollHeight > one.clientHeight + 1));
  if (root.scrollWidth > root.clientWidth) wrong.push(`${root.scrollWidth - root.clientWidth} px too wide`);
  return wrong;
}"""


def print_faults(page: Page, site: str, pages: Pages) -> list[str]:
    plan = Plan.objects.get(season=pages.season, state="published")
    bench = pages.things["bench/"]
    on_paper = {
        reverse("scheduling:lines") + "?who=all": "printed",
        reverse("scheduling:plan", args=[plan.pk]): f"{plan}, published",
        reverse("scheduling:bench_sheet", args=[bench]): f"{plan}, published",
        reverse("scheduling:bench_labels", args=[bench]) + "?roll=1": "printed",
        reverse("breeding:pedigree", args=[pages.things["stock/queens/"]]): "printed",
    }
    wrong = []
    page.emulate_media(media="print")
    for address, foot in on_paper.items():
        width = ACROSS_WIDTH if address.endswith("/sheet/") else A4_WIDTH
        page.set_viewport_size({"width": width, "height": 1000})
        page.goto(site + address)
        wrong += [f"{address} on paper: {fault}" for fault in page.evaluate(LOOK)]
        words = page.evaluate("getComputedStyle(document.documentElement).getPropertyValue('--page-foot')")
        wrong += [] if foot in words else [f"{address} on paper: the foot says {words}"]
    page.emulate_media(media="screen")
    return wrong
