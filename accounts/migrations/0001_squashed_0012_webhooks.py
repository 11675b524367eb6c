import accounts.told
import datetime
import django.db.models.deletion
import django.db.models.functions.text
import django.utils.timezone
import uuid
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    replaces = [('accounts', '0001_initial'), ('accounts', '0002_reminder_wishes'), ('accounts', '0003_ways_out'), ('accounts', '0005_saved_views'), ('accounts', '0006_programs'), ('accounts', '0007_job_request_id'), ('accounts', '0008_languages'), ('accounts', '0009_second_step'), ('accounts', '0010_invitations'), ('accounts', '0011_guest_links'), ('accounts', '0012_webhooks')]

    initial = True

    dependencies = [
        ('auth', '0012_alter_user_first_name_max_length'),
    ]

    operations = [
        migrations.CreateModel(
            name='KeptMail',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('sent_at', models.DateTimeField(default=django.utils.timezone.now)),
                ('to', models.EmailField(db_index=True, max_length=254)),
                ('subject', models.CharField(max_length=250)),
                ('text', models.TextField()),
                ('html', models.TextField(blank=True)),
                ('message_id', models.CharField(db_index=True, max_length=200)),
            ],
            options={
                'ordering': ['-sent_at', '-pk'],
            },
        ),
        migrations.CreateModel(
            name='Slowdown',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('key', models.CharField(help_text='What is slowed down; addresses only as a digest.', max_length=90, unique=True)),
                ('tries', models.PositiveIntegerField(default=0)),
                ('last_at', models.DateTimeField(db_index=True)),
                ('free_at', models.DateTimeField()),
            ],
            options={
                'ordering': ['key'],
            },
        ),
        migrations.CreateModel(
            name='Person',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('password', models.CharField(max_length=128, verbose_name='password')),
                ('last_login', models.DateTimeField(blank=True, null=True, verbose_name='last login')),
                ('is_superuser', models.BooleanField(default=False, help_text='Designates that this user has all permissions without explicitly assigning them.', verbose_name='superuser status')),
                ('email', models.EmailField(max_length=254, unique=True, verbose_name='e-mail')),
                ('user_name', models.CharField(blank=True, help_text='Shorter to type than the address when signing in; empty: none.', max_length=40)),
                ('name', models.CharField(max_length=120)),
                ('phone', models.CharField(blank=True, max_length=40)),
                ('time_zone', models.CharField(blank=True, help_text="Empty: the cooperative's zone.", max_length=64)),
                ('language', models.CharField(blank=True, choices=[('en-gb', 'English'), ('de', 'Deutsch'), ('fr', 'Français'), ('es', 'Español')], help_text="Empty: not chosen yet; the browser's, and in messages the cooperative's.", max_length=10)),
                ('quiet_from', models.TimeField(blank=True, default=datetime.time(21, 0), help_text='Local. Routine reminders wait from here on; empty: never.', null=True)),
                ('quiet_until', models.TimeField(blank=True, default=datetime.time(7, 0), help_text='Local. And are sent then.', null=True)),
                ('summary_at', models.TimeField(blank=True, help_text='Local. Routine reminders come in one mail a day at this time; empty: singly.', null=True)),
                ('reminders_paused_until', models.DateTimeField(blank=True, help_text='Nothing leaves the app for this person until then; others are told instead.', null=True)),
                ('is_active', models.BooleanField(default=True)),
                ('is_staff', models.BooleanField(default=False, help_text='May use the administration pages.')),
                ('date_joined', models.DateTimeField(default=django.utils.timezone.now)),
                ('second_step_asked_at', models.DateTimeField(blank=True, help_text='When somebody who needs a second step at sign-in was first told so.', null=True)),
                ('groups', models.ManyToManyField(blank=True, help_text='The groups this user belongs to. A user will get all permissions granted to each of their groups.', related_name='user_set', related_query_name='user', to='auth.group', verbose_name='groups')),
                ('user_permissions', models.ManyToManyField(blank=True, help_text='Specific permissions for this user.', related_name='user_set', related_query_name='user', to='auth.permission', verbose_name='user permissions')),
            ],
            options={
                'verbose_name_plural': 'people',
                'ordering': ['name', 'pk'],
                'constraints': [models.UniqueConstraint(django.db.models.functions.text.Lower('email'), name='person_email_unique'), models.UniqueConstraint(django.db.models.functions.text.Lower('user_name'), condition=models.Q(('user_name', ''), _negated=True), name='person_user_name_unique'), models.CheckConstraint(condition=models.Q(('user_name__contains', '@'), _negated=True), name='person_user_name_is_no_address')],
            },
        ),
        migrations.CreateModel(
            name='ApiAnswer',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('key', models.CharField(max_length=100)),
                ('fingerprint', models.CharField(help_text='SHA-256 of method, path, cooperative and body.', max_length=64)),
                ('begun_at', models.DateTimeField()),
                ('status', models.PositiveSmallIntegerField(blank=True, help_text='Empty: in progress.', null=True)),
                ('body', models.JSONField(blank=True, null=True)),
                ('headers', models.JSONField(blank=True, default=dict)),
                ('person', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='api_answers', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['pk'],
                'indexes': [models.Index(fields=['begun_at'], name='api_answer_age')],
                'constraints': [models.UniqueConstraint(fields=('person', 'key'), name='api_answer_once')],
            },
        ),
        migrations.CreateModel(
            name='Cooperative',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('name', models.CharField(max_length=120, unique=True)),
                ('time_zone', models.CharField(default='Europe/Berlin', max_length=64)),
                ('language', models.CharField(choices=[('en-gb', 'English'), ('de', 'Deutsch'), ('fr', 'Français'), ('es', 'Español')], default='en-gb', help_text='Of messages to people who have not chosen theirs.', max_length=10)),
                ('is_practice', models.BooleanField(default=False, help_text='Made-up data that can be removed in one go.')),
                ('deputy_after_min', models.PositiveSmallIntegerField(default=15, help_text='Critical moment not acknowledged: the deputy is told after this long. Minutes.')),
                ('coordinator_after_min', models.PositiveSmallIntegerField(default=45, help_text='And the coordinators after this long. Minutes.')),
                ('deputy_after_day_min', models.PositiveSmallIntegerField(default=360, help_text='The same for what has the whole day, counted from the morning. Minutes.')),
                ('coordinator_after_day_min', models.PositiveSmallIntegerField(default=540, help_text='Minutes.')),
                ('created_at', models.DateTimeField(default=django.utils.timezone.now)),
            ],
            options={
                'ordering': ['name'],
                'constraints': [models.CheckConstraint(condition=models.Q(('coordinator_after_day_min__lte', 840), ('coordinator_after_min__lte', 240), ('deputy_after_day_min__gte', 60), ('deputy_after_day_min__lt', models.F('coordinator_after_day_min')), ('deputy_after_min__gte', 5), ('deputy_after_min__lt', models.F('coordinator_after_min'))), name='cooperative_passes_on_in_order')],
            },
        ),
        migrations.CreateModel(
            name='AuditEntry',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('at', models.DateTimeField()),
                ('by_name', models.CharField(help_text='As it was then; the person may leave.', max_length=120)),
                ('action', models.CharField(max_length=60)),
                ('subject_type', models.CharField(max_length=40)),
                ('subject_id', models.BigIntegerField()),
                ('subject_name', models.CharField(blank=True, max_length=160)),
                ('before', models.JSONField(blank=True, default=dict)),
                ('after', models.JSONField(blank=True, default=dict)),
                ('note', models.TextField(blank=True)),
                ('by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('cooperative', models.ForeignKey(null=True, on_delete=django.db.models.deletion.CASCADE, related_name='audit_entries', to='accounts.cooperative')),
            ],
            options={
                'verbose_name_plural': 'audit entries',
                'ordering': ['-at', '-pk'],
                'indexes': [models.Index(fields=['subject_type', 'subject_id', '-at'], name='audit_by_subject'), models.Index(fields=['cooperative', '-at'], name='audit_by_time')],
            },
        ),
        migrations.CreateModel(
            name='ApiToken',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('name', models.CharField(help_text="What uses it, in its owner's words.", max_length=80)),
                ('scopes', models.JSONField(default=list, help_text='Values of accounts.models.Scope.')),
                ('token_hash', models.CharField(help_text='SHA-256 of the key.', max_length=64, unique=True)),
                ('begins', models.CharField(help_text='First characters of the key, to tell it from others.', max_length=12)),
                ('made_at', models.DateTimeField()),
                ('expires_at', models.DateTimeField(blank=True, null=True)),
                ('ended_at', models.DateTimeField(blank=True, null=True)),
                ('last_used_at', models.DateTimeField(blank=True, null=True)),
                ('person', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='api_tokens', to=settings.AUTH_USER_MODEL)),
                ('cooperative', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='api_tokens', to='accounts.cooperative')),
            ],
            options={
                'ordering': ['-made_at', '-pk'],
                'indexes': [models.Index(fields=['person', 'ended_at'], name='api_token_of_person')],
            },
        ),
        migrations.CreateModel(
            name='Gateway',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('url', models.CharField(max_length=500)),
                ('secret', models.CharField(help_text='Signs each call; shown when it is made.', max_length=64)),
                ('made_at', models.DateTimeField()),
                ('is_on', models.BooleanField(default=True)),
                ('last_good_at', models.DateTimeField(blank=True, null=True)),
                ('last_problem', models.CharField(blank=True, max_length=300)),
                ('last_problem_at', models.DateTimeField(blank=True, null=True)),
                ('cooperative', models.OneToOneField(on_delete=django.db.models.deletion.CASCADE, related_name='gateway', to='accounts.cooperative')),
            ],
            options={
                'ordering': ['cooperative'],
            },
        ),
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
        migrations.CreateModel(
            name='Job',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('kind', models.CharField(max_length=30)),
                ('key', models.UUIDField(default=uuid.uuid4, help_text='Same key, same job: asking twice is safe.', unique=True)),
                ('arguments', models.JSONField(default=dict)),
                ('state', models.CharField(choices=[('in_line', 'In line'), ('reading', 'Reading'), ('working', 'Working out'), ('checking', 'Checking'), ('ready', 'Ready'), ('stopped', 'Stopped')], default='in_line', max_length=10)),
                ('step', accounts.told.ToldField(blank=True, help_text='What it is doing, in words.')),
                ('done_share', models.FloatField(blank=True, help_text='0 to 1, where it is known.', null=True)),
                ('best', models.JSONField(blank=True, default=dict, help_text='Best result so far, for the waiting page.')),
                ('result', models.JSONField(blank=True, default=dict)),
                ('problem', accounts.told.ToldField(blank=True, help_text='Why it stopped, for a person.')),
                ('requested_at', models.DateTimeField()),
                ('request_id', models.CharField(blank=True, help_text='Of the request that asked, for the log.', max_length=64)),
                ('started_at', models.DateTimeField(blank=True, null=True)),
                ('finished_at', models.DateTimeField(blank=True, null=True)),
                ('lease_until', models.DateTimeField(blank=True, null=True)),
                ('lease_token', models.UUIDField(blank=True, help_text='Who holds it: a doubled run cannot write.', null=True)),
                ('attempts', models.PositiveSmallIntegerField(default=0)),
                ('stop_requested_at', models.DateTimeField(blank=True, null=True)),
                ('cooperative', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='jobs', to='accounts.cooperative')),
                ('requested_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['-requested_at', '-pk'],
                'indexes': [models.Index(fields=['state', 'lease_until'], name='job_open')],
                'constraints': [models.CheckConstraint(condition=models.Q(('state__in', ['in_line', 'reading', 'working', 'checking', 'ready', 'stopped'])), name='job_known_state'), models.CheckConstraint(condition=models.Q(('finished_at__isnull', True), ('state__in', ['ready', 'stopped']), _connector='OR'), name='job_finished_has_end_state')],
            },
        ),
        migrations.CreateModel(
            name='Member',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('name', models.CharField(max_length=120)),
                ('left_on', models.DateField(blank=True, null=True)),
                ('created_at', models.DateTimeField(default=django.utils.timezone.now)),
                ('cooperative', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='members', to='accounts.cooperative')),
                ('deputy', models.ForeignKey(blank=True, help_text='Is told when nobody of the member answers.', null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='deputy_for', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['name'],
                'constraints': [models.UniqueConstraint(models.F('cooperative'), django.db.models.functions.text.Lower('name'), name='member_name_unique')],
            },
        ),
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
        migrations.CreateModel(
            name='Apiary',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('name', models.CharField(max_length=80)),
                ('place', models.CharField(blank=True, help_text='How to find it; shown to the coordinator.', max_length=120)),
                ('registration_number', models.CharField(blank=True, help_text='As given by your veterinary authority, if it gives one.', max_length=60)),
                ('time_zone', models.CharField(blank=True, help_text="Empty: the cooperative's zone.", max_length=64)),
                ('closed_on', models.DateField(blank=True, null=True)),
                ('created_at', models.DateTimeField(default=django.utils.timezone.now)),
                ('member', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='apiaries', to='accounts.member')),
            ],
            options={
                'verbose_name_plural': 'apiaries',
                'ordering': ['name'],
                'constraints': [models.UniqueConstraint(models.F('member'), django.db.models.functions.text.Lower('name'), name='apiary_name_unique')],
            },
        ),
        migrations.CreateModel(
            name='MemberPerson',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('since', models.DateTimeField(default=django.utils.timezone.now)),
                ('member', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='member_persons', to='accounts.member')),
                ('person', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='member_persons', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'constraints': [models.UniqueConstraint(fields=('member', 'person'), name='member_person_once')],
            },
        ),
        migrations.AddField(
            model_name='member',
            name='persons',
            field=models.ManyToManyField(related_name='members', through='accounts.MemberPerson', to=settings.AUTH_USER_MODEL),
        ),
        migrations.CreateModel(
            name='NotificationWish',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('kind', models.CharField(max_length=40)),
                ('channel', models.CharField(choices=[('inbox', 'In the app'), ('mail', 'E-mail'), ('push', 'On this device'), ('gateway', 'Text message')], max_length=8)),
                ('wanted', models.BooleanField(default=True)),
                ('person', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='notification_wishes', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'constraints': [models.UniqueConstraint(fields=('person', 'kind', 'channel'), name='notification_wish_once'), models.CheckConstraint(condition=models.Q(('channel__in', ['inbox', 'mail', 'push', 'gateway'])), name='notification_wish_channel')],
            },
        ),
        migrations.CreateModel(
            name='OpenSession',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('session_key', models.CharField(max_length=40, unique=True)),
                ('device', models.CharField(help_text='Browser and system, as the browser names itself.', max_length=80)),
                ('begun_at', models.DateTimeField()),
                ('seen_at', models.DateTimeField(help_text='Last used; noted now and then.')),
                ('person', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='open_sessions', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['-seen_at', '-pk'],
            },
        ),
        migrations.CreateModel(
            name='PushDevice',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('endpoint', models.CharField(max_length=1000, unique=True)),
                ('p256dh', models.CharField(help_text="The browser's public key, base64url.", max_length=100)),
                ('auth', models.CharField(help_text="The browser's shared secret, base64url.", max_length=40)),
                ('name', models.CharField(help_text='How its owner tells it from others.', max_length=80)),
                ('made_at', models.DateTimeField()),
                ('last_sent_at', models.DateTimeField(blank=True, null=True)),
                ('ended_at', models.DateTimeField(blank=True, help_text='Switched off, or gone.', null=True)),
                ('person', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='push_devices', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['pk'],
                'indexes': [models.Index(fields=['person', 'ended_at'], name='push_device_of_person')],
            },
        ),
        migrations.CreateModel(
            name='ReminderLead',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('kind', models.CharField(max_length=40)),
                ('minutes', models.PositiveIntegerField(help_text='Before the moment it is due. Minutes.')),
                ('person', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='reminder_leads', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'constraints': [models.UniqueConstraint(fields=('person', 'kind'), name='reminder_lead_once'), models.CheckConstraint(condition=models.Q(('minutes__gte', 15), ('minutes__lte', 20160)), name='reminder_lead_bounds')],
            },
        ),
        migrations.CreateModel(
            name='RoleGrant',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('role', models.CharField(choices=[('coordinator', 'Coordinator'), ('breeder', 'Breeder'), ('operator', 'Bench operator')], max_length=16)),
                ('granted_at', models.DateTimeField(default=django.utils.timezone.now)),
                ('cooperative', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='role_grants', to='accounts.cooperative')),
                ('person', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='role_grants', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['role', 'person'],
                'constraints': [models.UniqueConstraint(fields=('person', 'cooperative', 'role'), name='role_grant_once'), models.CheckConstraint(condition=models.Q(('role__in', ['coordinator', 'breeder', 'operator'])), name='role_grant_known_role')],
            },
        ),
        migrations.CreateModel(
            name='SavedView',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('page', models.CharField(help_text='Key of the page, as in `accounts.saved_views`.', max_length=30)),
                ('name', models.CharField(max_length=60)),
                ('query', models.CharField(blank=True, help_text='What stands behind the ? of the address.', max_length=500)),
                ('made_at', models.DateTimeField()),
                ('removed_at', models.DateTimeField(blank=True, null=True)),
                ('cooperative', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='accounts.cooperative')),
                ('person', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='saved_views', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['name', 'pk'],
                'constraints': [models.UniqueConstraint(models.F('person'), models.F('cooperative'), models.F('page'), django.db.models.functions.text.Lower('name'), condition=models.Q(('removed_at__isnull', True)), name='saved_view_name_unique')],
            },
        ),
        migrations.CreateModel(
            name='Webhook',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('name', models.CharField(help_text='What listens there, in the words of whoever set it up.', max_length=80)),
                ('url', models.CharField(max_length=500)),
                ('events', models.JSONField(default=list, help_text='Keys of accounts.webhooks.EVENTS.')),
                ('secret', models.CharField(help_text='Signs each call; shown when it is made.', max_length=80)),
                ('old_secret', models.CharField(blank=True, help_text='Signs beside it for a while.', max_length=80)),
                ('old_secret_until', models.DateTimeField(blank=True, null=True)),
                ('made_at', models.DateTimeField()),
                ('is_on', models.BooleanField(default=True)),
                ('ended_at', models.DateTimeField(blank=True, null=True)),
                ('failures', models.PositiveIntegerField(default=0, help_text='Calls in a row that did not get through.')),
                ('failing_since', models.DateTimeField(blank=True, null=True)),
                ('rest_until', models.DateTimeField(blank=True, help_text='No call before.', null=True)),
                ('last_good_at', models.DateTimeField(blank=True, null=True)),
                ('last_problem', models.CharField(blank=True, max_length=300)),
                ('cooperative', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='webhooks', to='accounts.cooperative')),
                ('made_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['name', 'pk'],
                'indexes': [models.Index(fields=['cooperative', 'is_on'], name='webhook_of_cooperative')],
            },
        ),
        migrations.CreateModel(
            name='WebhookDelivery',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('key', models.UUIDField(default=uuid.uuid4, help_text='What the receiver knows a repeat by.', unique=True)),
                ('event', models.CharField(max_length=60)),
                ('body', models.TextField(help_text='As it is sent, to the letter.')),
                ('made_at', models.DateTimeField()),
                ('state', models.CharField(choices=[('waiting', 'Waits'), ('sending', 'Sending'), ('sent', 'Sent'), ('given_up', 'Given up')], default='waiting', max_length=10)),
                ('attempts', models.PositiveSmallIntegerField(default=0)),
                ('next_try_at', models.DateTimeField()),
                ('claim', models.UUIDField(blank=True, help_text='Of the worker that holds the lease.', null=True)),
                ('lease_until', models.DateTimeField(blank=True, null=True)),
                ('tried_at', models.DateTimeField(blank=True, null=True)),
                ('sent_at', models.DateTimeField(blank=True, null=True)),
                ('answered', models.PositiveSmallIntegerField(blank=True, help_text='Status of the last answer.', null=True)),
                ('problem', models.CharField(blank=True, max_length=300)),
                ('webhook', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='deliveries', to='accounts.webhook')),
            ],
            options={
                'verbose_name_plural': 'webhook deliveries',
                'ordering': ['-pk'],
                'indexes': [models.Index(fields=['state', 'next_try_at'], name='webhook_delivery_open'), models.Index(fields=['made_at'], name='webhook_delivery_age')],
                'constraints': [models.CheckConstraint(condition=models.Q(('state__in', ['waiting', 'sending', 'sent', 'given_up'])), name='webhook_known_state'), models.CheckConstraint(condition=models.Q(models.Q(('state', 'sent'), _negated=True), ('sent_at__isnull', False), _connector='OR'), name='webhook_sent_when')],
            },
        ),
    ]
