from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('core', '0009_outside_accounts'),
        ('intake', '0005_refusals'),
    ]

    operations = [
        migrations.AddField(
            model_name='sender',
            name='old_digest',
            field=models.CharField(blank=True, max_length=64),
        ),
        migrations.AddField(
            model_name='sender',
            name='old_kinds',
            field=models.CharField(blank=True, max_length=60),
        ),
        migrations.AddField(
            model_name='sender',
            name='old_until',
            field=models.DateTimeField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name='sender',
            name='old_used_at',
            field=models.DateTimeField(blank=True, null=True),
        ),
        migrations.AddConstraint(
            model_name='sender',
            constraint=models.UniqueConstraint(condition=models.Q(('old_digest', ''), _negated=True), fields=('old_digest',), name='sender_old_token_once'),
        ),
        migrations.AddConstraint(
            model_name='sender',
            constraint=models.CheckConstraint(condition=models.Q(('old_digest', ''), models.Q(('old_until__isnull', False), models.Q(('old_kinds', ''), _negated=True)), _connector='OR'), name='sender_old_token_ends', violation_error_message='An old token has a moment at which it ends, and says what may be sent.'),
        ),
    ]
