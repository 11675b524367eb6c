"""The database itself marks a bench session anew whenever something changes that its lots teach.

So no writer can forget it, and what is kept of the lots is known to be good by one small question.
"""

from django.db import migrations, models

LOT = "(SELECT session_id FROM scheduling_semenlot WHERE id = {row}.lot_id)"
NEW_MARK = {"sqlite": "abs(random() % 1099511627776)", "postgresql": "(random() * 1099511627776)::bigint"}
#: Table, whether its rows come and go, the columns that count, which rows count, the session they belong to.
WATCHED = [
    ("scheduling_dronetally", True, ["lot_id", "outcome", "drones", "undone_at"], "", LOT),
    (
        "scheduling_lotmovement",
        True,
        ["lot_id", "kind", "volume_tenths", "undone_at"],
        "{row}.kind = 'collected'",
        LOT,
    ),
    ("scheduling_lotpart", True, ["lot_id", "source_id", "undone_at"], "", LOT),
    (
        "scheduling_semenlot",
        True,
        ["session_id", "source_id", "drones_from_days", "drones_to_days", "state"],
        "",
        "{row}.session_id",
    ),
    (
        "scheduling_benchsession",
        False,
        ["season_id", "state"],
        "",
        "(SELECT session_id FROM scheduling_semenlot WHERE session_id = {row}.id LIMIT 1)",
    ),
    (
        "scheduling_dronesource",
        False,
        ["drone_queen_id"],
        "",
        "(SELECT 0 WHERE EXISTS (SELECT 1 FROM scheduling_semenlot WHERE source_id = {row}.id)"
        " OR EXISTS (SELECT 1 FROM scheduling_lotpart WHERE source_id = {row}.id))",
    ),
    (
        "scheduling_season",
        False,
        ["cooperative_id", "year"],
        "",
        "(SELECT 0 WHERE EXISTS (SELECT 1 FROM scheduling_benchsession s JOIN scheduling_semenlot l"
        " ON l.session_id = s.id WHERE s.season_id = {row}.id))",
    ),
]


def _events(comes_and_goes):
    return ("insert", "update", "delete") if comes_and_goes else ("update",)


def _rows(event):
    return {"insert": ["NEW"], "update": ["OLD", "NEW"], "delete": ["OLD"]}[event]


def _sqlite(table, event, columns, only, session):
    told = []
    if event == "update":
        told.append(f"({' OR '.join(f'OLD.{name} IS NOT NEW.{name}' for name in columns)})")
    if only:
        told.append(f"({' OR '.join(only.format(row=row) for row in _rows(event))})")
    when = f"WHEN {' AND '.join(told)}" if told else ""
    of = f" OF {', '.join(columns)}" if event == "update" else ""
    body = ""
    for row in _rows(event):
        found = session.format(row=row)
        body += f"UPDATE scheduling_lotmark SET mark = {NEW_MARK['sqlite']} WHERE session_id = {found};"
        body += (
            f" INSERT INTO scheduling_lotmark (session_id, mark) SELECT f.session_id, {NEW_MARK['sqlite']}"
            f" FROM (SELECT {found} AS session_id) f WHERE f.session_id IS NOT NULL"
            " AND f.session_id NOT IN (SELECT session_id FROM scheduling_lotmark);"
        )
    return f"CREATE TRIGGER {table}_mark_{event} AFTER {event}{of} ON {table} FOR EACH ROW {when} BEGIN {body} END"


def _postgresql(table, event, columns, only, session):
    """One mark a statement: a thousand taps brought in at once are no thousand versions of one row."""
    asked = {row: f"SELECT {session.format(row='r')} AS session_id FROM {row.lower()}_rows r" for row in _rows(event)}
    told = [f"({only.format(row='r')})"] if only else []
    if event == "update":
        mine, other = (f"({', '.join(f'{row}.{name}' for name in columns)})" for row in ("r", "o"))
        there = {"OLD": "new_rows", "NEW": "old_rows"}
        asked = {
            row: f"{sql} JOIN {there[row]} o ON o.id = r.id WHERE {mine} IS DISTINCT FROM {other}"
            + "".join(f" AND {one}" for one in told)
            for row, sql in asked.items()
        }
    elif told:
        asked = {row: f"{sql} WHERE {told[0]}" for row, sql in asked.items()}
    tables = " ".join(f"{row} TABLE AS {row.lower()}_rows" for row in _rows(event))
    name = f"{table}_mark_{event}"
    return [
        f"""CREATE FUNCTION {name}() RETURNS trigger AS $$ BEGIN
        INSERT INTO scheduling_lotmark (session_id, mark) SELECT f.session_id, {NEW_MARK["postgresql"]}
        FROM ({" UNION ".join(asked.values())}) f WHERE f.session_id IS NOT NULL ORDER BY f.session_id
        ON CONFLICT (session_id) DO UPDATE SET mark = excluded.mark;
        RETURN NULL; END $$ LANGUAGE plpgsql""",
        f"CREATE TRIGGER {name} AFTER {event} ON {table} REFERENCING {tables}"
        f" FOR EACH STATEMENT EXECUTE FUNCTION {name}()",
    ]


def make(apps, schema_editor):
    vendor = schema_editor.connection.vendor
    for table, comes_and_goes, *said in WATCHED:
        for event in _events(comes_and_goes):
            if vendor == "postgresql":
                for statement in _postgresql(table, event, *said):
                    schema_editor.execute(statement)
            else:
                schema_editor.execute(_sqlite(table, event, *said))
    # Where there are lots already one mark stands for all of them.
    schema_editor.execute(
        f"INSERT INTO scheduling_lotmark (session_id, mark) SELECT 0, {NEW_MARK[vendor]}"
        " WHERE EXISTS (SELECT 1 FROM scheduling_semenlot)"
    )


def unmake(apps, schema_editor):
    is_postgresql = schema_editor.connection.vendor == "postgresql"
    for table, comes_and_goes, *_said in WATCHED:
        for event in _events(comes_and_goes):
            name = f"{table}_mark_{event}"
            if is_postgresql:
                schema_editor.execute(f"DROP TRIGGER {name} ON {table}")
                schema_editor.execute(f"DROP FUNCTION {name}()")
            else:
                schema_editor.execute(f"DROP TRIGGER {name}")


class Migration(migrations.Migration):
    dependencies = [("scheduling", "0014_reminder_ended_by_record")]

    operations = [
        migrations.CreateModel(
            name="LotMark",
            fields=[
                (
                    "session_id",
                    models.BigIntegerField(
                        help_text="Of the bench session; 0: of all of them.", primary_key=True, serialize=False
                    ),
                ),
                ("mark", models.BigIntegerField(help_text="Another one after each change.")),
            ],
            options={
                "ordering": ["session_id"],
                "verbose_name": "mark of a session's lots",
                "verbose_name_plural": "marks of sessions' lots",
            },
        ),
        migrations.RunPython(make, unmake, elidable=False),
    ]
