from breeding.urls import evaluation, stock

app_name = "breeding"
urlpatterns = [*stock.urlpatterns, *evaluation.urlpatterns]
