import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('accounts', '0010_invitations'),
    ]

    operations = [
        migrations.CreateModel(
            name='GuestLink',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('subject_type', models.CharField(help_text='Kind of thing the card is about, as in the history.', max_length=40)),
                ('subject_id', models.BigIntegerField()),
                ('name', models.CharField(help_text='What it is for, in the words of whoever made it.', max_length=80)),
                ('token_hash', models.CharField(help_text='SHA-256 of what stands in the link.', max_length=64, unique=True)),
                ('made_at', models.DateTimeField()),
                ('expires_at', models.DateTimeField()),
                ('ended_at', models.DateTimeField(blank=True, null=True)),
                ('last_used_at', models.DateTimeField(blank=True, null=True)),
                ('cooperative', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='guest_links', to='accounts.cooperative')),
                ('made_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['-made_at', '-pk'],
                'indexes': [models.Index(fields=['subject_type', 'subject_id', 'ended_at'], name='guest_link_of_thing')],
            },
        ),
    ]
