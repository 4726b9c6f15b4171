from django.db import migrations, models


class Migration(migrations.Migration):
    """A sign noted on the day on which the lock was lifted, but later, must lock again."""

    dependencies = [("exchange_sessions", "0002_facts_known_day")]

    operations = [
        migrations.AddField(
            model_name="haemolysissign",
            name="noted_at",
            field=models.DateTimeField(null=True),
        ),
    ]
