"""Messages are not deleted either, but for those about nobody except a person whose erasure is due."""

from django.db import migrations

from programme.core import guards

OLD = {
    "sqlite": ("DROP TRIGGER IF EXISTS raw_no_update",),
    "postgresql": ("DROP TRIGGER IF EXISTS raw_no_update ON intake_rawmessage", "DROP FUNCTION IF EXISTS raw_stays()"),
}


def guard(apps, schema_editor):
    for statement in OLD[schema_editor.connection.vendor]:
        schema_editor.execute(statement)
    guards.make(schema_editor.connection.alias, table="intake_rawmessage")


class Migration(migrations.Migration):

    dependencies = [
        ('intake', '0006_old_tokens'),
        ('core', '0010_erasure'),
    ]

    operations = [migrations.RunPython(guard, migrations.RunPython.noop)]
