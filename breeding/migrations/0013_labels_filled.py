"""What each label has in common with its other spellings, of queens that are there. A part at a time: others write."""

import re

from django.db import migrations, transaction

PARTS = re.compile(r"[^\W\d_]+|\d+")
AT_ONCE = 5_000


def alike(label):
    parts = PARTS.findall(label.casefold())
    return " ".join(part.lstrip("0") or "0" if part.isdecimal() else part for part in parts)


def fill(apps, schema_editor):
    queens = apps.get_model("breeding", "Queen").objects.using(schema_editor.connection.alias)
    last = 0
    while rows := list(queens.filter(pk__gt=last, alike=None).order_by("pk").values_list("pk", "label")[:AT_ONCE]):
        with transaction.atomic(schema_editor.connection.alias), schema_editor.connection.cursor() as cursor:
            # The label once more: of one that was changed meanwhile the row already says it, or the next run does.
            cursor.executemany(
                "UPDATE breeding_queen SET alike = %s WHERE id = %s AND label = %s AND alike IS NULL",
                [(alike(label), pk, label) for pk, label in rows],
            )
        last = rows[-1][0]


class Migration(migrations.Migration):
    atomic = False

    dependencies = [("breeding", "0012_labels_alike")]

    operations = [migrations.RunPython(fill, migrations.RunPython.noop, elidable=True)]
