"""A queen who looks like one that is there already."""

from collections.abc import Callable
from typing import Any

from django.test import Client

from breeding.models import Queen
from tests.breeding.conftest import Stock
from tests.factories import QueenFactory

ClientOf = Callable[[str], Client]


def twin_of(stock: Stock, **but: Any) -> Queen:
    return QueenFactory(**{"owner": stock.owner, "label": "ROWAN-01", "birth_year": 2024, **but})
