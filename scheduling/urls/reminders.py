from django.urls import path

from scheduling.views import hive_log, watch
from scheduling.views import reminders as views

urlpatterns = [
    path("kept/", hive_log.looks, name="hive_looks"),
    path("kept/<uuid:entry_id>/", hive_log.look, name="hive_look"),
    path("kept/<int:cooperative>/data/", hive_log.data, name="hive_data"),
    path("kept/<int:cooperative>/entries/", hive_log.entries, name="hive_entries"),
    path("kept/<int:cooperative>/try/", hive_log.tries, name="hive_tries"),
    path("reminders/", views.reminder_list, name="reminders"),
    path("reminders/<int:pk>/done/", views.done, name="reminder_done"),
    path("reminders/<int:pk>/put-off/", views.put_off, name="reminder_put_off"),
    path("reminders/<int:pk>/let-go/", views.let_go, name="reminder_let_go"),
    path("reminders/<int:pk>/take-back/", views.take_back, name="reminder_take_back"),
    path("reminders/<int:pk>/acknowledge/", views.acknowledge, name="reminder_acknowledge"),
    path("reminders/times/", watch.times, name="reminder_times"),
    path("reminders/watch/", watch.watch, name="reminder_watch"),
    path("reminders/watch/ladder/", watch.ladder, name="reminder_ladder"),
    path("reminders/watch/let-out/", watch.let_out, name="reminder_let_out"),
    path("reminders/watch/resend/<int:pk>/", watch.resend, name="reminder_resend"),
    path("reminders/watch/pause/<int:pk>/", watch.pause, name="reminder_pause"),
    path("reminders/wishes/", views.wishes, name="reminder_wishes"),
]
