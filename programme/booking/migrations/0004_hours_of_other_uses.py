from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('booking', '0003_words_of_who_may_be_moved'),
    ]

    operations = [
        migrations.AddField(
            model_name='otheruse',
            name='ends',
            field=models.TimeField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name='otheruse',
            name='starts',
            field=models.TimeField(blank=True, null=True),
        ),
        migrations.AddConstraint(
            model_name='otheruse',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('ends__isnull', True), ('starts__isnull', True)), models.Q(('ends__isnull', False), ('starts__isnull', False), ('starts__lt', models.F('ends'))), _connector='OR'), name='otheruse_hours', violation_error_message='Give both hours, the end after the start, or neither for the whole day.'),
        ),
    ]
