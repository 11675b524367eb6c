from django.urls import path

from accounts.views import views

urlpatterns = [
    path("views/save/", views.save, name="view_save"),
    path("views/<int:pk>/remove/", views.remove, name="view_remove"),
    path("views/<int:pk>/restore/", views.restore, name="view_restore"),
]
