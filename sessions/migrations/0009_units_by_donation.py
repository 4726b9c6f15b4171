"""A unit of a session is found by its donation: tracing, order pages and the check before a unit is given."""

from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('exchange_sessions', '0008_back_in_storage'),
    ]

    operations = [
        migrations.AddIndex(
            model_name='donationunit',
            index=models.Index(fields=['donation_number'], name='unit_by_donation'),
        ),
    ]
