import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('core', '0008_trail_by_day'),
    ]

    operations = [
        migrations.CreateModel(
            name='OutsideAccount',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('issuer', models.CharField(max_length=300)),
                ('subject', models.CharField(max_length=255)),
                ('since', models.DateTimeField()),
                ('user', models.OneToOneField(on_delete=django.db.models.deletion.CASCADE, related_name='outside_account', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'constraints': [models.UniqueConstraint(fields=('issuer', 'subject'), name='outside_account_once', violation_error_message='This account signs somebody in here already; take it from them first.')],
            },
        ),
    ]
