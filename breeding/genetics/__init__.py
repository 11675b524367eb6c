"""Honey-bee quantitative genetics on arrays and plain dataclasses: no web, no database, no clock.

Import from the rooms (``breeding.genetics.evaluation``, ``.pedigree``, ``.crosses`` ...): this file
stays empty so that a web process pays for scipy only when it computes.
"""
