from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('booking', '0002_proposals'),
    ]

    operations = [
        migrations.AlterField(
            model_name='proposal',
            name='moves',
            field=models.CharField(choices=[('nobody', 'nobody: every booking that can be kept stays'), ('unconfirmed', 'those who have not confirmed yet'), ('anybody', 'anybody, confirmed ones too')], default='nobody', max_length=12),
        ),
    ]
