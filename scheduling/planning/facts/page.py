"""The list of every figure as docs/timing.md prints it."""

from scheduling.planning.facts import FACTS
from scheduling.planning.facts.fact import Fact, Topic

HEADING = "## Every figure\n"


def figures_table() -> str:
    """Return the section's tables, one for each topic of the settings page, figures in their order there."""
    parts = []
    for topic in Topic:
        facts = [fact for fact in FACTS.values() if fact.topic is topic]
        head = "| figure | what | default | bounds | rows | founded |\n|---|---|---|---|---|---|"
        parts.append("\n".join([f"### {topic.said}", head, *(_line(fact) for fact in facts)]))
    return "\n\n".join(parts) + "\n"


def figures_section(page: str) -> str:
    """Return what stands under the heading and its introduction, up to the next heading of its level."""
    return page.split(HEADING, 1)[1].split("\n## ", 1)[0].split("\n\n", 1)[1].rstrip("\n") + "\n"


def _line(fact: Fact) -> str:
    default = "none: a gap" if fact.default is None else f"{fact.default} {fact.unit}"
    if fact.is_gap and fact.default is not None:
        default += ", a gap with a starting value"
    cells = (f"`{fact.key}`", str(fact.label), default, str(fact.shown_bounds), " ".join(fact.rows), fact.source_kind)
    return "| " + " | ".join(cells) + " |"
