from django.urls import path

from breeding.views import compare, evaluation, standing, trend, variances

urlpatterns = [
    path("standing/", standing.standing, name="standing"),
    path("standing/compare/", compare.compare, name="compare"),
    path("standing/download/", standing.standing_csv, name="standing_csv"),
    path("evaluations/new/", evaluation.evaluation_new, name="evaluation_new"),
    path("evaluations/nightly/", evaluation.nightly, name="nightly"),
    path("evaluations/start/", evaluation.evaluation_start, name="evaluation_start"),
    path("evaluations/<int:pk>/", evaluation.evaluation, name="evaluation"),
    path("evaluations/<int:pk>/steps/", evaluation.evaluation_steps, name="evaluation_steps"),
    path("evaluations/<int:pk>/stop/", evaluation.evaluation_stop, name="evaluation_stop"),
    path("trend/", trend.trend, name="trend"),
    path("trend/download/", trend.trend_csv, name="trend_csv"),
    path("variances/", variances.variances, name="variances"),
    path("variances/adopt/", variances.variances_take, name="variances_take"),
    path("variances/estimate/", variances.estimate_start, name="estimate_start"),
    path("variances/jobs/<int:pk>/", variances.estimate, name="estimate"),
    path("variances/jobs/<int:pk>/steps/", variances.estimate_steps, name="estimate_steps"),
    path("variances/jobs/<int:pk>/stop/", variances.estimate_stop, name="estimate_stop"),
    path("merit/", variances.weights, name="weights"),
]
