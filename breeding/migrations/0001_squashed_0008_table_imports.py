import accounts.told
import django.core.validators
import django.db.models.deletion
import django.db.models.functions.datetime
import django.db.models.functions.text
import django.utils.timezone
import uuid
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    replaces = [('breeding', '0001_initial'), ('breeding', '0003_evaluation_trials_findings_state'), ('breeding', '0004_variance_estimates_adoptions'), ('breeding', '0005_values_fewer_indexes'), ('breeding', '0006_queen_merges'), ('breeding', '0007_told_checks_notes'), ('breeding', '0008_table_imports')]

    initial = True

    dependencies = [
        ('accounts', '0001_squashed_0012_webhooks'),
        ('accounts', '__first__'),
    ]

    operations = [
        migrations.CreateModel(
            name='Mating',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('kind', models.CharField(choices=[('single_drone', 'One single drone'), ('dpq', 'Drones of one drone-producing queen'), ('pool', 'Semen of several drone-producing queens, mixed for her alone'), ('batch', 'A homogenised batch shared with other queens'), ('station', 'Mating station (sister drone-producing queens)'), ('open', 'Open mating, drones not known')], max_length=12)),
                ('mated_on', models.DateField(blank=True, null=True)),
                ('total_tenths', models.PositiveIntegerField(blank=True, help_text='Volume in all, tenths of a µl; empty when the volume is not known.', null=True)),
                ('recorded_tenths', models.PositiveIntegerField(default=0, editable=False, help_text='Kept by the database.')),
                ('is_complete', models.BooleanField(default=False, help_text='All shares are written and sum up.')),
                ('drones', models.PositiveIntegerField(blank=True, help_text='Station or open mating: drones in all.', null=True)),
                ('station_queens', models.PositiveSmallIntegerField(blank=True, null=True)),
                ('place', models.CharField(blank=True, help_text='Station or open mating: where.', max_length=80)),
                ('recorded_at', models.DateTimeField(default=django.utils.timezone.now)),
            ],
            options={
                'ordering': ['-mated_on', 'queen'],
                'constraints': [models.CheckConstraint(condition=models.Q(('kind__in', ['single_drone', 'dpq', 'pool', 'batch', 'station', 'open'])), name='mating_known_kind'), models.CheckConstraint(condition=models.Q(('total_tenths__isnull', True), ('total_tenths__gt', 0), _connector='OR'), name='mating_volume'), models.CheckConstraint(condition=models.Q(('total_tenths__isnull', True), models.Q(('recorded_tenths__lte', models.F('total_tenths')), models.Q(('is_complete', False), ('recorded_tenths', models.F('total_tenths')), _connector='OR')), _connector='OR'), name='mating_shares_sum_up')],
            },
        ),
        migrations.CreateModel(
            name='Colony',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('name', models.CharField(help_text='Hive number or name at this apiary.', max_length=40)),
                ('established_on', models.DateField(blank=True, null=True)),
                ('ended_on', models.DateField(blank=True, null=True)),
                ('ended_reason', models.CharField(blank=True, max_length=120)),
                ('note', models.TextField(blank=True)),
                ('created_at', models.DateTimeField(default=django.utils.timezone.now)),
                ('apiary', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='colonies', to='accounts.apiary')),
            ],
            options={
                'verbose_name_plural': 'colonies',
                'ordering': ['apiary', 'name'],
                'constraints': [models.UniqueConstraint(models.F('apiary'), django.db.models.functions.text.Lower('name'), name='colony_name_unique'), models.CheckConstraint(condition=models.Q(('ended_on__isnull', True), ('established_on__isnull', True), ('ended_on__gte', models.F('established_on')), _connector='OR'), name='colony_dates_in_order')],
            },
        ),
        migrations.CreateModel(
            name='EvaluationHabit',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('nightly', models.BooleanField(default=True, help_text='At night, when scores changed since the last run.')),
                ('cooperative', models.OneToOneField(on_delete=django.db.models.deletion.CASCADE, related_name='evaluation_habit', to='accounts.cooperative')),
            ],
        ),
        migrations.CreateModel(
            name='EvaluationRun',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('number', models.PositiveIntegerField()),
                ('made_at', models.DateTimeField()),
                ('records_until', models.DateField(help_text='Scores up to this day took part.')),
                ('queens', models.PositiveIntegerField()),
                ('records', models.PositiveIntegerField()),
                ('parameters', models.JSONField(help_text='Variances, weights, fixed effects used.')),
                ('solver', models.JSONField(help_text='Method, residual, seconds.')),
                ('checks', accounts.told.ToldListField(default=list, help_text='What was checked and noticed, in words.')),
                ('findings', models.JSONField(blank=True, default=dict, help_text='Trend, and predictions held against results.')),
                ('is_trial', models.BooleanField(default=False, help_text='Kept beside the others; no page uses it unless asked to.')),
                ('cooperative', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='evaluation_runs', to='accounts.cooperative')),
                ('job', models.OneToOneField(blank=True, null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='evaluation_run', to='accounts.job')),
            ],
            options={
                'ordering': ['-number'],
                'constraints': [models.UniqueConstraint(fields=('cooperative', 'number'), name='evaluation_number_unique')],
            },
        ),
        migrations.CreateModel(
            name='EvaluationState',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('fingerprint', models.CharField(help_text='Of what it depends on: pedigree, records, variances.', max_length=64)),
                ('arrays', models.BinaryField(help_text='numpy .npz')),
                ('cooperative', models.OneToOneField(on_delete=django.db.models.deletion.CASCADE, related_name='evaluation_state', to='accounts.cooperative')),
                ('run', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='breeding.evaluationrun')),
            ],
        ),
        migrations.CreateModel(
            name='Line',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('name', models.CharField(max_length=60)),
                ('cooperative', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='lines', to='accounts.cooperative')),
            ],
            options={
                'ordering': ['name'],
                'constraints': [models.UniqueConstraint(models.F('cooperative'), django.db.models.functions.text.Lower('name'), name='line_name_unique')],
            },
        ),
        migrations.CreateModel(
            name='Queen',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('label', models.CharField(help_text="The cooperative's own name for her; unique.", max_length=40)),
                ('origin', models.CharField(blank=True, help_text='Where she came from, when her mother is not known.', max_length=60)),
                ('birth_year', models.PositiveSmallIntegerField(blank=True, null=True)),
                ('emerged_on', models.DateField(blank=True, null=True)),
                ('mark_number', models.CharField(blank=True, help_text='Number of her marking disc, if she has one.', max_length=8)),
                ('status', models.CharField(choices=[('virgin', 'Virgin'), ('mated', 'Mated'), ('gone', 'Gone')], default='virgin', max_length=8)),
                ('gone_on', models.DateField(blank=True, null=True)),
                ('gone_reason', models.CharField(blank=True, max_length=120)),
                ('note', models.TextField(blank=True)),
                ('created_at', models.DateTimeField(default=django.utils.timezone.now)),
                ('cooperative', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='queens', to='accounts.cooperative')),
                ('line', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='queens', to='breeding.line')),
                ('mother', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='daughters', to='breeding.queen')),
                ('owner', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='queens', to='accounts.member')),
            ],
            options={
                'ordering': ['label'],
                'constraints': [models.UniqueConstraint(models.F('cooperative'), django.db.models.functions.text.Lower('label'), name='queen_label_unique'), models.CheckConstraint(condition=models.Q(('mother', models.F('id')), _negated=True), name='queen_not_her_own_mother'), models.CheckConstraint(condition=models.Q(('gone_on__isnull', True), ('emerged_on__isnull', True), ('gone_on__gte', models.F('emerged_on')), _connector='OR'), name='queen_dates_in_order'), models.CheckConstraint(condition=models.Q(('status__in', ['virgin', 'mated', 'gone'])), name='queen_known_status'), models.CheckConstraint(condition=models.Q(('emerged_on__isnull', True), ('birth_year__isnull', True), ('birth_year', django.db.models.functions.datetime.ExtractYear('emerged_on')), _connector='OR'), name='queen_birth_year_is_emergence_year')],
            },
        ),
        migrations.CreateModel(
            name='PlannedCross',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('season_year', models.PositiveSmallIntegerField()),
                ('note', models.CharField(blank=True, max_length=200)),
                ('planned_at', models.DateTimeField(default=django.utils.timezone.now)),
                ('cooperative', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='planned_crosses', to='accounts.cooperative')),
                ('planned_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('mother', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='planned_crosses', to='breeding.queen')),
            ],
            options={
                'verbose_name_plural': 'planned crosses',
                'ordering': ['-season_year', 'mother'],
            },
        ),
        migrations.CreateModel(
            name='Merit',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('merit', models.FloatField(help_text='As a source of drones (own genes).')),
                ('merit_error', models.FloatField()),
                ('reliability', models.FloatField()),
                ('as_mother', models.FloatField(help_text="Merit of her daughters' mean.", null=True)),
                ('as_mother_error', models.FloatField(null=True)),
                ('place_best', models.PositiveIntegerField(help_text='Likely place: from …', null=True)),
                ('place_worst', models.PositiveIntegerField(help_text='… to.', null=True)),
                ('ranked', models.PositiveIntegerField(help_text='Of how many living queens.', null=True)),
                ('inbreeding', models.FloatField(default=0)),
                ('worker_inbreeding', models.FloatField(null=True)),
                ('known_generations', models.FloatField(default=0)),
                ('run', models.ForeignKey(db_index=False, on_delete=django.db.models.deletion.CASCADE, related_name='merits', to='breeding.evaluationrun')),
                ('queen', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='merits', to='breeding.queen')),
            ],
            options={
                'ordering': ['-merit', 'queen'],
                'indexes': [models.Index(fields=['run', '-merit'], name='merit_ranking')],
                'constraints': [models.UniqueConstraint(fields=('run', 'queen'), name='merit_once')],
            },
        ),
        migrations.CreateModel(
            name='MatingShare',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('volume_tenths', models.PositiveIntegerField(blank=True, null=True)),
                ('drones', models.PositiveIntegerField(blank=True, help_text='Drones that gave it, if counted.', null=True)),
                ('mating', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='shares', to='breeding.mating')),
                ('drone_queen', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='mating_shares', to='breeding.queen')),
            ],
            options={
                'ordering': ['pk'],
                'constraints': [models.UniqueConstraint(fields=('mating', 'drone_queen'), name='mating_share_once'), models.CheckConstraint(condition=models.Q(('volume_tenths__isnull', True), ('volume_tenths__gt', 0), _connector='OR'), name='mating_share_volume'), models.CheckConstraint(condition=models.Q(('drones__isnull', True), ('drones__gt', 0), _connector='OR'), name='mating_share_drones')],
            },
        ),
        migrations.AddField(
            model_name='mating',
            name='queen',
            field=models.OneToOneField(on_delete=django.db.models.deletion.CASCADE, related_name='mating', to='breeding.queen'),
        ),
        migrations.AddField(
            model_name='mating',
            name='station_mother',
            field=models.ForeignKey(blank=True, help_text="Mother of the station's drone-producing queens.", null=True, on_delete=django.db.models.deletion.PROTECT, related_name='station_matings', to='breeding.queen'),
        ),
        migrations.CreateModel(
            name='Heading',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('since', models.DateField()),
                ('until', models.DateField(blank=True, null=True)),
                ('colony', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='headings', to='breeding.colony')),
                ('queen', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='headings', to='breeding.queen')),
            ],
            options={
                'ordering': ['-since', '-pk'],
                'constraints': [models.UniqueConstraint(condition=models.Q(('until__isnull', True)), fields=('colony',), name='colony_has_one_queen_now'), models.UniqueConstraint(condition=models.Q(('until__isnull', True)), fields=('queen',), name='queen_heads_one_colony_now'), models.CheckConstraint(condition=models.Q(('until__isnull', True), ('until__gte', models.F('since')), _connector='OR'), name='heading_dates_in_order')],
            },
        ),
        migrations.CreateModel(
            name='CrossShare',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('share_permille', models.PositiveSmallIntegerField(default=1000)),
                ('cross', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='shares', to='breeding.plannedcross')),
                ('drone_queen', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='cross_shares', to='breeding.queen')),
            ],
            options={
                'ordering': ['pk'],
                'constraints': [models.UniqueConstraint(fields=('cross', 'drone_queen'), name='cross_share_once'), models.CheckConstraint(condition=models.Q(('share_permille__gt', 0), ('share_permille__lte', 1000)), name='cross_share_range')],
            },
        ),
        migrations.CreateModel(
            name='QueenMerge',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('other_id', models.BigIntegerField(help_text='Of the row that went; her address leads to the other one.')),
                ('other_label', models.CharField(max_length=40)),
                ('merged_at', models.DateTimeField()),
                ('before', models.JSONField(help_text='Columns of the kept row before.')),
                ('after', models.JSONField(help_text='Columns of the kept row after.')),
                ('other', models.JSONField(help_text='Columns of the row that went.')),
                ('moved', models.JSONField(help_text="By column that names a queen: the rows that were the other's.")),
                ('own', models.JSONField(help_text="By column that names a queen: the rows that were the kept one's before.")),
                ('removed', models.JSONField(default=list, help_text='Rows that said the same twice, whole, in their order.')),
                ('undone_at', models.DateTimeField(blank=True, null=True)),
                ('cooperative', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='queen_merges', to='accounts.cooperative')),
                ('kept', models.ForeignKey(help_text='Who has everything now.', on_delete=django.db.models.deletion.CASCADE, related_name='merges', to='breeding.queen')),
                ('merged_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('undone_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['-pk'],
                'indexes': [models.Index(fields=['other_id'], name='queen_merge_of_other')],
            },
        ),
        migrations.CreateModel(
            name='SemenBatch',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('label', models.CharField(max_length=60)),
                ('made_on', models.DateField(blank=True, null=True)),
                ('total_tenths', models.PositiveIntegerField(help_text='Volume, tenths of a µl.')),
                ('recorded_tenths', models.PositiveIntegerField(default=0, editable=False, help_text='Kept by the database.')),
                ('is_complete', models.BooleanField(default=False, help_text='All shares are written and sum up.')),
                ('cooperative', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='semen_batches', to='accounts.cooperative')),
            ],
            options={
                'verbose_name_plural': 'semen batches',
                'ordering': ['-made_on', 'label'],
                'constraints': [models.UniqueConstraint(fields=('cooperative', 'label'), name='semen_batch_label_unique'), models.CheckConstraint(condition=models.Q(('total_tenths__gt', 0)), name='semen_batch_has_volume'), models.CheckConstraint(condition=models.Q(('recorded_tenths__lte', models.F('total_tenths')), models.Q(('is_complete', False), ('recorded_tenths', models.F('total_tenths')), _connector='OR')), name='semen_batch_shares_sum_up')],
            },
        ),
        migrations.AddField(
            model_name='mating',
            name='shared_batch',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='matings', to='breeding.semenbatch'),
        ),
        migrations.CreateModel(
            name='SemenBatchShare',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('volume_tenths', models.PositiveIntegerField()),
                ('drones', models.PositiveIntegerField(blank=True, help_text='Drones that gave it, if counted.', null=True)),
                ('batch', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='shares', to='breeding.semenbatch')),
                ('drone_queen', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='batch_shares', to='breeding.queen')),
            ],
            options={
                'ordering': ['pk'],
                'constraints': [models.UniqueConstraint(fields=('batch', 'drone_queen'), name='batch_share_once'), models.CheckConstraint(condition=models.Q(('volume_tenths__gt', 0)), name='batch_share_has_volume'), models.CheckConstraint(condition=models.Q(('drones__isnull', True), ('drones__gt', 0), _connector='OR'), name='batch_share_drones')],
            },
        ),
        migrations.CreateModel(
            name='TableImport',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('kind', models.CharField(help_text='Key in IMPORT_KINDS of the settings.', max_length=12)),
                ('state', models.CharField(choices=[('reading', 'Being read'), ('matching', 'Columns to match'), ('checked', 'To be looked at'), ('done', 'Imported'), ('undone', 'Undone')], default='reading', max_length=8)),
                ('file_name', models.CharField(max_length=120)),
                ('digest', models.CharField(help_text='SHA-256 of the file: the same file twice is noticed.', max_length=64)),
                ('content', models.BinaryField(default=bytes, help_text='The file as it was sent, until it is read.')),
                ('sheet', models.BinaryField(default=bytes, help_text='Its cells, compressed, until they are imported.')),
                ('rows', models.PositiveIntegerField(default=0)),
                ('matched', models.JSONField(blank=True, default=dict, help_text='Field to the number of its column.')),
                ('day_order', models.CharField(blank=True, help_text="dmy, mdy; empty: by the person's language.", max_length=4)),
                ('version', models.PositiveIntegerField(default=1, help_text='Counts every look; only the latest can be imported.')),
                ('preview', models.JSONField(blank=True, default=dict, help_text='What it would make, and a fingerprint of that.')),
                ('problems', models.JSONField(blank=True, default=list, help_text='[line, field, text] each.')),
                ('made', models.JSONField(blank=True, default=dict, help_text='Ids of what it made, by model.')),
                ('uploaded_at', models.DateTimeField()),
                ('imported_at', models.DateTimeField(blank=True, null=True)),
                ('undone_at', models.DateTimeField(blank=True, null=True)),
                ('cooperative', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='table_imports', to='accounts.cooperative')),
                ('imported_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('job', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to='accounts.job')),
                ('member', models.ForeignKey(blank=True, help_text='Of rows that name no member.', null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to='accounts.member')),
                ('undone_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('uploaded_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'verbose_name': 'import',
                'ordering': ['-uploaded_at', '-pk'],
                'indexes': [models.Index(fields=['cooperative', 'digest'], name='import_same_file')],
                'constraints': [models.CheckConstraint(condition=models.Q(('state__in', ['reading', 'matching', 'checked', 'done', 'undone'])), name='import_known_state'), models.CheckConstraint(condition=models.Q(models.Q(('imported_at__isnull', False), ('state__in', ['done', 'undone'])), models.Q(('imported_at__isnull', True), ('state__in', ['reading', 'matching', 'checked'])), _connector='OR'), name='import_done_has_moment'), models.CheckConstraint(condition=models.Q(models.Q(('state', 'undone'), ('undone_at__isnull', False)), models.Q(('undone_at__isnull', True), models.Q(('state', 'undone'), _negated=True)), _connector='OR'), name='import_undone_has_moment')],
            },
        ),
        migrations.CreateModel(
            name='Trait',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('key', models.CharField(help_text='Key in breeding.scoring, which holds scale and anchors.', max_length=30)),
                ('name', models.CharField(max_length=60)),
                ('unit', models.CharField(max_length=20)),
                ('season_rule', models.CharField(choices=[('mean', 'mean of all'), ('lowest', 'lowest of all'), ('sum', 'sum of all'), ('ratio', 'sum over sum')], max_length=8)),
                ('high_is_good', models.BooleanField(default=True)),
                ('in_evaluation', models.BooleanField(default=True)),
                ('merit_weight', models.DecimalField(decimal_places=2, default=0, max_digits=4, validators=[django.core.validators.MinValueValidator(0), django.core.validators.MaxValueValidator(1)])),
                ('phenotypic_sd', models.DecimalField(decimal_places=3, help_text='Starting value, in the unit.', max_digits=8)),
                ('h2_worker', models.DecimalField(decimal_places=3, max_digits=4)),
                ('h2_queen', models.DecimalField(decimal_places=3, max_digits=4)),
                ('correlation_worker_queen', models.DecimalField(decimal_places=3, max_digits=4)),
                ('position', models.PositiveSmallIntegerField(default=0)),
                ('cooperative', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='traits', to='accounts.cooperative')),
            ],
            options={
                'ordering': ['position', 'pk'],
                'constraints': [models.UniqueConstraint(fields=('cooperative', 'key'), name='trait_key_unique'), models.CheckConstraint(condition=models.Q(('season_rule__in', ['mean', 'lowest', 'sum', 'ratio'])), name='trait_known_rule'), models.CheckConstraint(condition=models.Q(('phenotypic_sd__gt', 0)), name='trait_sd_positive'), models.CheckConstraint(condition=models.Q(('h2_queen__gte', 0), ('h2_queen__lt', 1), ('h2_worker__gte', 0), ('h2_worker__lt', 1), ('correlation_worker_queen__gt', -1), ('correlation_worker_queen__lt', 1)), name='trait_parameters_possible')],
            },
        ),
        migrations.CreateModel(
            name='Score',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('scored_on', models.DateField()),
                ('value', models.DecimalField(decimal_places=3, help_text="In the trait's unit.", max_digits=9)),
                ('part', models.PositiveIntegerField(blank=True, help_text='Counted part, e.g. cells cleaned, mites.', null=True)),
                ('whole', models.PositiveIntegerField(blank=True, help_text='Counted whole, e.g. cells pierced, bees.', null=True)),
                ('method', models.CharField(blank=True, help_text='E.g. pin test; never mixed in one result.', max_length=40)),
                ('hours', models.DecimalField(blank=True, decimal_places=1, help_text='Reading time.', max_digits=4, null=True)),
                ('recorded_at', models.DateTimeField()),
                ('entry', models.UUIDField(default=uuid.uuid4, help_text='Sent twice, kept once.', unique=True)),
                ('withdrawn_at', models.DateTimeField(blank=True, null=True)),
                ('note', models.CharField(blank=True, max_length=200)),
                ('colony', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='scores', to='breeding.colony')),
                ('queen', models.ForeignKey(help_text='Who headed it that day.', on_delete=django.db.models.deletion.PROTECT, related_name='scores', to='breeding.queen')),
                ('replaced_by', models.OneToOneField(blank=True, null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='replaces', to='breeding.score')),
                ('scored_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('trait', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='scores', to='breeding.trait')),
            ],
            options={
                'ordering': ['-scored_on', '-pk'],
                'indexes': [models.Index(fields=['trait', 'queen'], name='score_by_trait_queen')],
                'constraints': [models.UniqueConstraint(condition=models.Q(('replaced_by__isnull', True), ('withdrawn_at__isnull', True)), fields=('colony', 'trait', 'scored_on', 'method'), name='score_once_a_day'), models.CheckConstraint(condition=models.Q(models.Q(('part__isnull', True), ('whole__isnull', True)), models.Q(('part__isnull', False), ('whole__gt', 0), ('whole__isnull', False)), _connector='OR'), name='score_part_has_whole')],
            },
        ),
        migrations.CreateModel(
            name='TraitValue',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('worker', models.FloatField(help_text='Her own worker effect.')),
                ('queen_effect', models.FloatField(help_text='Her own queen effect.')),
                ('total', models.FloatField(help_text='Worker + queen effect of her own genes: as a source of drones.')),
                ('total_error', models.FloatField()),
                ('total_reliability', models.FloatField()),
                ('as_mother', models.FloatField(help_text="Mean of her daughters (her worker group's values).", null=True)),
                ('as_mother_error', models.FloatField(null=True)),
                ('performance', models.FloatField(help_text='Expected of her colony: worker group + queen.', null=True)),
                ('performance_error', models.FloatField(null=True)),
                ('performance_reliability', models.FloatField(null=True)),
                ('records', models.PositiveSmallIntegerField(default=0, help_text='Season results of her own colony.')),
                ('queen', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='trait_values', to='breeding.queen')),
                ('run', models.ForeignKey(db_index=False, on_delete=django.db.models.deletion.CASCADE, related_name='trait_values', to='breeding.evaluationrun')),
                ('trait', models.ForeignKey(db_index=False, on_delete=django.db.models.deletion.CASCADE, related_name='values', to='breeding.trait')),
            ],
            options={
                'ordering': ['run', 'queen', 'trait'],
                'constraints': [models.UniqueConstraint(fields=('run', 'queen', 'trait'), name='trait_value_once')],
            },
        ),
        migrations.CreateModel(
            name='VarianceEstimate',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('number', models.PositiveIntegerField()),
                ('made_at', models.DateTimeField()),
                ('records_until', models.DateField(help_text='Scores up to this day took part.')),
                ('queens', models.PositiveIntegerField()),
                ('records', models.PositiveIntegerField()),
                ('traits', models.JSONField(help_text='By trait key: estimates with errors, tests, how the search ended.')),
                ('matrices', models.JSONField(help_text='Traits in order, G0, R0, permanent: of the traits that can be adopted.')),
                ('together', models.JSONField(blank=True, default=dict, help_text='Correlations between traits, if asked for.')),
                ('notes', accounts.told.ToldListField(blank=True, default=list, help_text='What was noticed in the data, in words.')),
                ('seconds', models.FloatField(default=0)),
                ('cooperative', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='variance_estimates', to='accounts.cooperative')),
                ('job', models.OneToOneField(blank=True, null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='variance_estimate', to='accounts.job')),
            ],
            options={
                'ordering': ['-number'],
                'constraints': [models.UniqueConstraint(fields=('cooperative', 'number'), name='variance_estimate_number_unique')],
            },
        ),
        migrations.CreateModel(
            name='VarianceAdoption',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('traits', models.JSONField(default=list, help_text='Keys of the traits that take the estimate.')),
                ('adopted_at', models.DateTimeField()),
                ('adopted_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('cooperative', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='variance_adoptions', to='accounts.cooperative')),
                ('estimate', models.ForeignKey(blank=True, help_text='Empty: back to the starting values.', null=True, on_delete=django.db.models.deletion.RESTRICT, related_name='adoptions', to='breeding.varianceestimate')),
            ],
            options={
                'ordering': ['-pk'],
            },
        ),
        migrations.AddConstraint(
            model_name='mating',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('kind', 'batch'), ('shared_batch__isnull', False)), models.Q(models.Q(('kind', 'batch'), _negated=True), ('shared_batch__isnull', True)), _connector='OR'), name='mating_batch_only_when_shared'),
        ),
    ]
