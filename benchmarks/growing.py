"""A practice cooperative made ten times as large: rows copied inside the database, with keys, years and names shifted.

Everything that stays is copied: members with their persons and apiaries, queens with matings and values, colonies,
scores, what was audited; and what the closed seasons left behind, into ten seasons. The open season stays as it is:
what a page takes may depend on it, but on nothing that was before.
"""

from collections import Counter
from typing import Any

from django.apps import apps
from django.core.management.color import no_style
from django.db import connection, models, transaction

COPIES = 9  # beside what is there: ten times as much
YEARS_BACK = (5, 4, 3, 2, 1, 0, 5, 4, 3)  # of each copy: four closed seasons become nine
COPIED = (
    *("accounts.Person", "accounts.Member", "accounts.MemberPerson", "accounts.Apiary"),
    *("breeding.Queen", "breeding.SemenBatch", "breeding.SemenBatchShare", "breeding.Mating", "breeding.MatingShare"),
    *("breeding.Colony", "breeding.Heading", "breeding.Score", "breeding.TraitValue", "breeding.Merit"),
    *("scheduling.DroneSource", "scheduling.DroneCohort", "scheduling.DroneCount", "scheduling.QueenBatch"),
    *("scheduling.Bench", "scheduling.BenchSession", "scheduling.BatchQueen", "scheduling.Booking"),
    *("scheduling.BookingSource", "scheduling.Plan", "scheduling.PlanPool", "scheduling.PlanPoolPart"),
    *("scheduling.Placement", "scheduling.Unserved", "scheduling.DroneCall", "scheduling.BenchPlace"),
    *(
        "scheduling.SemenLot",
        "scheduling.LotPart",
        "scheduling.LotMark",
        "scheduling.TipChange",
        "scheduling.DroneTally",
    ),
    *("scheduling.LotMovement", "scheduling.Dose", "scheduling.Co2Treatment", "scheduling.QueenCheck"),
    *("scheduling.Reminder", "accounts.AuditEntry"),
)
#: Where something must be the only one: what it becomes in copy number {n}.
ONCE = {
    "accounts.Person.email": "'c{n}.' || {it}",
    "accounts.Person.user_name": "CASE {it} WHEN '' THEN '' ELSE {it} || '-c{n}' END",
    "accounts.Person.name": "{it} || ' C{n}'",
    "accounts.Member.name": "{it} || ' C{n}'",
    "breeding.Queen.label": "{it} || '-c{n}'",
    "breeding.Queen.alike": "{it} || ' c {n}'",
    "breeding.SemenBatch.label": "{it} || '-c{n}'",
    "scheduling.Bench.name": "{it} || ' C{n}'",
    "scheduling.QueenBatch.name": "{it} || '-c{n}'",
    "scheduling.DroneSource.name": "{it} || '-c{n}'",
    "scheduling.Plan.number": "{it} + 100 * {n}",
}
#: Rows that each of these leaves behind when it is made by hand, which practice seasons do not write.
LEFT_BEHIND = (
    "INSERT INTO accounts_auditentry (cooperative_id, at, by_name, action, subject_type, subject_id, subject_name,"
    " before, after, note) SELECT cooperative_id, created_at, 'Ada', 'queen.register', 'breeding.queen', id, label,"
    " '{{}}', '{{}}', '' FROM breeding_queen WHERE id > {shift}",
    "INSERT INTO scheduling_delivery (reminder_id, person_id, channel, rung, due_at, is_late, state, attempts, sent_at,"
    " problem) SELECT r.id, p.person_id, 'mail', 'due', r.due_at, {no}, 'sent', 1, r.due_at, ''"
    " FROM scheduling_reminder r JOIN accounts_memberperson p ON p.member_id = r.member_id WHERE r.id > {shift}",
)


