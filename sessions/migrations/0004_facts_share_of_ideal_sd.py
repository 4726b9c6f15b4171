from django.db import migrations, models


class Migration(migrations.Migration):
    """The mixing factor is one over the share of the ideal, so the share's own spread is stored instead of it."""

    dependencies = [("exchange_sessions", "0003_sign_noted_at")]

    operations = [
        migrations.RemoveField(model_name="sessionfacts", name="mixing_ratio"),
        migrations.AddField(
            model_name="sessionfacts",
            name="share_of_ideal_sd",
            field=models.FloatField(null=True),
        ),
        migrations.AlterField(
            model_name="sessionfacts",
            name="remark",
            field=models.CharField(blank=True, max_length=600),
        ),
    ]
