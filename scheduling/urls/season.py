from django.urls import path

from scheduling.views import batches, lines, season, sources

urlpatterns = [
    path("lines/", lines.season_lines, name="lines"),
    path("season/settings/", season.settings_page, name="settings"),
    path("season/new/", season.season_add, name="season_add"),
    path("season/<int:pk>/settings/<slug:key>/", season.setting, name="setting"),
    path("season/<int:pk>/settings/<slug:key>/reset/", season.setting_reset, name="setting_reset"),
    path("batches/", batches.batch_list, name="batches"),
    path("batches/new/", batches.batch_new, name="batch_add"),
    path("batches/<int:pk>/", batches.batch_card, name="batch"),
    path("batches/<int:pk>/edit/", batches.batch_change, name="batch_edit"),
    path("batches/<int:pk>/bench-day/", batches.batch_plan_anew, name="batch_replan"),
    path("batches/<int:pk>/close/", batches.batch_end, name="batch_close"),
    path("batches/<int:pk>/reopen/", batches.batch_open_again, name="batch_reopen"),
    path("batches/<int:pk>/<slug:step>/", batches.batch_step, name="batch_step"),
    path("batches/<int:pk>/<slug:step>/take-back/", batches.batch_step_withdraw, name="batch_step_withdraw"),
    path("batch-queens/<int:pk>/leaves/", batches.queen_leaves, name="batch_queen_leaves"),
    path("batch-queens/<int:pk>/back/", batches.queen_back, name="batch_queen_back"),
    path("sources/", sources.source_list, name="sources"),
    path("sources/new/", sources.source_new, name="source_add"),
    path("sources/<int:pk>/", sources.source_card, name="source"),
    path("sources/<int:pk>/edit/", sources.source_change, name="source_edit"),
    path("sources/<int:pk>/hold/", sources.source_put_on_hold, name="source_hold"),
    path("sources/<int:pk>/release/", sources.source_release, name="source_hold_lift"),
    path("sources/<int:pk>/withdraw/", sources.source_take_out, name="source_withdraw"),
    path("sources/<int:pk>/combs/new/", sources.cohort_new, name="cohort_add"),
    path("cohorts/<int:pk>/", sources.cohort_card, name="cohort"),
    path("cohorts/<int:pk>/count/", sources.cohort_count, name="cohort_count"),
    path("cohorts/<int:pk>/<slug:step>/", sources.cohort_step, name="cohort_step"),
    path("cohorts/<int:pk>/<slug:step>/take-back/", sources.cohort_step_withdraw, name="cohort_step_withdraw"),
]
