from django.urls import path

from breeding.views import contributions, crosses, population

urlpatterns = [
    path("crosses/", crosses.crosses, name="crosses"),
    path("crosses/download/", crosses.crosses_csv, name="crosses_csv"),
    path("crosses/one/", crosses.cross, name="cross"),
    path("crosses/planned/", crosses.planned, name="planned_crosses"),
    path("crosses/planned/add/", crosses.cross_add, name="cross_add"),
    path("crosses/planned/<int:pk>/remove/", crosses.planned_remove, name="planned_remove"),
    path("crosses/planned/<int:pk>/restore/", crosses.planned_restore, name="planned_restore"),
    path("contributions/", contributions.contributions, name="contributions"),
    path("contributions/download/", contributions.contributions_csv, name="contributions_csv"),
    path("contributions/save/", contributions.contributions_save, name="contributions_save"),
    path("population/", population.population, name="population"),
]
