from accounts.urls import people, session

app_name = "accounts"
urlpatterns = [*session.urlpatterns, *people.urlpatterns]
