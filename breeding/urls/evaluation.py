from django.urls import path

from breeding.views import crosses, evaluation, standing

urlpatterns = [
    path("standing/", standing.standing, name="standing"),
    path("standing/download/", standing.standing_csv, name="standing_csv"),
    path("crosses/", crosses.crosses, name="crosses"),
    path("evaluations/start/", evaluation.evaluation_start, name="evaluation_start"),
    path("evaluations/<int:pk>/", evaluation.evaluation, name="evaluation"),
    path("evaluations/<int:pk>/steps/", evaluation.evaluation_steps, name="evaluation_steps"),
    path("evaluations/<int:pk>/stop/", evaluation.evaluation_stop, name="evaluation_stop"),
]
