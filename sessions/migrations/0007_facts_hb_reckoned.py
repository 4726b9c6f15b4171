from django.db import migrations, models


class Migration(migrations.Migration):
    """Haemoglobin after a session as reckoned from its volumes; null until the facts are built anew."""

    dependencies = [("exchange_sessions", "0006_unit_expiry_time")]

    operations = [
        migrations.AddField(
            model_name="sessionfacts",
            name=name,
            field=models.FloatField(null=True),
        )
        for name in ("hb_reckoned_g_l", "hb_reckoned_sd")
    ]
