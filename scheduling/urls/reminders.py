from django.urls import path

from scheduling.views import reminders as views

urlpatterns = [
    path("reminders/", views.reminder_list, name="reminders"),
    path("reminders/<int:pk>/done/", views.done, name="reminder_done"),
    path("reminders/<int:pk>/put-off/", views.put_off, name="reminder_put_off"),
    path("reminders/<int:pk>/let-go/", views.let_go, name="reminder_let_go"),
    path("reminders/<int:pk>/take-back/", views.take_back, name="reminder_take_back"),
    path("reminders/wishes/", views.wishes, name="reminder_wishes"),
]
