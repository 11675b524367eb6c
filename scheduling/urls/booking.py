from django.urls import path

from scheduling.views import booking, ledger, offers

urlpatterns = [
    path("book/", booking.book_queens, name="book"),
    path("book/drones/", booking.book_drones, name="book_drones"),
    path("book/day/", booking.book_day, name="book_day"),
    path("bookings/", booking.booking_list, name="bookings"),
    path("bookings/table/", booking.bookings_csv, name="bookings_csv"),
    path("bookings/<int:pk>/", booking.booking_card, name="booking"),
    path("bookings/<int:pk>/withdraw/", booking.booking_take_back, name="booking_withdraw"),
    path("bookings/<int:pk>/widen/", offers.widen, name="booking_widen"),
    path("offers/<int:pk>/take/", offers.accept, name="offer_accept"),
    path("offers/<int:pk>/let-pass/", offers.decline, name="offer_decline"),
    path("ledger/", ledger.ledger, name="ledger"),
    path("ledger/table/", ledger.ledger_csv, name="ledger_csv"),
    path("season/<int:pk>/priorities/", ledger.priorities, name="priorities"),
]
