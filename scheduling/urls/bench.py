from django.urls import path

from scheduling.views import bench, bench_correct, bench_log, bench_paper, checks, outcomes, what_now

urlpatterns = [
    path("bench/", bench.bench, name="bench"),
    path("bench/<int:pk>/", bench.session_page, name="bench_session"),
    path("bench/<int:pk>/start/", bench.start, name="bench_start"),
    path("bench/<int:pk>/data/", bench_log.data, name="bench_data"),
    path("bench/<int:pk>/entries/", bench_log.entries, name="bench_entries"),
    path("bench/<int:pk>/looks/", bench_log.looks, name="bench_looks"),
    path("bench/<int:pk>/looks/<uuid:entry_id>/", bench_log.look, name="bench_look"),
    path("bench/<int:pk>/what-now/", what_now.what_now, name="what_now"),
    path("bench/<int:pk>/correct/", bench_correct.correct, name="bench_correct"),
    path("bench/<int:pk>/sheet/", bench_paper.sheet, name="bench_sheet"),
    path("bench/<int:pk>/labels/", bench_paper.labels, name="bench_labels"),
    path("Q/<int:pk>", bench_paper.queen_of_label, name="queen_of_label"),
    path("B/<int:pk>/", bench_paper.bench_of_sheet, name="bench_of_sheet"),
    path("bench/<int:pk>/close/", bench.close, name="bench_close"),
    path("bench/<int:pk>/lots/open/", bench.lot_new, name="lot_open"),
    path("bench/<int:pk>/lots/<int:lot_pk>/", bench.lot_page, name="lot"),
    path("bench/<int:pk>/lots/<int:lot_pk>/tally/", bench.tally, name="lot_tally"),
    path("bench/<int:pk>/lots/<int:lot_pk>/tally/take-back/", bench.tally_undo, name="lot_tally_undo"),
    path("bench/<int:pk>/lots/<int:lot_pk>/reading/", bench.reading, name="lot_reading"),
    path("bench/<int:pk>/queen/<int:place_pk>/", bench.queen, name="bench_queen"),
    path("bench/<int:pk>/queen/<int:place_pk>/gas-on/", bench.gas_on, name="gas_on"),
    path("bench/<int:pk>/queen/<int:place_pk>/gas-off/", bench.gas_off, name="gas_off"),
    path("bench/<int:pk>/queen/<int:place_pk>/dose/", bench.dose, name="dose"),
    path("bench/<int:pk>/queen/<int:place_pk>/set-aside/", bench.aside, name="bench_aside"),
    path("bench/<int:pk>/queen/<int:place_pk>/back/", bench.aside_back, name="bench_back"),
    path("bench/<int:pk>/dose/<int:dose_pk>/take-back/", bench.dose_back, name="dose_undo"),
    path("queens/<int:pk>/check/", checks.check_add, name="check_add"),
    path("outcomes/", outcomes.outcomes, name="outcomes"),
]
