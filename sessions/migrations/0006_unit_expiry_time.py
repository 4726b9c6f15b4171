from django.db import migrations, models


class Migration(migrations.Migration):
    """Some labels say the minute up to which a unit may be given; without it the whole last day counts."""

    dependencies = [("exchange_sessions", "0005_units_and_method")]

    operations = [
        migrations.AddField("donationunit", "expires_at", models.TimeField(blank=True, null=True)),
    ]
