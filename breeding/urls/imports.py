from django.urls import path

from breeding.views import imports

urlpatterns = [
    path("stock/imports/", imports.imports, name="imports"),
    path("stock/imports/new/<slug:kind>/", imports.import_new, name="import_new"),
    path("stock/imports/templates/<slug:kind>/", imports.template, name="import_template"),
    path("stock/imports/<int:pk>/", imports.import_page, name="import"),
    path("stock/imports/<int:pk>/steps/", imports.import_steps, name="import_steps"),
    path("stock/imports/<int:pk>/columns/", imports.columns, name="import_columns"),
    path("stock/imports/<int:pk>/problems/", imports.problems, name="import_problems"),
    path("stock/imports/<int:pk>/again/", imports.recheck, name="import_recheck"),
    path("stock/imports/<int:pk>/import/", imports.commit, name="import_commit"),
    path("stock/imports/<int:pk>/undo/", imports.undo, name="import_undo"),
    path("stock/imports/<int:pk>/set-aside/", imports.set_aside, name="import_set_aside"),
]
