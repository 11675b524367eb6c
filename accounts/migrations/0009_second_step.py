import django.db.models.deletion
import django.db.models.functions.text
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('accounts', '0008_languages'),
        ('auth', '0012_alter_user_first_name_max_length'),
    ]

    operations = [
        migrations.CreateModel(
            name='OpenSession',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('session_key', models.CharField(max_length=40, unique=True)),
                ('device', models.CharField(help_text='Browser and system, as the browser names itself.', max_length=80)),
                ('begun_at', models.DateTimeField()),
                ('seen_at', models.DateTimeField(help_text='Last used; noted now and then.')),
            ],
            options={
                'ordering': ['-seen_at', '-pk'],
            },
        ),
        migrations.AddField(
            model_name='person',
            name='second_step_asked_at',
            field=models.DateTimeField(blank=True, help_text='When somebody who needs a second step at sign-in was first told so.', null=True),
        ),
        migrations.AddField(
            model_name='person',
            name='user_name',
            field=models.CharField(blank=True, help_text='Shorter to type than the address when signing in; empty: none.', max_length=40),
        ),
        migrations.AddConstraint(
            model_name='person',
            constraint=models.UniqueConstraint(django.db.models.functions.text.Lower('user_name'), condition=models.Q(('user_name', ''), _negated=True), name='person_user_name_unique'),
        ),
        migrations.AddConstraint(
            model_name='person',
            constraint=models.CheckConstraint(condition=models.Q(('user_name__contains', '@'), _negated=True), name='person_user_name_is_no_address'),
        ),
        migrations.AddField(
            model_name='opensession',
            name='person',
            field=models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='open_sessions', to=settings.AUTH_USER_MODEL),
        ),
    ]
