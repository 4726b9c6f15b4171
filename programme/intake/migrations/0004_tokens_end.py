from datetime import timedelta

from django.db import migrations, models
from django.utils import timezone

DAYS = 365
KINDS = "Observation DiagnosticReport Bundle"


def give_an_end(apps, schema_editor):
    """A token given before tokens ended goes on for a year from now, for all that it could send until now."""
    now = timezone.now()
    rows = apps.get_model("intake", "Sender").objects.exclude(token_digest="")
    rows.update(token_kinds=KINDS, token_since=now, token_until=now + timedelta(days=DAYS))


class Migration(migrations.Migration):

    dependencies = [
        ('core', '0007_broken_glass'),
        ('intake', '0003_codes_ignored'),
    ]

    operations = [
        migrations.AddField(
            model_name='sender',
            name='token_kinds',
            field=models.CharField(blank=True, max_length=60),
        ),
        migrations.AddField(
            model_name='sender',
            name='token_since',
            field=models.DateTimeField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name='sender',
            name='token_until',
            field=models.DateTimeField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name='sender',
            name='token_used_at',
            field=models.DateTimeField(blank=True, null=True),
        ),
        migrations.RunPython(give_an_end, migrations.RunPython.noop),
        migrations.AddConstraint(
            model_name='sender',
            constraint=models.CheckConstraint(condition=models.Q(('token_digest', ''), models.Q(('token_until__isnull', False), models.Q(('token_kinds', ''), _negated=True)), _connector='OR'), name='sender_token_ends', violation_error_message='A token has a day on which it ends, and says what may be sent with it.'),
        ),
    ]
