from breeding.urls import crosses, evaluation, stock

app_name = "breeding"
urlpatterns = [*stock.urlpatterns, *evaluation.urlpatterns, *crosses.urlpatterns]
