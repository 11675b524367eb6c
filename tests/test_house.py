"""Promises about the whole project."""

import pytest
from django.core.management import call_command
from django.db import IntegrityError, connection, transaction

from breeding.models import Mating, MatingShare
from tests.factories import MatingFactory, QueenFactory

pytestmark = pytest.mark.django_db


def test_no_migration_is_missing() -> None:
    call_command("makemigrations", "--check", "--dry-run", verbosity=0)


def test_shares_may_not_exceed_the_volume_of_the_mating() -> None:
    mating = MatingFactory(kind="pool", drones=None, total_tenths=80)
    MatingShare.objects.create(mating=mating, drone_queen=QueenFactory(), volume_tenths=60)
    with pytest.raises(IntegrityError), transaction.atomic():
        MatingShare.objects.create(mating=mating, drone_queen=QueenFactory(), volume_tenths=21)
    mating.refresh_from_db()
    assert mating.recorded_tenths == 60


def test_a_mating_is_complete_only_when_its_shares_sum_up() -> None:
    mating = MatingFactory(kind="pool", drones=None, total_tenths=80)
    share = MatingShare.objects.create(mating=mating, drone_queen=QueenFactory(), volume_tenths=60)
    with pytest.raises(IntegrityError), transaction.atomic():
        Mating.objects.filter(pk=mating.pk).update(is_complete=True)
    share.volume_tenths = 80
    share.save(update_fields=["volume_tenths"])
    assert Mating.objects.filter(pk=mating.pk).update(is_complete=True) == 1
    with pytest.raises(IntegrityError), transaction.atomic():
        share.delete()


def test_the_database_keeps_its_foreign_keys() -> None:
    if connection.vendor == "sqlite":
        with connection.cursor() as cursor:
            cursor.execute("PRAGMA foreign_keys")
            assert cursor.fetchone() == (1,)