def grown() -> Counter[str]:
    """Copy what there is; rows of each table now, by its name. The copies stand wholly or not at all."""
    from accounts.services.statistics import statistics_count  # as every installation has it done

    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            for speed in ("synchronous = OFF", "cache_size = -1000000", "foreign_keys = OFF"):
                cursor.execute(f"PRAGMA {speed}")
        with transaction.atomic():
            if connection.vendor == "postgresql":
                cursor.execute("SET LOCAL session_replication_role = replica")  # keys hold by the same shift
            triggers = _triggers(cursor)  # they add up what is copied with its sum; at rest in a replica
            for name, _made in triggers:
                cursor.execute(f"DROP TRIGGER {name}")
            Growing(cursor).work()
            for _name, made in triggers:
                cursor.execute(made)
        if connection.vendor == "sqlite":
            cursor.execute("PRAGMA foreign_keys = ON")
            connection.check_constraints()
            statistics_count()
            cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        else:
            for told in connection.ops.sequence_reset_sql(no_style(), apps.get_models()):
                cursor.execute(told)
            cursor.execute("ANALYZE")
    return Counter({label: apps.get_model(label)._default_manager.count() for label in COPIED})


class Growing:
    def __init__(self, cursor: Any) -> None:
        from scheduling.models import Season

        self.cursor = cursor
        highest = [apps.get_model(label)._default_manager.aggregate(pk=models.Max("pk"))["pk"] or 0 for label in COPIED]
        self.shift = 10 ** len(str(max(highest)))
        self.closed = {season.pk: season for season in Season.objects.exclude(closed_at=None)}
        self.seasons = {season.year: season.pk for season in Season.objects.all()}
        self.letters: Counter[int] = Counter()  # given to copied sources, by season

    def work(self) -> None:
        self._seasons_make()
        for label in COPIED:
            self._keep(apps.get_model(label))
        for copy in range(1, COPIES + 1):
            for label in COPIED:
                self._copy(apps.get_model(label), copy)
        no = "0" if connection.vendor == "sqlite" else "false"
        for told in LEFT_BEHIND:
            self.cursor.execute(told.format(shift=self.shift, no=no))
        for label in COPIED:
            self.cursor.execute(f"DROP TABLE {_kept(apps.get_model(label))}")

    def _seasons_make(self) -> None:
        from scheduling.models import Season

        for season in self.closed.values():
            for year in {season.year - years for years in YEARS_BACK} - set(self.seasons):
                assert season.closed_at is not None
                self.seasons[year] = Season.objects.create(
                    cooperative=season.cooperative,
                    year=year,
                    starts_on=season.starts_on.replace(year=year),
                    ends_on=season.ends_on.replace(year=year),
                    closed_at=season.closed_at.replace(year=year),
                ).pk

    def _keep(self, model: type[models.Model]) -> None:
        """Which rows are copied: nothing of the open season, nothing that is wanted, nothing that hangs on those."""
        earlier = [apps.get_model(label) for label in COPIED[: COPIED.index(model._meta.label)]]
        told = []
        for one in model._meta.concrete_fields:
            column = one.column
            if one.name == "season":
                told.append(f"season_id IN ({', '.join(map(str, self.closed))})")
            elif one.name == "subject_type":
                kinds = [
                    f"(subject_type = '{to._meta.label_lower}' AND subject_id IN (SELECT id FROM {_kept(to)}))"
                    for to in earlier
                ]
                told.append(f"({' OR '.join(kinds)})")
            elif one.is_relation and one.related_model in earlier:
                told.append(f"({column} IS NULL OR {column} IN (SELECT id FROM {_kept(one.related_model)}))")
        if model._meta.label == "scheduling.Reminder":
            told.append("state <> 'wanted'")
        where = f" WHERE {' AND '.join(told)}" if told else ""
        key = model._meta.pk.column
        self.cursor.execute(
            f"CREATE TEMPORARY TABLE {_kept(model)} AS SELECT {key} AS id FROM {model._meta.db_table}{where}"
        )
        self.cursor.execute(f"CREATE UNIQUE INDEX {_kept(model)}_id ON {_kept(model)} (id)")

    def _copy(self, model: type[models.Model], copy: int) -> None:
        fields, table, key = model._meta.concrete_fields, model._meta.db_table, model._meta.pk.column
        columns, values = ", ".join(f'"{one.column}"' for one in fields), [self._value(one, copy) for one in fields]
        self.cursor.execute(
            f"INSERT INTO {table} ({columns}) SELECT {', '.join(values)} FROM {table}"
            f" WHERE {key} IN (SELECT id FROM {_kept(model)}) ORDER BY {key}"
        )
        if model._meta.label == "scheduling.DroneSource":
            self._letters_count(copy)

    def _value(self, one: Any, copy: int) -> str:
        """What stands in a column of a copied row, in SQL."""
        column, name, kind = f'"{one.column}"', f"{one.model._meta.label}.{one.name}", one.get_internal_type()
        shifted, years = f"{column} + {self.shift * copy}", YEARS_BACK[copy - 1]
        is_sqlite = connection.vendor == "sqlite"
        if name in ONCE:
            return ONCE[name].format(it=column, n=copy)
        if name == "scheduling.DroneSource.letter":
            return self._letter(copy)
        if name == "breeding.Queen.birth_year":
            return f"{column} - {years}"
        if one.name == "season":
            return self._by_season({pk: self._later(pk, copy) for pk in self.closed})
        if one.primary_key or one.name == "subject_id" or _is_copied(one):
            return shifted
        if one.is_relation and one.unique:
            return "NULL"  # a job, an offer: not copied, and nobody else's
        if kind == "UUIDField":
            new = "lower(hex(randomblob(16)))" if is_sqlite else "gen_random_uuid()"
            return f"CASE WHEN {column} IS NULL THEN NULL ELSE {new} END"
        if kind == "DateField":
            return f"date({column}, '-{years} years')" if is_sqlite else f"({column} - interval '{years} years')::date"
        if kind == "DateTimeField":
            before = f"strftime('%Y-%m-%d %H:%M:%f', {column}, '-{years} years')"
            return before if is_sqlite else f"{column} - interval '{years} years'"
        return column

    def _later(self, season: int, copy: int) -> int:
        return self.seasons[self.closed[season].year - YEARS_BACK[copy - 1]]

    def _by_season(self, values: dict[int, int]) -> str:
        return f"CASE season_id {' '.join(f'WHEN {season} THEN {value}' for season, value in values.items())} END"

    def _letter(self, copy: int) -> str:
        """Two letters, the second large or small: the app's own are one letter, or one and a figure."""
        chr_ = "char" if connection.vendor == "sqlite" else "chr"
        used = self._by_season({pk: self.letters[self._later(pk, copy)] for pk in self.closed})
        nth = f"({used} + row_number() OVER (PARTITION BY season_id ORDER BY id))"
        second = f"CAST({nth} % 52 AS integer)"
        second = f"CASE WHEN {second} < 26 THEN 65 + {second} ELSE 71 + {second} END"
        return f"{chr_}(CAST(65 + {nth} / 52 AS integer)) || {chr_}({second})"

    def _letters_count(self, copy: int) -> None:
        from scheduling.models import DroneSource

        for season in self.closed:
            sources = DroneSource.objects.filter(season=season, pk__lt=self.shift).count()
            self.letters[self._later(season, copy)] += sources


def _triggers(cursor: Any) -> list[tuple[str, str]]:
    if connection.vendor != "sqlite":
        return []
    cursor.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
    return list(cursor.fetchall())


def _is_copied(one: Any) -> bool:
    return bool(one.is_relation and one.related_model._meta.label in COPIED)


def _kept(model: type[models.Model]) -> str:
    return f"kept_{model._meta.db_table}"
