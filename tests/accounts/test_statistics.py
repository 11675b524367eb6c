"""SQLite is told what its indexes leave, and then finds the scores of one colony by the colony."""

import pytest
from django.db import connection
from django.db.models import QuerySet

from accounts.services.statistics import statistics_count
from breeding.models import Score
from tests.factories import ScoreFactory

pytestmark = [pytest.mark.django_db, pytest.mark.skipif(connection.vendor != "sqlite", reason="SQLite alone needs it")]


def plan_of(scores: QuerySet[Score]) -> str:
    return scores.explain()


def test_once_it_was_counted_the_scores_of_a_colony_are_found_by_the_colony() -> None:
    scores = [ScoreFactory() for _ in range(30)]
    asked = Score.objects.filter(colony=scores[0].colony_id, replaced_by=None, withdrawn_at=None)
    assert "replaced_by_id=?" in plan_of(asked), "without counting there is nothing to mend"
    statistics_count()
    assert "colony_id=?" in plan_of(asked)
    assert list(asked) == [scores[0]]
