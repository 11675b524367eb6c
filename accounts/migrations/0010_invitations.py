import django.db.models.deletion
import django.utils.timezone
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('accounts', '0009_second_step'),
    ]

    operations = [
        migrations.CreateModel(
            name='Invitation',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('email', models.EmailField(max_length=254)),
                ('name', models.CharField(help_text='As the coordinator knows them; they may write it otherwise.', max_length=120)),
                ('phone', models.CharField(blank=True, max_length=40)),
                ('roles', models.JSONField(blank=True, default=list, help_text='Values of accounts.models.Role.')),
                ('token_hash', models.CharField(help_text='SHA-256 of what stands in the link.', max_length=64, unique=True)),
                ('made_at', models.DateTimeField(default=django.utils.timezone.now)),
                ('expires_at', models.DateTimeField()),
                ('ended_at', models.DateTimeField(blank=True, help_text='Taken up, or taken back.', null=True)),
                ('cooperative', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='invitations', to='accounts.cooperative')),
                ('made_by', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='invitations_made', to=settings.AUTH_USER_MODEL)),
                ('member', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.CASCADE, related_name='invitations', to='accounts.member')),
            ],
            options={
                'ordering': ['-made_at', '-pk'],
                'indexes': [models.Index(fields=['cooperative', 'ended_at'], name='invitation_open')],
            },
        ),
    ]
