from django.urls import path

from scheduling.views import balance, plan, repair, requests, sessions

urlpatterns = [
    path("board/", plan.board, name="board"),
    path("board/work-out/", plan.work_out, name="plan_work_out"),
    path("plan/<int:pk>/", plan.plan_page, name="plan"),
    path("plan/<int:pk>/run/", plan.run, name="plan_run"),
    path("plan/<int:pk>/stop/", plan.stop, name="plan_stop"),
    path("plan/<int:pk>/sketch/", plan.sketch, name="plan_sketch"),
    path("plan/<int:pk>/discard/", plan.discard, name="plan_discard"),
    path("plan/<int:pk>/changed/", repair.changed, name="plan_changed"),
    path("plan/<int:pk>/repair/", repair.choices, name="plan_repair"),
    path("plan/<int:pk>/publish/", plan.publish, name="plan_publish"),
    path("plan/<int:pk>/move/<int:booking_pk>/", plan.move, name="plan_place"),
    path("plan/<int:pk>/move/<int:booking_pk>/from/<int:placement_pk>/", plan.move, name="plan_move"),
    path("plan/<int:pk>/take-out/<int:placement_pk>/", plan.take_out, name="plan_take_out"),
    path("requests/", requests.request_list, name="requests"),
    path("balance/", balance.balance, name="balance"),
    path("sessions/", sessions.session_list, name="sessions"),
    path("sessions/open/", sessions.session_add, name="session_add"),
    path("sessions/<int:pk>/", sessions.session_edit, name="session"),
    path("sessions/<int:pk>/call-off/", sessions.session_off, name="session_cancel"),
    path("benches/add/", sessions.bench_new, name="bench_add"),
]
