"""Messages are kept as they came: the database refuses every change of one."""

from django.db import migrations

SQLITE = "CREATE TRIGGER raw_no_update BEFORE UPDATE ON intake_rawmessage BEGIN SELECT RAISE(ABORT, 'a message is kept as it came'); END"
POSTGRES = (
    "CREATE OR REPLACE FUNCTION raw_stays() RETURNS trigger LANGUAGE plpgsql AS "
    "$$ BEGIN RAISE EXCEPTION 'a message is kept as it came'; END $$",
    "CREATE TRIGGER raw_no_update BEFORE UPDATE ON intake_rawmessage FOR EACH ROW EXECUTE FUNCTION raw_stays()",
)


def make(apps, schema_editor):
    statements = (SQLITE,) if schema_editor.connection.vendor == "sqlite" else POSTGRES
    for statement in statements:
        schema_editor.execute(statement)


def drop(apps, schema_editor):
    if schema_editor.connection.vendor == "sqlite":
        schema_editor.execute("DROP TRIGGER raw_no_update")
    else:
        schema_editor.execute("DROP TRIGGER raw_no_update ON intake_rawmessage")
        schema_editor.execute("DROP FUNCTION raw_stays()")


class Migration(migrations.Migration):

    dependencies = [
        ('intake', '0001_arriving'),
    ]

    operations = [migrations.RunPython(make, drop)]
