"""Write the list of every figure into docs/timing.md: `python -m docs.figures`. A test holds the page to it."""

from pathlib import Path

from scheduling.planning.facts.page import figures_section, figures_table

PAGE = Path(__file__).resolve().parent / "timing.md"


def main() -> None:
    page = PAGE.read_text(encoding="utf-8")
    PAGE.write_text(page.replace(figures_section(page), figures_table(), 1), encoding="utf-8")


if __name__ == "__main__":
    main()
