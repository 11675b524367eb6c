from breeding.urls import crosses, evaluation, imports, stock

app_name = "breeding"
urlpatterns = [*stock.urlpatterns, *imports.urlpatterns, *evaluation.urlpatterns, *crosses.urlpatterns]
