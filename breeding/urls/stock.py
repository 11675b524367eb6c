from django.urls import path

from breeding.views import colonies, guests, merges, pedigree, queens, scores, stock

urlpatterns = [
    path("stock/", stock.stock, name="stock"),
    path("stock/tables/<slug:table>/", stock.stock_csv, name="stock_csv"),
    path("stock/queens/add/", queens.queen_new, name="queen_add"),
    path("stock/queens/<int:pk>/", queens.queen, name="queen"),
    path("stock/queens/<int:pk>/correct/", queens.queen_edit, name="queen_edit"),
    path("stock/queens/<int:pk>/mating/", queens.mating_edit, name="mating"),
    path("stock/queens/<int:pk>/gone/", queens.gone, name="queen_gone"),
    path("stock/queens/<int:pk>/back/", queens.back, name="queen_back"),
    path("stock/queens/<int:pk>/pedigree/", pedigree.pedigree, name="pedigree"),
    path("stock/queens/<int:pk>/guests/", guests.guests, name="queen_guests"),
    path("stock/queens/<int:pk>/guests/<int:link_pk>/end/", guests.end, name="queen_guest_end"),
    path("stock/duplicates/", merges.duplicates, name="duplicates"),
    path("stock/queens/<int:pk>/merge/<int:other_pk>/", merges.merge, name="queen_merge"),
    path("stock/queens/<int:pk>/apart/<int:other_pk>/", merges.apart, name="queens_apart"),
    path("stock/queens/<int:pk>/apart/<int:other_pk>/undo/", merges.apart_undo, name="queens_apart_undo"),
    path("stock/merges/<int:pk>/undo/", merges.unmerge, name="queen_unmerge"),
    path("card/<str:token>/", guests.card, name="guest_card"),
    path("stock/colonies/add/", colonies.colony_new, name="colony_add"),
    path("stock/colonies/<int:pk>/", colonies.colony, name="colony"),
    path("stock/colonies/<int:pk>/requeen/", colonies.requeen, name="requeen"),
    path("stock/colonies/<int:pk>/end/", colonies.end, name="colony_end"),
    path("stock/colonies/<int:pk>/scores/", scores.scores, name="scores"),
    path("stock/score-sheet/", scores.score_sheet, name="score_sheet"),
    path("stock/scores/<int:pk>/correct/", scores.correct, name="score_correct"),
    path("stock/scores/<int:pk>/withdraw/", scores.withdraw, name="score_withdraw"),
    path("stock/scores/<int:pk>/restore/", scores.restore, name="score_restore"),
]
