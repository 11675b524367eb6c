"""One file sent as a person sends it, to the last button: what came of it, and that nothing is left half."""

from dataclasses import dataclass

from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from accounts.models import Apiary
from accounts.services.jobs import job_run
from breeding.models import Colony, Heading, ImportState, Mating, MatingShare, Queen, Score, SemenBatch, TableImport
from breeding.services.imports.kinds import kinds
from scheduling.models import DroneCount
from tests.factories import DroneCohortFactory, SeasonFactory

TABLES = (Apiary, Queen, Mating, MatingShare, SemenBatch, Colony, Heading, Score, DroneCount)


@dataclass(frozen=True)
class Came:
    """`end`: refused, to_mend or imported."""

    end: str
    worst_status: int


def drone_comb(queen: Queen) -> None:
    """Comb 7 of the source “Fellside”, to be counted by the tables of drones."""
    season = SeasonFactory(cooperative=queen.cooperative)
    DroneCohortFactory(
        source__season=season, source__member=queen.owner, source__drone_queen=queen, source__name="Fellside", number=7
    )


def counts() -> list[int]:
    return [model._default_manager.count() for model in TABLES]


def tried(client: Client, kind: str, name: str, content: bytes, member: int) -> Came:
    """Upload, match, import, undo. AssertionError when something stays half-written."""
    before = counts()
    file = SimpleUploadedFile(name, content)
    answer = client.post(reverse("breeding:import_new", args=[kind]), {"file": file})
    statuses = [answer.status_code]
    if answer.status_code != 302:
        assert counts() == before
        return Came("refused", max(statuses))
    imported = TableImport.objects.latest("pk")
    if imported.job is not None:  # a large one: a worker reads it
        assert job_run(imported.job.pk, now=timezone.now())
        imported.refresh_from_db()
        if imported.state == ImportState.READING:
            assert counts() == before
            return Came("refused", max(statuses))
    data = {field: str(number) for field, number in imported.matched.items()} | {"for_member": str(member)}
    missing = [
        c.key for c in kinds()[kind].columns if c.required and c.key not in data and c.key != kinds()[kind].member
    ]
    free = (number for number in range(60) if str(number) not in data.values())
    data |= {key: str(next(free)) for key in missing}
    for step, sent in (("import_columns", data), ("import_columns", None), ("import", None), ("import_problems", None)):
        address = reverse(f"breeding:{step}", args=[imported.pk])
        statuses.append((client.post(address, sent) if sent else client.get(address)).status_code)
    imported.refresh_from_db()
    assert counts() == before
    commit = reverse("breeding:import_commit", args=[imported.pk])
    statuses.append(client.post(commit, {"seen": str(imported.version)}).status_code)
    imported.refresh_from_db()
    if imported.state == ImportState.DONE:
        assert not imported.problems
        assert counts() != before
        statuses.append(client.post(reverse("breeding:import_undo", args=[imported.pk])).status_code)
        assert counts() == before
        return Came("imported", max(statuses))
    assert counts() == before
    return Came("to_mend", max(statuses))
