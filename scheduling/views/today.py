"""Today: what needs me, and what comes next?"""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render


def today(request: HttpRequest) -> HttpResponse:
    return render(request, "scheduling/today.html")
