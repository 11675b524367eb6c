from accounts.urls import health, people, session, views

app_name = "accounts"
urlpatterns = [*health.urlpatterns, *session.urlpatterns, *people.urlpatterns, *views.urlpatterns]
