from accounts.urls import health, people, session

app_name = "accounts"
urlpatterns = [*health.urlpatterns, *session.urlpatterns, *people.urlpatterns]
