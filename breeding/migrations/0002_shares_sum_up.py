"""The database itself adds up the shares of a mating and of a semen batch.

With the check constraints on the parents, no writer can exceed the whole volume, and nothing can be
called complete before its shares sum up.
"""

from django.db import migrations

PAIRS = [
    ("breeding_matingshare", "mating_id", "breeding_mating"),
    ("breeding_semenbatchshare", "batch_id", "breeding_semenbatch"),
]


def _sum(table, key, row):
    return f"COALESCE((SELECT SUM(volume_tenths) FROM {table} WHERE {key} = {row}.{key}), 0)"


def _update(table, key, parent, row):
    return f"UPDATE {parent} SET recorded_tenths = {_sum(table, key, row)} WHERE id = {row}.{key};"


def make(apps, schema_editor):
    vendor = schema_editor.connection.vendor
    for table, key, parent in PAIRS:
        if vendor == "postgresql":
            schema_editor.execute(
                f"""CREATE FUNCTION {table}_add_up() RETURNS trigger AS $$ BEGIN
                IF TG_OP <> 'INSERT' THEN {_update(table, key, parent, "OLD")} END IF;
                IF TG_OP <> 'DELETE' THEN {_update(table, key, parent, "NEW")} END IF;
                RETURN NULL; END $$ LANGUAGE plpgsql"""
            )
            schema_editor.execute(
                f"CREATE TRIGGER {table}_add_up AFTER INSERT OR UPDATE OR DELETE ON {table}"
                f" FOR EACH ROW EXECUTE FUNCTION {table}_add_up()"
            )
        else:
            for event, rows in (("INSERT", ["NEW"]), ("UPDATE", ["OLD", "NEW"]), ("DELETE", ["OLD"])):
                body = " ".join(_update(table, key, parent, row) for row in rows)
                schema_editor.execute(
                    f"CREATE TRIGGER {table}_add_up_{event.lower()} AFTER {event} ON {table}"
                    f" FOR EACH ROW BEGIN {body} END"
                )


def unmake(apps, schema_editor):
    vendor = schema_editor.connection.vendor
    for table, _key, _parent in PAIRS:
        if vendor == "postgresql":
            schema_editor.execute(f"DROP TRIGGER {table}_add_up ON {table}")
            schema_editor.execute(f"DROP FUNCTION {table}_add_up()")
        else:
            for event in ("insert", "update", "delete"):
                schema_editor.execute(f"DROP TRIGGER {table}_add_up_{event}")


class Migration(migrations.Migration):
    dependencies = [("breeding", "0001_squashed_0008_table_imports")]

    operations = [migrations.RunPython(make, unmake, elidable=False)]
