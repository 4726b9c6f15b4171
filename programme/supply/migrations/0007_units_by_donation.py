"""A unit that came in is found by its donation: tracing, and what became of it at the chair."""

from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('patients', '0006_group_of_samples'),
        ('supply', '0006_demand_by_phenotype'),
    ]

    operations = [
        migrations.AddIndex(
            model_name='suppliedunit',
            index=models.Index(fields=['donation_number'], name='supplied_by_donation'),
        ),
    ]
