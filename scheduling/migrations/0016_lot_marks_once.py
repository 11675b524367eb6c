"""Several rows of one session in one statement get one mark.

PostgreSQL refused such a statement, since it would have written the mark twice: no dump with two lots of a session
could be loaded. Only insert and delete: an update asks for both its old and new rows, and joining them leaves each once.
"""

from django.db import migrations

LOT = "(SELECT session_id FROM scheduling_semenlot WHERE id = r.lot_id)"
#: By table: the session of a row, which rows count.
WATCHED = {
    "scheduling_dronetally": (LOT, ""),
    "scheduling_lotmovement": (LOT, "WHERE r.kind = 'collected'"),
    "scheduling_lotpart": (LOT, ""),
    "scheduling_semenlot": ("r.session_id", ""),
}


def make(apps, schema_editor):
    if schema_editor.connection.vendor != "postgresql":  # elsewhere each row is marked by itself
        return
    for table, (session, only) in WATCHED.items():
        for event, rows in (("insert", "new_rows"), ("delete", "old_rows")):
            schema_editor.execute(
                f"""CREATE OR REPLACE FUNCTION {table}_mark_{event}() RETURNS trigger AS $$ BEGIN
                INSERT INTO scheduling_lotmark (session_id, mark)
                SELECT f.session_id, (random() * 1099511627776)::bigint
                FROM (SELECT DISTINCT {session} AS session_id FROM {rows} r {only}) f
                WHERE f.session_id IS NOT NULL ORDER BY f.session_id
                ON CONFLICT (session_id) DO UPDATE SET mark = excluded.mark;
                RETURN NULL; END $$ LANGUAGE plpgsql"""
            )


class Migration(migrations.Migration):
    dependencies = [("scheduling", "0015_lot_marks")]

    operations = [migrations.RunPython(make, migrations.RunPython.noop, elidable=False)]
