from django.db import migrations, models


class Migration(migrations.Migration):
    """No rows are expected: facts are reckoned, and a rebuild fills the column."""

    dependencies = [("exchange_sessions", "0001_sessions")]

    operations = [
        migrations.AddField(
            model_name="sessionfacts",
            name="known_day",
            field=models.IntegerField(default=0),
        ),
    ]
