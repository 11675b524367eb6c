"""All tables against what is there and against each other, in the order in which things hang on each other."""

import datetime as dt
from collections.abc import Mapping

from breeding.services.loading.check_colonies import check_colonies, check_scores
from breeding.services.loading.check_matings import check_matings
from breeding.services.loading.check_queens import check_apiaries, check_descent, check_queens
from breeding.services.loading.files import Problems, Row
from breeding.services.loading.plan import Plan


def check_all(plan: Plan, rows: Mapping[str, list[Row]], problems: Problems, today: dt.date) -> None:
    """`rows` by table; a table that is not there is empty."""
    check_apiaries(plan, rows.get("apiaries.csv", []), problems)
    check_queens(plan, rows.get("queens.csv", []), problems, today)
    check_matings(plan, rows.get("matings.csv", []), problems, today)
    if rows.get("queens.csv") or rows.get("matings.csv"):
        check_descent(plan, problems)
    check_colonies(plan, rows.get("colonies.csv", []), problems, today)
    check_scores(plan, rows.get("scores.csv", []), problems, today)
