from django.urls import path

from scheduling.views import booking

urlpatterns = [
    path("book/", booking.book_queens, name="book"),
    path("book/drones/", booking.book_drones, name="book_drones"),
    path("book/day/", booking.book_day, name="book_day"),
    path("bookings/", booking.booking_list, name="bookings"),
    path("bookings/<int:pk>/", booking.booking_card, name="booking"),
    path("bookings/<int:pk>/withdraw/", booking.booking_take_back, name="booking_withdraw"),
]
